"""What a metric must not see changes nothing: clocks, order of files, format."""

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from tasks.core.registers import METRICS
from tests.recovery.expect import Prepared, Worksheet, Worn
from tests.recovery.line import Outcome, run_line, write_exports
from tests.simulate.devices import Clock, Device
from tests.simulate.effects_heart_rate import BiasedStretch, Dropouts, LateLock, SensorNoise
from tests.simulate.effects_other import Barometer, ScaledDistance
from tests.simulate.effects_position import CornerCutting, PositionNoise
from tests.simulate.places import Place, build_winding_loop
from tests.simulate.script import Effort, Workout, perform
from tests.simulate.trace import Effect

START_UTC = datetime(2026, 1, 16, 9, 0, tzinfo=UTC)
CHANNELS = (
    "position", "heart_rate_bpm", "altitude_m", "speed_mps", "distance_m", "cadence_per_min",
)  # fmt: skip
EFFECTS: tuple[Effect, ...] = (
    LateLock(60.0, 30.0),
    SensorNoise(1.5),
    BiasedStretch(500.0, 620.0, -12.0),
    Dropouts(2, 20),
    CornerCutting(9),
    PositionNoise(1.0, 20.0),
    ScaledDistance(1.01),
    Barometer(3.0, 4.0, 0.3),
)
# Where text has fewer digits than FIT (height in tenths, position in 1e-7 degrees), values may
# differ in their last digits; counts may not.
TEXT_ROOM = {"1": 0.002, "m": 0.15, "m/h": 0.3, "bpm": 0.05, "%": 0.3, "s": 0.6, "m/s": 0.01}
# Without effects: matching to a line is exact to the centimetre; the sum of the fixes' chords is
# shorter than the counter's way by under 0.1 %; apexes are found to a quarter of a metre.
ROOM_FOR_MATCHING_M = 0.02
ROOM_WITHOUT_EFFECTS = {
    "distance_summed_error_m": 2.6, "distance_summed_error_pct": 0.1,
    "track_corner_cut_median_m": 0.25,
}  # fmt: skip
# Where the tracks themselves set the clock, errors of the same second are fitted away: the line
# must decline to give them.
OF_THE_SAME_SECOND = {
    "track_2drms_m", "track_along_bias_m", "track_along_rms_m", "track_cep50_m", "track_cep95_m",
}  # fmt: skip


def live() -> Workout:
    path = build_winding_loop(
        3, corners=20, radius_m=330.0, wiggle=0.08, corner_radius_m=5.0,
        profile=((0.0, 300.0), (0.5, 345.0), (1.0, 300.0)),
    )  # fmt: skip
    efforts = [Effort("run", 420.0, 2.8, 0.55, 164.0), Effort("hard", 180.0, 3.8, 0.85, 178.0),
               Effort("easy", 300.0, 2.6, 0.5, 160.0)]  # fmt: skip
    return perform(
        efforts, name="invariance", activity="running", place=Place("trail", path),
        start_utc=START_UTC, seed=5,
    )  # fmt: skip


def prepare(*, clock: Clock | None = None, form: str = "fit", clean: bool = False) -> Prepared:
    """Return a reference and a device; the device's clock and format are to be varied."""
    sheet = Worksheet(live(), 5)
    sheet.wear(Worn(Device("hazel", "Hazel", 1, site="chest", channels=CHANNELS), "reference"))
    effects = () if clean else EFFECTS
    watch = Device("alder-2", "Alder 2", 2, channels=CHANNELS, effects=effects)
    sheet.wear(Worn(replace(watch, clock=clock or Clock()), form=form))
    return sheet.close()


def list_values(outcome: Outcome) -> dict[tuple[str, str, str, str], float | None]:
    return {
        (row["device_id"], str(row["reference"]), row["segment"], row["metric"]): row["value"]
        for row in outcome.results
    }


def list_differences(
    one: Outcome, other: Outcome, room: dict[str, float] | None = None
) -> Iterator[str]:
    before, after = list_values(one), list_values(other)
    for key in sorted(before.keys() | after.keys()):
        left, right = before.get(key), after.get(key)
        if left is None or right is None:
            if left is not right:
                yield f"{key}: {left} became {right}"
            continue
        allowed = (room or {}).get(METRICS[key[3]].unit, 0.0)
        if not math.isclose(left, right, rel_tol=1e-9, abs_tol=allowed + 1e-9):
            yield f"{key}: {left} became {right}"


def assert_alike_but_for_the_clock(plain: Outcome, moved: Outcome) -> None:
    declined = {
        row["metric"]
        for row in moved.results
        if row["metric"] in OF_THE_SAME_SECOND and row["value"] is None
    }
    assert declined == OF_THE_SAME_SECOND
    changed = [
        line
        for line in list_differences(plain, moved)
        if not any(f"'{metric}'" in line for metric in OF_THE_SAME_SECOND)
    ]
    assert changed == []


@pytest.fixture(scope="module")
def plain() -> Outcome:
    return run_line(prepare())


@pytest.mark.parametrize("ahead_s", [-17.0, 9.0, 28.0])
def test_a_clock_that_is_set_wrong_changes_no_result(plain: Outcome, ahead_s: float) -> None:
    shifted = run_line(prepare(clock=Clock(ahead_s)))
    assert_alike_but_for_the_clock(plain, shifted)


def test_a_clock_in_a_wrong_zone_changes_no_result(plain: Outcome) -> None:
    zoned = run_line(prepare(clock=Clock(zone_s=-7200.0)))
    assert_alike_but_for_the_clock(plain, zoned)


def test_the_order_of_files_changes_no_result(plain: Outcome) -> None:
    prepared = prepare()
    exports = write_exports(prepared)
    backwards = run_line(prepared, dict(reversed(exports.items())))
    assert list(list_differences(plain, backwards)) == []


@pytest.mark.parametrize("form", ["plain.fit", "big-endian.fit", "compressed.fit"])
def test_another_form_of_fit_changes_no_result(plain: Outcome, form: str) -> None:
    assert list(list_differences(plain, run_line(prepare(form=form)))) == []


@pytest.mark.parametrize("form", ["tcx"])
def test_another_format_changes_results_only_in_their_last_digits(
    plain: Outcome, form: str
) -> None:
    other = run_line(prepare(form=form))
    changed = [
        line
        for line in list_differences(plain, other, TEXT_ROOM)
        # What is left below a threshold of metres hangs on single tenths.
        if "ascent" not in line and "descent" not in line
    ]
    assert changed == []


def test_without_effects_every_error_is_zero() -> None:
    outcome = run_line(prepare(clean=True))
    errors = {
        (row["metric"], row["segment"]): row["value"]
        for row in outcome.results
        if row["device_id"] == "alder-2"
        and row["reference"] is not None
        and row["value"] is not None
        and METRICS[row["metric"]].better in {"zero", "lower"}
    }
    assert len(errors) > 10
    assert {key: value for key, value in errors.items() if abs(value) > find_room(key[0])} == {}
    # Two files without any error are one signal, and that is told.
    assert {row["kind"] for row in outcome.findings} == {"shared_signal"}


def find_room(metric: str) -> float:
    room = ROOM_FOR_MATCHING_M if metric.startswith("track") else 1e-6
    return ROOM_WITHOUT_EFFECTS.get(metric, room)
