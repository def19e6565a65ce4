"""What must hold of every published number, as questions in SQL over a home's results.

Each question has two queries: `asked` counts what it is about, so that none is passed by a store
that holds nothing of the kind, and `wrong` names what breaks it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, get_args

from tasks.core.discovery import load_metrics
from tasks.core.firmware import unify_firmware
from tasks.core.registers import METRICS, Domain
from tasks.store.views import MAIN_METRICS

if TYPE_CHECKING:
    from collections.abc import Callable

    Ask = Callable[[str], list[tuple[object, ...]]]

#: No heart beats faster (the range of `heart_rate_bpm` in the lake ends there, too).
MOST_BPM: Final = 250
#: The printed digit of a mean absolute error.
PRINTED_BPM: Final = 0.05
_SAME: Final = 1e-9

#: Means over the scored seconds of `pairs`, by the metric that they are.
MEANS: Final = {
    "hr_bias_bpm": ("heart_rate", "avg(heart_rate_test_bpm - heart_rate_reference_bpm)"),
    "hr_mae_bpm": ("heart_rate", "avg(abs(heart_rate_test_bpm - heart_rate_reference_bpm))"),
    "speed_bias_mps": ("speed", "avg(speed_test_mps - speed_reference_mps)"),
    "speed_mae_mps": ("speed", "avg(abs(speed_test_mps - speed_reference_mps))"),
    "altitude_bias_m": ("altitude", "avg(altitude_test_m - altitude_reference_m)"),
}
#: Tables of answers across workouts: value, low and high of each of their intervals.
INTERVALS: Final = {
    "latest_results": (("value", "ci_low", "ci_high"),),
    "latest_levels": (
        ("mean", "mean_ci_low", "mean_ci_high"),
        ("median", "median_ci_low", "median_ci_high"),
    ),
    "latest_limits": (
        ("limit_low", "limit_low_ci_low", "limit_low_ci_high"),
        ("limit_high", "limit_high_ci_low", "limit_high_ci_high"),
    ),
    "latest_verdicts": (
        ("estimate", "ci_low", "ci_high"),
        ("model_estimate", "model_ci_low", "model_ci_high"),
    ),
}


@dataclass(frozen=True)
class Question:
    """`asked` counts what the question is about, `wrong` lists what breaks it."""

    asked: str
    wrong: str


def list_questions() -> dict[str, Question]:
    """Return the questions by what each of them claims."""
    load_metrics()
    claims = {
        "every value says how much it rests on": Question(
            "SELECT count(value) FROM latest_results",
            "SELECT DISTINCT metric FROM latest_results WHERE value IS NOT NULL AND n IS NULL",
        ),
        "every missing value has a reason": Question(
            "SELECT count(*) - count(value) FROM latest_results",
            "SELECT DISTINCT metric FROM latest_results WHERE value IS NULL AND reason IS NULL",
        ),
        "every missing interval has a reason": _ask_reasons(),
        "no bpm interval goes beyond what a heart can do": _ask_heart_rates(),
        "shares lie within 0 and 100 %, coverage within 0 and 1": _ask_shares(),
        "a recording, segment and metric has one value that counts": Question(
            "SELECT count(*) FROM main_results",
            "SELECT recording_id, segment, metric, count(*) FROM main_results "
            "GROUP BY ALL HAVING count(*) > 1",
        ),
        "a device has one value for a whole workout": Question(
            "SELECT count(*) FROM main_results WHERE segment = 'all'",
            "SELECT workout_id, device_id, metric, count(*) FROM main_results "
            "WHERE segment = 'all' GROUP BY ALL HAVING count(*) > 1",
        ),
    }
    claims |= {f"intervals of {table} hold their value": _ask_order(table) for table in INTERVALS}
    claims |= {f"{metric} is the mean over pairs": _ask_pairs(metric) for metric in MEANS}
    return claims


def list_views() -> dict[str, Question]:
    """Return one question for each domain: means over its wide view are means of main rows."""
    load_metrics()
    return {domain: _ask_view(domain) for domain in get_args(Domain)}


def find_two_spellings(ask: Ask) -> list[tuple[str, str]]:
    """Return devices, with the firmware, that have two spellings of one version."""
    rows = ask(
        "SELECT device_id, firmware FROM recordings WHERE firmware IS NOT NULL UNION "
        "SELECT device_id, value FROM setups WHERE key = 'firmware'"
    )
    spellings: dict[str, set[str]] = {}
    for device_id, firmware in rows:
        spellings.setdefault(str(device_id), set()).add(str(firmware))
    return [
        (device_id, spelling)
        for device_id, there in spellings.items()
        for spelling, used in unify_firmware(there).items()
        if spelling != used
    ]


def _list(names: list[str]) -> str:
    return ", ".join(f"'{name}'" for name in names)


def _ask_reasons() -> Question:
    with_interval = _list([name for name, each in METRICS.items() if each.has_interval])
    these = f"FROM latest_results WHERE metric IN ({with_interval}) AND value IS NOT NULL"
    return Question(
        f"SELECT count(*) {these}",
        f"SELECT device_id, segment, metric {these} "  # noqa: S608
        "AND (ci_low IS NULL OR ci_high IS NULL) AND ci_reason IS NULL UNION ALL "
        f"SELECT device_id, segment, metric FROM latest_results WHERE metric NOT IN "
        f"({with_interval}) AND (ci_low IS NOT NULL OR ci_high IS NOT NULL)",
    )


def _ask_heart_rates() -> Question:
    signed = _list([n for n, each in METRICS.items() if each.unit == "bpm" and _is_signed(n)])
    least = f"CASE WHEN metric IN ({signed}) THEN -{MOST_BPM} ELSE 0 END"
    parts = [
        f"SELECT '{table}', device_id, metric, {low}, {high} FROM {table} "  # noqa: S608
        f"WHERE unit = 'bpm' AND ({low} < {least} OR {high} > {MOST_BPM})"
        for table, intervals in INTERVALS.items()
        if table != "latest_verdicts"  # an answer's estimate is a difference of two figures
        for _, low, high in intervals
    ]
    return Question(
        "SELECT count(ci_low) FROM latest_results WHERE unit = 'bpm'", " UNION ALL ".join(parts)
    )


def _is_signed(metric: str) -> bool:
    return METRICS[metric].better == "zero" or "bias" in metric or "_loa_" in metric


def _ask_shares() -> Question:
    shares = _list([name for name, each in METRICS.items() if _is_share(name, each.unit)])
    return Question(
        f"SELECT count(value) FROM latest_results WHERE metric IN ({shares})",  # noqa: S608
        "SELECT device_id, segment, metric, value, ci_low, ci_high, coverage "  # noqa: S608
        f"FROM latest_results WHERE coverage < 0 OR coverage > 1 OR (metric IN ({shares}) "
        "AND (least(value, ci_low, ci_high) < 0 OR greatest(value, ci_low, ci_high) > 100))",
    )


def _is_share(metric: str, unit: str) -> bool:
    """Say whether a figure is a share of a whole: a percentage that is no error and no claim."""
    others = ("error", "mape", "vs_claim", "start_credit_pct")
    return unit == "%" and not any(word in metric for word in others)


def _ask_order(table: str) -> Question:
    intervals = INTERVALS[table]
    counted = " + ".join(f"count({value})" for value, _, _ in intervals)
    wrong = " OR ".join(
        f"{low} > {value} + {_SAME} OR {value} > {high} + {_SAME} OR isinf({low}) OR isinf({high})"
        for value, low, high in intervals
    )
    return Question(
        f"SELECT {counted} FROM {table}",  # noqa: S608 - declared names only
        f"SELECT * FROM {table} WHERE {wrong}",  # noqa: S608
    )


def _ask_pairs(metric: str) -> Question:
    channel, mean = MEANS[metric]
    these = (
        f"FROM latest_results WHERE metric = '{metric}' AND segment = 'all' "
        "AND value IS NOT NULL AND reference IS NOT NULL"
    )
    return Question(
        f"SELECT count(*) {these}",
        f"SELECT workout_id, device_id, reference, value, mean FROM (SELECT * {these}) "  # noqa: S608
        f"LEFT JOIN (SELECT workout_id, recording_id, reference, {mean} "
        f"FILTER ({channel}_is_scored) AS mean FROM pairs GROUP BY ALL) "
        "USING (workout_id, recording_id, reference) "
        f"WHERE coalesce(abs(value - mean) > {PRINTED_BPM}, true)",
    )


def _ask_view(domain: Domain) -> Question:
    names = sorted(name for name, each in METRICS.items() if each.domain == domain)
    means = ", ".join(f"avg({name}) AS {name}" for name in names)
    beside = " UNION ALL ".join(
        f"SELECT '{name}, n and interval', count(*)::DOUBLE, NULL FROM {domain} "  # noqa: S608
        f"WHERE ({name} IS NOT NULL AND {name}_n IS NULL) "
        f"OR {name}_ci_low > {name} OR {name}_ci_high < {name} HAVING count(*) > 0"
        for name in MAIN_METRICS[domain]
    )
    return Question(
        f"SELECT count(*) FROM {domain}",  # noqa: S608
        "WITH main AS (SELECT metric, device_id, avg(value) AS of_rows FROM main_results "  # noqa: S608
        f"WHERE segment = 'all' AND metric IN ({_list(names)}) GROUP BY ALL HAVING of_rows "
        "IS NOT NULL), "
        f"wide AS (UNPIVOT (SELECT device_id, {means} FROM {domain} WHERE segment = 'all' "
        f"GROUP BY device_id) ON {', '.join(names)} INTO NAME metric VALUE of_view) "
        "SELECT metric, of_rows, of_view FROM main FULL JOIN wide USING (metric, device_id) "
        f"WHERE coalesce(abs(of_rows - of_view) > {_SAME} * (1 + abs(of_rows)), true) "
        f"UNION ALL {beside}",
    )
