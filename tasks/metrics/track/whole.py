"""How far test and reference are apart as whole curves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tasks.core.registers import Example, Value, metric, unknown
from tasks.maths.curves import compute_frechet_m, compute_hausdorff_m, compute_warping_mean_m
from tasks.maths.lines import resample_evenly
from tasks.metrics.track.compared import ASIDE, NOWHERE, POSITION, compare_tracks

if TYPE_CHECKING:
    from tasks.maths.arrays import FloatArray
    from tasks.workout.case import Case

_MISSING: Final = Example(NOWHERE, None, "no positions")
_FEWEST_FIXES: Final = 2
_FINER: Final = 4
_ASIDE: Final[dict[str, Any]] = ASIDE


@dataclass(frozen=True)
class Curves:
    """Both tracks as points ``(n_points, 2)`` of one spacing, and the seconds compared."""

    test: FloatArray
    reference: FloatArray
    n: int
    coverage: float | None
    note: str | None

    def make_value(self, value: float) -> Value:
        """Wrap a value with n and coverage, and say where the points are far apart."""
        return Value(value, n=self.n, coverage=self.coverage, reason=self.note)


@metric(
    "track",
    title="Discrete Frechet distance",
    unit="m",
    version=2,
    definition="Smallest possible largest distance between two walkers who each follow one track "
    "from end to end; a single place decides it, and the point spacing adds up to one spacing",
    formula="min over monotone pairings of the max distance, both tracks resampled every 2 m, or "
    "more for tracks of more than 32 km",
    better="lower",
    source="Eiter and Mannila 1994, Computing discrete Frechet distance, TU Wien CD-TR 94/64",
    examples=(Example(_ASIDE, 3.0, "by hand: parallel, 3 m apart", 1e-3), _MISSING),
    against="position",
    needs=POSITION,
    whole_only=True,
)
def track_frechet_m(case: Case) -> Value:
    """Return the discrete Frechet distance [m]."""
    curves = get_curves(case)
    if isinstance(curves, Value):
        return curves
    return curves.make_value(compute_frechet_m(curves.test, curves.reference))


@metric(
    "track",
    title="Hausdorff distance",
    unit="m",
    version=2,
    definition="Distance of the point of either track that is farthest from the other track; "
    "ignores order and direction, and a single place decides it",
    formula="max of both directed distances, both tracks resampled every 2 m, or more for tracks "
    "of more than 128 km",
    better="lower",
    source="Rockafellar and Wets 1998, Variational Analysis, 4C",
    examples=(Example(_ASIDE, 3.0, "by hand: parallel, 3 m apart", 1e-3), _MISSING),
    against="position",
    needs=POSITION,
    whole_only=True,
)
def track_hausdorff_m(case: Case) -> Value:
    """Return the Hausdorff distance [m]."""
    # It needs no pairing of all points, so that it can afford more of them.
    curves = get_curves(case, finer=_FINER)
    if isinstance(curves, Value):
        return curves
    return curves.make_value(compute_hausdorff_m(curves.test, curves.reference))


@metric(
    "track",
    title="Mean distance by time warping",
    unit="m",
    version=2,
    definition="Mean distance of the best monotone pairing of both tracks; along-track errors do "
    "not show, and up to half the point spacing is included",
    formula="least sum of distances over monotone pairings / points of the track with more points",
    better="lower",
    source="Sakoe and Chiba 1978, IEEE Trans. ASSP 26:43",
    examples=(Example(_ASIDE, 3.0, "by hand: parallel, 3 m apart", 1e-3), _MISSING),
    against="position",
    needs=POSITION,
    whole_only=True,
)
def track_dtw_mean_m(case: Case) -> Value:
    """Return the mean distance by dynamic time warping [m]."""
    curves = get_curves(case)
    if isinstance(curves, Value):
        return curves
    return curves.make_value(compute_warping_mean_m(curves.test, curves.reference))


def get_curves(case: Case, *, finer: int = 1) -> Curves | Value:
    """Return both tracks resampled alike, found once, or why there are none."""
    return case.once(f"track:curves:{finer}", lambda: _resample(case, finer))


def _resample(case: Case, finer: int) -> Curves | Value:
    """Take the test from its first to its last fix on the line, and the line between these."""
    found = compare_tracks(case)
    if isinstance(found, Value):
        return found
    match = found.match
    chosen = np.flatnonzero(found.chosen)
    if chosen.size < _FEWEST_FIXES:
        return unknown("fewer than two fixes on the reference line", n=found.n)
    inside = slice(int(chosen[0]), int(chosen[-1]) + 1)
    on = match.matched.is_on[inside]
    east, north = match.fixes.east_m[inside][on], match.fixes.north_m[inside][on]
    along = match.matched.along_m[inside][on]
    low, high = sorted((float(along[0]), float(along[-1])))
    if high - low < 1e-3:  # noqa: PLR2004 - no way at all
        return unknown("the test stays at one place of the reference line", n=found.n)
    limits = case.settings.position
    length = max(high - low, float(np.hypot(np.diff(east), np.diff(north)).sum()))
    spacing = max(limits.curve_spacing_m, length / (limits.curve_points * finer))
    # The line's own points, so that no corner between two samples is lost.
    own = match.line.along_m
    if match.line.cycle_m is not None:
        turns = np.arange(np.floor(low / own[-1]), np.floor(high / own[-1]) + 1)
        own = (own[None, :-1] + turns[:, None] * own[-1]).ravel()
    places = np.concatenate([[low], own[(own > low) & (own < high)], [high]])
    reference = resample_evenly(*match.line.locate(places), spacing_m=spacing)
    test = resample_evenly(east, north, spacing_m=spacing)
    wide = spacing > limits.curve_spacing_m
    return Curves(
        np.column_stack(test),
        np.column_stack(reference),
        found.n,
        found.coverage,
        f"points every {spacing:.1f} m" if wide else None,
    )
