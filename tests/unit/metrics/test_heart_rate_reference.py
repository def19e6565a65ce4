"""The reference is not truth: its flaws are masked, doubt is said, beats are used."""

from dataclasses import replace

import numpy as np
import pytest

from tasks.core.registers import Value
from tasks.maths.lag import estimate_lag
from tasks.maths.smoothing import compute_running_mean
from tasks.metrics.heart_rate import agreement, continuity, own_error, parts, quality
from tasks.metrics.heart_rate.reference import get_reference_rate
from tasks.tables.arrow import make_table
from tasks.tables.tables import BEATS, SAMPLES
from tasks.workout.case import Case, make_example, refer_to
from tests.simulate.athlete import Athlete, draw_beats

HEART_RATE = "heart_rate_bpm"


def wave(n: int = 1800) -> np.ndarray:
    return 140 + 20 * np.sin(np.arange(n) / 120)


def noise(n: int, seed: int, sd: float = 1.0) -> np.ndarray:
    generator = np.random.default_rng(seed)
    smooth = compute_running_mean(generator.normal(0, 1, n), width=9)
    return smooth / smooth.std() * sd


def make_case(reference: np.ndarray, *others: np.ndarray, test: np.ndarray | None = None) -> Case:
    truth = wave(reference.size)
    return make_example(
        test={HEART_RATE: np.round(truth + noise(reference.size, 1)) if test is None else test},
        reference={HEART_RATE: np.round(reference)},
        others=tuple({HEART_RATE: np.round(other)} for other in others),
    )


def second_reference(case: Case, place: int = 0) -> Case:
    """Make one of the others a second reference device."""
    subjects = list(case.workout.subjects)
    subject = subjects[2 + place]
    device = subject.device.model_copy(update={"role": "reference"})
    subjects[2 + place] = replace(subject, device=device)
    return replace(case, workout=replace(case.workout, subjects=tuple(subjects), memo={}), memo={})


def value_of(found: Value) -> float:
    assert found.value is not None
    return found.value


def test_a_clean_reference_is_left_as_it_is() -> None:
    case = make_case(wave(), wave() + noise(1800, 2))
    assert quality.hr_reference_masked_s(case).value == 0
    assert agreement.hr_bias_bpm(case).n == 1800


def test_a_frozen_reference_is_not_compared_with_while_the_others_move() -> None:
    stuck = wave()
    stuck[600:760] = round(stuck[600])
    case = make_case(stuck, wave() + noise(1800, 2), wave() + noise(1800, 3))
    assert quality.hr_reference_masked_s(case).value == pytest.approx(160, abs=10)
    assert abs(value_of(agreement.hr_bias_bpm(case))) < 0.2
    assert agreement.hr_rmse_bpm(case).value == pytest.approx(1.05, abs=0.2)


def test_a_steady_heart_is_not_taken_for_a_frozen_reference() -> None:
    steady = np.full(1800, 140.0)
    late = np.where(np.arange(1800) < 70, 105.0, 140.0)
    case = make_case(steady, late, late, test=late)
    assert quality.hr_reference_masked_s(case).value == 0


def test_a_spike_of_the_reference_is_masked_unless_the_others_show_it() -> None:
    spiky = wave()
    spiky[900:905] += 40
    alone = make_case(spiky, wave() + noise(1800, 2), wave() + noise(1800, 3))
    assert quality.hr_reference_masked_s(alone).value == 5
    shared = make_case(spiky, spiky + noise(1800, 2), test=np.round(spiky))
    assert quality.hr_reference_masked_s(shared).value == 0


def test_the_dry_start_of_a_strap_is_masked_until_it_reads_well() -> None:
    generator = np.random.default_rng(5)
    dry = wave()
    chunks = np.repeat(generator.random(40), 5)
    dry[:200][chunks < 0.3] += 16
    dry[:200][chunks > 0.7] = np.nan
    case = make_case(dry, wave() + noise(1800, 2))
    rate = get_reference_rate(case)
    assert rate is not None
    assert 150 <= rate.dry.sum() <= 205
    assert not rate.dry[210:].any()
    assert agreement.hr_rmse_bpm(case).value == pytest.approx(1.05, abs=0.25)


@pytest.mark.parametrize("every_s", [30, 55])
@pytest.mark.parametrize("step_bpm", [9, 14])
@pytest.mark.parametrize("falls", [False, True])
def test_a_heart_that_steps_from_load_to_load_is_no_dry_strap(
    every_s: int, step_bpm: int, *, falls: bool
) -> None:
    steps = np.minimum(np.arange(1800) // every_s, 6) * step_bpm
    true = 90.0 + (steps.max() - steps if falls else steps) + noise(1800, 1, 0.5)
    case = make_case(true, true + noise(1800, 2))
    assert quality.hr_reference_dry_s(case).value == 0
    # Two steps of a spike among them do not make a dry start of it.
    spiky = true.copy()
    spiky[70:73] += 30
    assert quality.hr_reference_dry_s(make_case(spiky, true)).value == 0


def test_a_single_gap_at_the_start_is_no_dry_start() -> None:
    gappy = wave()
    gappy[20:40] = np.nan
    rate = get_reference_rate(make_case(gappy, wave()))
    assert rate is not None
    assert not rate.dry.any()
    assert quality.hr_reference_missing_s(make_case(gappy, wave())).value == 20


def test_a_second_reference_marks_doubtful_seconds_which_can_be_left_out() -> None:
    off = wave()
    off[300:500] += 12
    case = second_reference(make_case(off, wave() + noise(1800, 2, 0.5)))
    assert quality.hr_reference_doubtful_s(case).value == pytest.approx(200, abs=4)
    (sure,) = parts.reference_sure(case)
    with_them = value_of(agreement.hr_mae_bpm(case))
    without_them = value_of(agreement.hr_mae_bpm(case.for_segment(sure)))
    assert with_them > 1.8
    assert without_them < 1.0


def test_without_a_second_reference_nothing_is_doubtful_and_no_part_is_cut() -> None:
    case = make_case(wave(), wave())
    assert quality.hr_reference_doubtful_s(case).value is None
    assert parts.reference_sure(case) == []


def test_a_device_that_shows_the_straps_own_signal_is_told_from_a_good_one() -> None:
    strap = np.round(wave())
    mirrored = make_case(strap, test=strap)
    assert own_error.hr_same_signal(mirrored).value == 1
    assert own_error.hr_equal_pct(mirrored).value == 100
    assert own_error.hr_same_signal(make_case(strap)).value == 0


def with_beats(case: Case, beats_s: np.ndarray, *, moved_s: float = 0.0) -> Case:
    """Return the reference of a case beats at seconds after the start."""
    subjects = list(case.workout.subjects)
    strap = subjects[1]
    times = ((beats_s[1:] + moved_s + case.workout.grid.start_s) * 1e6).astype(np.int64)
    table = make_table(
        BEATS,
        {"time_utc": times, "rr_s": np.diff(beats_s), "beat_source": ["hrv"] * times.size},
    )
    subjects[1] = replace(strap, recording=replace(strap.recording, beats=table))
    workout = replace(case.workout, subjects=tuple(subjects), memo={})
    return replace(
        case, workout=workout, reference=refer_to(subjects[1], "device", why="test"), memo={}
    )


def make_beats(seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    truth = wave()
    beats = draw_beats(Athlete(), np.arange(1800.0), truth, np.random.default_rng(seed))
    return truth, beats


def test_beats_give_the_reference_heart_rate_and_the_share_corrected_is_said() -> None:
    truth, beats = make_beats()
    # A strap that shows its heart rate 6 s late; the beats are in time.
    late = np.concatenate([np.full(6, truth[0]), truth[:-6]])
    case = with_beats(make_case(late), np.delete(beats, [900, 1500, 2100, 2700]))
    rate = get_reference_rate(case)
    assert rate is not None
    assert rate.from_beats
    assert estimate_lag(truth, late, max_shift=30).shift == 6
    assert estimate_lag(truth, rate.values, max_shift=30).shift == 0
    assert np.nanmean(np.abs(rate.values - truth)) < 1
    share = quality.hr_reference_beats_corrected_pct(case)
    assert share.value == pytest.approx(100 * 4 / (beats.size - 5), abs=0.05)


def test_beats_at_the_wrong_time_are_not_used() -> None:
    truth, beats = make_beats()
    case = with_beats(make_case(truth), beats, moved_s=150.0)
    rate = get_reference_rate(case)
    assert rate is not None
    assert not rate.from_beats
    assert quality.hr_reference_beats_corrected_pct(case).value is None


def test_beats_that_cover_half_the_workout_are_not_used() -> None:
    truth, beats = make_beats()
    rate = get_reference_rate(with_beats(make_case(truth), beats[: beats.size // 2]))
    assert rate is not None
    assert not rate.from_beats


def test_a_break_in_the_stream_of_beats_is_a_gap_not_one_long_beat() -> None:
    truth, beats = make_beats()
    kept = (beats < 800) | (beats > 860)
    case = with_beats(make_case(truth), beats[kept])
    rate = get_reference_rate(case)
    assert rate is not None
    assert rate.from_beats
    assert np.isnan(rate.values[810:850]).all()
    known = np.isfinite(rate.values)
    assert np.abs(rate.values - truth)[known].max() < 6


def test_coverage_counts_only_what_is_compared_with() -> None:
    stuck = wave()
    stuck[600:760] = round(stuck[600])
    case = make_case(stuck, wave() + noise(1800, 2), wave() + noise(1800, 3))
    assert continuity.hr_coverage_pct(case).value == 100


def test_a_reference_that_records_every_few_seconds_is_not_taken_for_dry() -> None:
    kept = np.cumsum(np.random.default_rng(3).integers(1, 10, 330))
    sparse = np.full(1800, np.nan)
    sparse[kept[kept < 1800]] = np.round(wave())[kept[kept < 1800]]
    case = make_case(sparse, wave())
    subjects = list(case.workout.subjects)
    times = ((case.workout.grid.start_s + np.flatnonzero(np.isfinite(sparse))) * 1e6).astype(int)
    samples = make_table(SAMPLES, {"time_utc": times, HEART_RATE: sparse[np.isfinite(sparse)]})
    strap = subjects[1]
    subjects[1] = replace(strap, recording=replace(strap.recording, samples=samples))
    workout = replace(case.workout, subjects=tuple(subjects), memo={})
    case = replace(
        case, workout=workout, reference=refer_to(subjects[1], "device", why="test"), memo={}
    )
    assert quality.hr_reference_dry_s(case).value == 0
    assert quality.hr_reference_masked_s(case).value == 0
