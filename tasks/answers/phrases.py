"""How each compared metric is said: what a device did, better or worse than another one.

A metric without words of its own, e.g. one that only a person's plan names, is said by its title.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tasks.answers.facts import AFTER_LOCK, ALL

if TYPE_CHECKING:
    from tasks.answers.facts import Metric


@dataclass(frozen=True)
class Phrase:
    """The words of one metric. `{other}` is the other device, `{level}` the usual value.

    `subject` names the values of two devices, `none` says a value of zero, and `failed` what a
    device did not do where it failed; `failure` is the metric that says so, 100 for a failure.
    """

    metric: str
    domain: str
    level: str
    better: str
    worse: str
    alike: str
    whether: str
    subject: str
    segment: str = ALL
    failed: str = ""
    failure: str = ""
    none: str = ""
    weight: float = 1.2
    is_primary: bool = False


PRIMARY: Final[tuple[Phrase, ...]] = (
    Phrase(
        "hr_mae_bpm",
        "heart_rate",
        "once locked, heart rate was off by {level} on average",
        "once locked, its heart rate was closer to the reference than that of {other}",
        "once locked, its heart rate was farther from the reference than that of {other}",
        "once locked, its heart rate is as good as that of {other}",
        "whether its heart rate, once locked, is more accurate than that of {other}",
        "errors of heart rate, once locked,",
        AFTER_LOCK,
        is_primary=True,
    ),
    Phrase(
        "hr_lock_s",
        "heart_rate",
        "it locked on to the heart rate after {level}",
        "it locked on to the heart rate sooner than {other}",
        "it locked on to the heart rate later than {other}",
        "it locks on to the heart rate as soon as {other}",
        "whether it locks on to the heart rate sooner than {other}",
        "times to lock",
        failed="never locked on to the heart rate",
        failure="hr_lock_failed_pct",
        is_primary=True,
    ),
    Phrase(
        "track_cross_median_m",
        "track",
        "half of the time its track lay within {level} of the line",
        "its track lay nearer to the line than that of {other}",
        "its track lay farther from the line than that of {other}",
        "its track keeps to the line as well as that of {other}",
        "whether its track keeps nearer to the line than that of {other}",
        "distances from the line",
        failed="had no usable track (no fix, a late or a lost one)",
        failure="track_failed_pct",
        is_primary=True,
    ),
    Phrase(
        "distance_error_pct",
        "distance",
        "distance was off by {level}",
        "its distance was closer than that of {other}",
        "its distance was farther off than that of {other}",
        "distance is as good as that of {other}",
        "whether its distance is more accurate than that of {other}",
        "errors of distance",
        is_primary=True,
    ),
    Phrase(
        "ascent_error_pct",
        "elevation",
        "ascent was off by {level}",
        "its ascent was closer than that of {other}",
        "its ascent was farther off than that of {other}",
        "ascent is as good as that of {other}",
        "whether its ascent is more accurate than that of {other}",
        "errors of ascent",
        is_primary=True,
    ),
    Phrase(
        "swim_lengths_error",
        "swimming",
        "pool lengths were off by {level}",
        "it counted pool lengths better than {other}",
        "it counted pool lengths worse than {other}",
        "it counts pool lengths as well as {other}",
        "whether it counts pool lengths better than {other}",
        "errors in pool lengths",
        none="it counted all pool lengths right",
        is_primary=True,
    ),
    Phrase(
        "battery_rate_pct_per_h",
        "battery",
        "its charge fell by {level}",
        "it used less charge than {other}",
        "it used more charge than {other}",
        "it uses as much charge as {other}",
        "whether it uses less charge than {other}",
        "rates of use of charge",
        is_primary=True,
    ),
)

DETAILS: Final[tuple[Phrase, ...]] = (
    Phrase(
        "hr_within_5_bpm_pct",
        "heart_rate",
        "heart rate was within 5 bpm for {level} of the time",
        "its heart rate was within 5 bpm for more of the time than that of {other}",
        "its heart rate was within 5 bpm for less of the time than that of {other}",
        "its heart rate is within 5 bpm for as much of the time as that of {other}",
        "whether its heart rate is within 5 bpm for more of the time than that of {other}",
        "shares of time within 5 bpm",
    ),
    Phrase(
        "hr_rise_delay_s",
        "heart_rate",
        "it followed rises of effort {level} late",
        "it followed rises of effort sooner than {other}",
        "it followed rises of effort later than {other}",
        "it follows rises of effort as soon as {other}",
        "whether it follows rises of effort sooner than {other}",
        "delays at rises of effort",
        failed="followed no rise of effort",
        failure="hr_missed_rises_pct",
    ),
    Phrase(
        "hr_missed_rises_pct",
        "heart_rate",
        "it missed {level} of the rises of effort",
        "it missed fewer rises of effort than {other}",
        "it missed more rises of effort than {other}",
        "it misses as many rises of effort as {other}",
        "whether it misses fewer rises of effort than {other}",
        "shares of missed rises",
        none="it missed no rise of effort",
    ),
    Phrase(
        "track_corners_cut_per_km",
        "track",
        "it cut {level} corners per kilometre",
        "it cut fewer corners than {other}",
        "it cut more corners than {other}",
        "it cuts as many corners as {other}",
        "whether it cuts fewer corners than {other}",
        "numbers of corners cut per kilometre",
        none="it cut no corner",
        weight=1.45,
    ),
    Phrase(
        "start_delay_s",
        "detection",
        "it noticed the start {level} late",
        "it noticed the start sooner than {other}",
        "it noticed the start later than {other}",
        "it notices the start as soon as {other}",
        "whether it notices the start sooner than {other}",
        "delays of the start",
        none="it noticed the start at once",
    ),
)

PHRASES: Final[Mapping[str, Phrase]] = {one.metric: one for one in (*PRIMARY, *DETAILS)}

#: Domains in the order of the page.
DOMAINS: Final[Mapping[str, str]] = {
    "heart_rate": "Heart rate",
    "track": "Track",
    "distance": "Distance and pace",
    "elevation": "Elevation",
    "swimming": "Swimming",
    "detection": "Automatic start",
    "battery": "Battery",
}


#: The domain of a metric, by the beginning of its id.
_BEGINNINGS: Final[Mapping[str, str]] = {
    "hr_": "heart_rate",
    "track_": "track",
    "distance_": "distance",
    "speed_": "distance",
    "indoor_": "distance",
    "pace_": "distance",
    "pause_": "distance",
    "ascent_": "elevation",
    "descent_": "elevation",
    "altitude_": "elevation",
    "swim_": "swimming",
    "start_": "detection",
    "battery_": "battery",
}


def find_domain(metric: str) -> str:
    """Return the domain under which a metric is reported."""
    return next(
        (domain for start, domain in _BEGINNINGS.items() if metric.startswith(start)), "distance"
    )


def find_phrase(metric: Metric) -> Phrase:
    """Return the words of a metric, made from its title where it has none of its own."""
    known = PHRASES.get(metric.metric)
    if known is not None:
        return known
    title = f"{metric.title[:1].lower()}{metric.title[1:]}"
    return Phrase(
        metric.metric,
        find_domain(metric.metric),
        f"{title} was {{level}}",
        f"{title} was better than that of {{other}}",
        f"{title} was worse than that of {{other}}",
        f"{title} is as good as that of {{other}}",
        f"whether {title} is better than that of {{other}}",
        f"values of {title}",
    )
