"""A model of all workouts beside the exact test of those that two devices share.

A device that joined late, or stayed at home now and then, has workouts without its partner. The
exact test leaves them out; the model uses them, for what they are worth: it asks for values that
scatter normally, and that no device was left at home because of how it would have done.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from tasks.maths.random_intercept import FEWEST_PAIRS, estimate_unbalanced_difference
from tasks.verdicts.asked import Modelled
from tasks.verdicts.numbers import name_kind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tasks.verdicts.numbers import ByReference, Pair

#: A value without a partner, by the kind of its reference.
Alone = tuple[str, float]

_BALANCED: Final = "every workout that counts has both devices: the pairs hold all there is"
_FEW: Final = f"fewer than {FEWEST_PAIRS} workouts with both devices"
_NO_SCATTER: Final = "the values do not scatter inside their workouts: nothing to fit"


def find_alone(
    own: Mapping[str, ByReference], others: Mapping[str, ByReference], *, judged: set[str]
) -> dict[str, Alone]:
    """Return a device's values of workouts that the other one did not record at all.

    Where the other one was worn and gave no value, that is no accident, and the workout is left
    out. Values against one of `judged` do not count.
    """
    found: dict[str, Alone] = {}
    for workout_id in own.keys() - others.keys():
        for reference, value in own[workout_id].items():
            if value is not None and reference not in judged:
                found[workout_id] = name_kind(reference), value
                break
    return dict(sorted(found.items()))


def fit_model(
    pairs: Mapping[str, Pair], own: Mapping[str, Alone], others: Mapping[str, Alone]
) -> Modelled:
    """Fit the model to shared workouts and to those of one device alone.

    Of the latter those count whose value was compared with the same kind of reference as a pair's:
    errors against the truth and errors against another device are not alike.
    """
    kept = [pair for pair in pairs.values() if not pair.has_failure]
    kinds = {name_kind(pair.reference) for pair in kept}
    first, second = (
        np.array([value for kind, value in alone.values() if kind in kinds], dtype=np.float64)
        for alone in (own, others)
    )
    n_alone = first.size + second.size
    if not n_alone:
        return Modelled(_BALANCED)
    if len(kept) < FEWEST_PAIRS:
        return Modelled(_FEW)
    table = np.array([(pair.own, pair.other) for pair in kept], dtype=np.float64)
    found = estimate_unbalanced_difference(table, first, second)
    if not np.isfinite(found.estimate):
        return Modelled(_NO_SCATTER)
    return Modelled(
        note=f"{len(kept)} workouts with both devices, {first.size} with the first alone, "
        f"{second.size} with the second alone; as if none was left out for how it would have done",
        estimate=found.estimate,
        interval=found.interval,
        n_workouts=len(kept) + n_alone,
    )
