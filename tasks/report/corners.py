"""The cut corners of a recording as one sentence instead of a line for each."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tasks.report.facts import FindingFacts, WorkoutData

#: What many findings of this kind are joined into; on pages only.
CUT_CORNER: Final = "cut_corner"
CUT_CORNERS: Final = "cut_corners"


def join_corners(findings: Iterable[FindingFacts], data: WorkoutData) -> tuple[FindingFacts, ...]:
    """Return the findings with the cut corners of one recording and reference joined into one.

    Its size is the distance that they lost. A single one stays as it is.
    """
    others, corners = [], defaultdict(list)
    for one in findings:
        if one.kind == CUT_CORNER:
            corners[one.recording_id, one.reference].append(one)
        else:
            others.append(one)
    others += [cut[0] if len(cut) == 1 else _join(cut, data) for cut in corners.values()]
    return tuple(sorted(others, key=lambda one: one.start_s))


def _join(cut: list[FindingFacts], data: WorkoutData) -> FindingFacts:
    first = min(cut, key=lambda one: one.start_s)

    def find(metric: str) -> tuple[float | None, int | None]:
        result = data.find(first.recording_id, metric, reference=first.reference)
        return (None, None) if result is None else (result.value, result.n)

    _, passed = find("track_corners_cut")
    lost_m, _ = find("track_corners_cut_lost_m")
    lost_pct, _ = find("track_corners_cut_lost_pct")
    note = f"cut {len(cut)} of {passed} corners" if passed else f"cut {len(cut)} corners"
    if lost_m is not None:
        note += f", which lost {lost_m:.0f} m"
        note += "" if lost_pct is None else f", {lost_pct:.1f} % of the distance"
    return replace(
        first,
        kind=CUT_CORNERS,
        end_s=max(one.end_s for one in cut),
        size=lost_m,
        unit="m",
        latitude_deg=None,
        longitude_deg=None,
        note=note,
    )
