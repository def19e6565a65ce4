"""The summary of a workout in words: what was compared with what, aligned how, what stands out."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import TYPE_CHECKING, Final

from tasks.core.wording import (
    join_words,
    name_kind,
    write_clock,
    write_date,
    write_duration,
    write_number,
)
from tasks.report.corners import CUT_CORNERS, join_corners
from tasks.report.facts import CONSENSUS
from tasks.report.words import ROLES, describe_finding, summarise_kind, use_minus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tasks.report.facts import (
        DeviceFacts,
        ExclusionFacts,
        FindingFacts,
        RecordingFacts,
        Result,
        WorkoutData,
    )

#: What is said first of every device, in this order.
HEADLINES: Final = (
    ("mean error", "hr_bias_bpm"),
    ("mean absolute error", "hr_mae_bpm"),
    ("within 5 bpm", "hr_within_5_bpm_pct"),
    ("locked after", "hr_lock_s"),
    ("distance error", "distance_error_pct"),
    ("cross-track error, median", "track_cross_median_m"),
    ("ascent error", "ascent_error_pct"),
    ("lengths miscounted", "swim_lengths_error"),
    ("battery use", "battery_rate_pct_per_h"),
)
#: What stands beside a number that is a difference from another device, no error.
_FROM: Final = "from {}"
_DIFFERENCES: Final = {
    "hr_within_5_bpm_pct": "of {}",
    "hr_lock_s": "within 5 bpm of {}",
}
#: Findings of a kind are told one by one up to so many, more of them together.
_MOST_EACH: Final = 2
#: How grave a kind of finding is beside its size and length.
_GRAVITY: Final = {
    "biased_stretch": 3.0,
    "cadence_lock": 4.0,
    "late_lock": 2.0,
    "missed_rise": 2.0,
    "cut_corner": 2.0,
    "cut_corners": 2.0,
    "stuck_position": 2.0,
    "unit_mismatch": 10.0,
    "false_pause": 3.0,
    "position_jump": 2.0,
    "frozen": 2.0,
}
#: What qualifies a comparison; nothing that happened.
_REMARKS: Final = (
    "battery_contradiction",
    "references_disagree",
    "ascent_references_disagree",
    "heart_rate_references_disagree",
)
_OTHER_RANGE: Final = (
    "was compared over another range of charge, so its rates are not quite comparable"
)
_MOST_OUTSTANDING: Final = 3
_FEWEST_COMPARED: Final = 2
_SHORTEST_S: Final = 5.0
#: What is compared second by second, so that a wrong clock shows in it.
TIMED_METRIC: Final = "hr_mae_bpm"
_NOT_COMPARED: Final = 1e9
_METHODS: Final = {
    "gnss": "both clocks are set by satellites",
    "position": "the tracks",
    "speed": "speed",
    "altitude": "altitude",
    "cadence": "cadence",
    "power": "power",
    "distance": "the distance counters",
    "heart_rate": "heart rate",
}


@dataclass(frozen=True)
class Headline:
    """One of the numbers that are said first; from what it is a difference, empty of an error."""

    result: Result
    remark: str = ""


@dataclass(frozen=True)
class DeviceSummary:
    """What is said first of one device in one workout."""

    device: DeviceFacts
    compared: str
    heart_rate: tuple[Headline, ...]
    outstanding: tuple[str, ...]
    remarks: tuple[str, ...] = ()
    from_file: tuple[str, ...] = ()
    set_aside: str | None = None
    note: str | None = None


def title_workout(data: WorkoutData) -> str:
    """Return the title of a workout's page: activity, place and local start."""
    facts = data.facts
    start = data.local(facts.start_s)
    place = f", {facts.place}" if facts.place else ""
    activity = name_kind(facts.activity).capitalize()
    return f"{activity}{place}, {write_date(start)} {write_clock(start, seconds=False)}"


def write_intro(data: WorkoutData) -> str:
    """Return the first paragraph: how long, with what, how the activity is known."""
    facts = data.facts
    lasted = write_duration(facts.end_s - facts.start_s)
    names = join_words([device.label for device in data.devices])
    known = {
        "notes": "The activity is from the notes.",
        "file": "The activity is from the exports.",
        "inferred": "The activity was inferred from speed and position.",
    }.get(facts.activity_from or "", "")
    how_long = f"{lasted} recorded by {names}."
    if facts.is_shown_in_part:
        how_long = (
            f"Recorded by {names}. What was recorded around a private place is left out: times "
            "after it are moved, and the workout was longer than what is shown."
        )
    said = (how_long, known, _say_without_reference(data))
    return " ".join(part for part in said if part)


def _say_without_reference(data: WorkoutData) -> str:
    """Say how to name a reference where devices are only compared with each other."""
    kinds = {one.reference_kind for one in data.results} - {None, "comparison", "consensus"}
    if kinds or len(data.devices) < _FEWEST_COMPARED:
        return ""
    return (
        "No reference is named: the devices are compared with each other. A chest strap or another "
        'device that you trust becomes one by role = "reference" in devices.toml (coworn devices '
        "proposes entries), a measured distance or course by notes."
    )


def summarise_devices(data: WorkoutData) -> tuple[DeviceSummary, ...]:
    """Return the summary of every device, devices under test first."""
    return tuple(_summarise(data, recording) for recording in data.recordings)


def _summarise(data: WorkoutData, recording: RecordingFacts) -> DeviceSummary:
    headlines = []
    for _, metric in HEADLINES:
        result = data.find(recording.recording_id, metric)
        if result is not None and result.value is not None:
            headlines.append(Headline(result, _say_from(data, result)))
    return DeviceSummary(
        device=recording.device,
        compared=use_minus(f"{_say_against(data, recording)} {_say_clock(recording)}"),
        heart_rate=tuple(headlines),
        outstanding=say_outstanding(data, recording.recording_id),
        remarks=_list_remarks(data, recording),
        from_file=recording.remarks,
        set_aside=_say_set_aside(data, recording.device.device_id),
        note=data.setups.get(recording.device.device_id, {}).get("note"),
    )


def list_set_aside(data: WorkoutData) -> tuple[str, ...]:
    """Return what the notes set aside, and why, one sentence each."""
    labels = {device.device_id: device.label for device in data.devices}
    said = []
    for one in data.exclusions:
        whose = "the whole workout"
        if one.device_id is not None:
            whose = labels.get(one.device_id, one.device_id)
        what = whose if one.domain is None else f"{name_kind(one.domain)} of {whose}"
        said.append(f"{what[:1].upper()}{what[1:]}{_say_when(data, one)}: {one.because}")
    return tuple(said)


def _say_set_aside(data: WorkoutData, device_id: str) -> str | None:
    """Return what is set aside of one device, and why; None where nothing is."""
    said = [
        f"{name_kind(one.domain or '')}{_say_when(data, one)}: {one.because}"
        for one in data.exclusions
        if one.device_id in {None, device_id}
    ]
    return "; ".join(one.removeprefix(": ").strip() for one in said) or None


def _say_when(data: WorkoutData, one: ExclusionFacts) -> str:
    return "".join(
        f" {word} {write_clock(data.local(instant))}"
        for word, instant in (("from", one.start_s), ("until", one.end_s))
        if instant is not None
    )


def _list_remarks(data: WorkoutData, recording: RecordingFacts) -> tuple[str, ...]:
    """Return what qualifies the comparisons of a recording."""
    said = [
        describe_finding(one, data)
        for one in data.findings
        if one.recording_id == recording.recording_id and one.kind in _REMARKS
    ]
    battery = data.find(recording.recording_id, "battery_rate_difference_pct_per_h")
    if battery is not None and battery.value is not None and battery.note is not None:
        said.append(f"{_OTHER_RANGE}; {battery.note.removeprefix('different ranges: ')}")
    return tuple(said)


def _say_from(data: WorkoutData, result: Result) -> str:
    """Return from what a number is a difference; empty where it is an error."""
    if not result.is_difference or result.reference is None:
        return ""
    name = name_reference(data, result.reference)
    return _DIFFERENCES.get(result.metric, _FROM).format(name)


def find_clock(data: WorkoutData, result: Result) -> str | None:
    """Return how well the clocks of a device and of what it is compared with are known."""
    sides = [
        one.clock
        for one in data.recordings
        if one.clock is not None
        and (one.recording_id == result.recording_id or one.device.device_id == result.reference)
    ]
    return max(sides, key=_rank_clock, default=None)


def _rank_clock(clock: str) -> float:
    """Put the less sure clock last."""
    if clock.startswith("in doubt"):
        return inf
    if clock == "not compared":
        return _NOT_COMPARED
    return float("".join(filter(str.isdigit, clock)) or 0)


def _say_against(data: WorkoutData, recording: RecordingFacts) -> str:
    references: dict[str, list[str]] = {}
    differs: dict[str, list[str]] = {}
    topics = (
        ("heart rate", "hr_mae_bpm"),
        ("distance", "distance_error_pct"),
        ("the track", "track_cross_median_m"),
        ("ascent", "ascent_error_m"),
        ("pool lengths", "swim_lengths_error"),
    )
    for topic, metric in topics:
        result = data.find(recording.recording_id, metric)
        if result is not None and result.value is not None and result.reference:
            found = differs if result.is_difference else references
            found.setdefault(name_reference(data, result.reference), []).append(topic)
    device = recording.device
    role = ROLES.get(device.role, device.role)
    if not references and not differs:
        return f"Its role is {role}; nothing of it was compared with anything else here."
    said = [f"{join_words(topics)} against {name}" for name, topics in references.items()]
    sentences = [f"compared here: {join_words(said)}."] if said else []
    sentences += [
        f"{join_words(topics)} {'has' if len(topics) == 1 else 'have'} no reference: what is shown "
        f"is how the device differs from {name}, no error of either."
        for name, topics in differs.items()
    ]
    sentences = [f"{one[:1].upper()}{one[1:]}" for one in sentences]
    return f"Its role is {role}. {' '.join(sentences)}"


def name_reference(data: WorkoutData, reference: str) -> str:
    """Return the name of what something is compared with."""
    for device in data.devices:
        if device.device_id == reference:
            return device.label
    if reference == "truth":
        return "the truth in the notes"
    if reference == CONSENSUS:
        return "the consensus of the other devices"
    if reference.startswith("course:"):
        return f"the course {reference.removeprefix('course:')}"
    return reference


def _say_clock(recording: RecordingFacts) -> str:
    shift = ""
    if recording.clock_shift_s:
        side = "slow" if recording.clock_shift_s > 0 else "fast"
        wrong = write_duration(abs(recording.clock_shift_s))
        shift = f" Its clock was {wrong} {side}; that is corrected here."
    if recording.is_timeline:
        return f"Its clock is the clock of this page.{shift}"
    if recording.clock is not None and recording.clock.startswith("in doubt"):
        return f"Its clock is {recording.clock}: {recording.note}.{shift}"
    if recording.method == "none":
        why = f" ({recording.note})" if recording.note else ""
        return f"Its clock could not be compared and was used as it is{why}.{shift}"
    source = _METHODS.get(recording.method, recording.method)
    if recording.method != "gnss" and recording.offset_s == 0:
        return f"Its clock agrees, by {source} ({recording.clock}).{shift}"
    if recording.method == "gnss":
        note = f"; {recording.note}" if recording.note else ""
        return f"Its clock needs no correction: {source}{note}.{shift}"
    added = write_number(recording.offset_s, None, units="metric", signed=True)
    sure = "" if recording.clock is None else f" ({recording.clock})"
    hidden = (
        " A lag cannot be seen where heart rate aligned the clock."
        if recording.method == "heart_rate"
        else ""
    )
    return f"Its clock was aligned by {source}: {added} s{sure}.{hidden}{shift}"


def say_outstanding(data: WorkoutData, recording_id: str) -> tuple[str, ...]:
    """Return what is gravest of one recording in words, by time; many of one kind together."""
    groups: dict[str, list[FindingFacts]] = {}
    for one in join_corners(data.findings, data):
        if one.recording_id == recording_id and one.kind not in _REMARKS:
            groups.setdefault(one.kind, []).append(one)
    told: list[tuple[float, float, str]] = []
    for kind, found in groups.items():
        if len(found) > _MOST_EACH:
            told.append((sum(map(_weigh, found)), found[0].start_s, _say_together(kind, found)))
        else:
            told += [(_weigh(one), one.start_s, describe_finding(one, data)) for one in found]
    told.sort(reverse=True)
    return tuple(words for _, _, words in sorted(told[:_MOST_OUTSTANDING], key=lambda one: one[1]))


def _say_together(kind: str, found: Sequence[FindingFacts]) -> str:
    """Return how often something happened, and how much it was at most."""
    words = summarise_kind(kind, len(found), sum(one.end_s - one.start_s for one in found))
    sizes = [abs(one.size) for one in found if one.size is not None and one.unit == "bpm"]
    return f"{words}, by up to {max(sizes):.0f} bpm" if sizes else words


def _weigh(finding: FindingFacts) -> float:
    size = min(abs(finding.size or 1.0), 60.0)
    # Corners last five seconds each, however far apart the first and the last one are.
    is_spread = finding.kind == CUT_CORNERS
    lasted = _SHORTEST_S if is_spread else max(finding.end_s - finding.start_s, _SHORTEST_S)
    return _GRAVITY.get(finding.kind, 1.0) * size * lasted
