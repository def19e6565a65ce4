"""First samples that were written afterwards: two marks that tell, and what is none."""

import numpy as np

from tasks.maths.backdated import count_backdated

N_SECONDS = 120


def count(
    *,
    measured_from: int,
    distance_m: np.ndarray | None = None,
    timer_start_s: float | None = None,
    lasting_s: float = 10.0,
) -> int:
    seconds = np.arange(N_SECONDS, dtype=float)
    even = 1.5 * seconds
    return count_backdated(
        seconds,
        even if distance_m is None else distance_m,
        seconds >= measured_from,
        timer_start_s=timer_start_s,
        lasting_s=lasting_s,
    )


def test_even_speed_with_nothing_measured_was_written_afterwards() -> None:
    assert count(measured_from=40) == 40


def test_a_timer_that_starts_after_the_first_samples_tells_too() -> None:
    assert count(measured_from=0, timer_start_s=45.0) == 45


def test_measured_from_the_first_sample_on_is_live() -> None:
    assert count(measured_from=0) == 0


def test_a_sensor_that_needs_some_seconds_is_live() -> None:
    assert count(measured_from=8) == 0


def test_uneven_speed_is_that_of_an_athlete() -> None:
    steps = np.random.default_rng(1).uniform(1.2, 1.8, N_SECONDS - 1)
    uneven = np.concatenate([[0.0], np.cumsum(steps)])
    assert count(measured_from=40, distance_m=uneven) == 0


def test_standing_and_missing_distances_tell_nothing() -> None:
    assert count(measured_from=40, distance_m=np.zeros(N_SECONDS)) == 0
    assert count(measured_from=40, distance_m=np.full(N_SECONDS, np.nan)) == 0


def test_nothing_measured_at_all_tells_nothing() -> None:
    assert count(measured_from=N_SECONDS) == 0


def test_a_timer_that_starts_after_all_samples_tells_nothing() -> None:
    assert count(measured_from=0, timer_start_s=1000.0) == 0


def test_few_samples_tell_nothing() -> None:
    nothing = np.empty(0)
    assert count_backdated(nothing, nothing, nothing > 0, timer_start_s=None, lasting_s=10.0) == 0
    one = np.zeros(1)
    assert count_backdated(one, one, one > 0, timer_start_s=50.0, lasting_s=10.0) == 0


def test_distances_in_centimetres_are_even_enough() -> None:
    rounded = np.round(1.337 * np.arange(N_SECONDS), 2)
    assert count(measured_from=40, distance_m=rounded) == 40
