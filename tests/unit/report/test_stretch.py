"""A stretch of a workout begins at zero and holds what lies inside, no more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from config.settings import load_settings
from tasks.report.facts import FindingFacts, PairSeries, Series, WorkoutData, WorkoutFacts
from tasks.report.stretch import cut_stretch

START_S = 1_777_615_200.0
FACTS = WorkoutFacts(
    "w", START_S, START_S + 600.0, "running", None, None, None, 7200, ("maple-2",), "k"
)
SECONDS = np.arange(600.0)


def finding(begin_s: float, end_s: float) -> FindingFacts:
    return FindingFacts(
        "w", "r", "maple-2", None, "spike", START_S + begin_s, START_S + end_s, 1.0, "bpm", None,
        None, None,
    )  # fmt: skip


def make_data() -> WorkoutData:
    settings = load_settings()
    data = WorkoutData(
        FACTS, (), (), (finding(10, 20), finding(95, 105), finding(300, 310)), (), {}, {},
        settings.report, settings.heart_rate,
    )  # fmt: skip
    because = np.full(600, None, dtype=np.object_)
    return replace(
        data,
        series={"r": Series(SECONDS, {"heart_rate_bpm": 100.0 + SECONDS})},
        pairs={"r": PairSeries("strap", SECONDS, 100.0 + SECONDS, 90.0 + SECONDS, because)},
    )


def test_series_and_pairs_begin_at_zero_with_the_values_of_the_stretch() -> None:
    cut = cut_stretch(make_data(), START_S + 100.0, START_S + 200.0)
    assert cut.series["r"].seconds[[0, -1]].tolist() == [0.0, 100.0]
    assert cut.series["r"].values("heart_rate_bpm")[0] == 200.0
    assert cut.pairs["r"].error_bpm.tolist() == [10.0] * 101
    assert cut.facts.end_s - cut.facts.start_s == 100.0


def test_findings_that_touch_the_stretch_stay_and_the_others_go() -> None:
    cut = cut_stretch(make_data(), START_S + 100.0, START_S + 200.0)
    assert [one.start_s - START_S for one in cut.findings] == [95.0]


def test_a_stretch_beyond_the_end_is_cut_there() -> None:
    cut = cut_stretch(make_data(), START_S + 500.0, START_S + 9000.0)
    assert cut.facts.end_s == FACTS.end_s


@pytest.mark.parametrize(("begin_s", "end_s"), [(700.0, 800.0), (200.0, 100.0), (-90.0, -10.0)])
def test_a_stretch_that_is_none_is_refused(begin_s: float, end_s: float) -> None:
    with pytest.raises(ValueError, match="outside the workout, or ends before it begins"):
        cut_stretch(make_data(), START_S + begin_s, START_S + end_s)
