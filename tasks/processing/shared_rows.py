"""Results of a channel that another device measured: they count in no verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tasks.workout.shared_signals import find_original

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tasks.core.registers import Against, Domain, Metric
    from tasks.workout.case import Subject, Workout

_BY_DOMAIN: Final[Mapping[Domain, Against]] = {
    "distance": "distance",
    "indoor": "distance",
    "elevation": "altitude",
}


def explain_shared(workout: Workout, test: Subject, metric: Metric) -> str | None:
    """Say whose signal a metric of a recording rests on; None where it is its own."""
    kind = _find_kind(metric)
    shared = None if kind is None else find_original(workout, test, kind)
    return None if kind is None or shared is None else shared.describe(kind)


def _find_kind(metric: Metric) -> Against | None:
    """Return the kind of signal that a metric rests on, where two devices may share it."""
    if metric.needs == ("speed_mps",):
        return "speed"
    if "latitude_deg" in metric.needs:
        return "position"
    return _BY_DOMAIN.get(metric.domain)
