"""How often findings are missed and false: `python -m tests.benchmarks.findings [SEEDS [FIRST]]`.

Sixty workouts of a second hand (four kinds, fifteen seeds each), every one with a strap, a receiver
that is the reference or a course, four devices with known errors and two without. Prints, for each
kind of error, size and noise, how many were found, how many were told more than once or under
another name, and how many findings nothing explains, per hour of devices without an error.
"""

from __future__ import annotations

import sys
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Final

import numpy as np

from config.settings import load_settings
from tasks.align import align_workout
from tasks.core.discovery import load_metrics
from tasks.core.members import Member, WorkoutMembers
from tasks.processing.measure import look_for_findings
from tasks.workout.case import Workout
from tests.benchmarks.invented_errors import ERRORS, WHOLE
from tests.benchmarks.invented_workouts import (
    KINDS,
    START_S,
    PutIn,
    Truth,
    Worn,
    imagine,
    make_device,
    place_on_earth,
    wear,
    write,
)
from tests.tiers import map_seeds

SEEDS: Final = 15
#: The rules were made with seeds 1 to 15; those from here on are others.
FIRST: Final = 101
#: Two of noise and memory, SD [bpm] and memory [s], for each device in turn.
NOISES: Final = ((1.0, 5.0), (2.0, 5.0), (2.0, 20.0), (3.0, 30.0))
_ROOM_S: Final = 35.0
_SLOT_S: Final = 600
_FIRST_S: Final = 420
#: What says in other words what was put in; told beside the kind itself it is told twice.
_IS_BY_CADENCE: Final = frozenset({"cadence_lock"})


@dataclass
class Tally:
    """What came of the errors of one kind."""

    put: int = 0
    found: int = 0
    twice: int = 0
    others: Counter[str] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        """Add the counts of another tally."""
        self.put += other.put
        self.found += other.found
        self.twice += other.twice
        self.others.update(other.others)


@dataclass
class Told:
    """Counts of a run: errors by (name, size, noise), false alarms by (noise, kind), hours."""

    errors: dict[tuple[str, str, str], Tally] = field(default_factory=lambda: defaultdict(Tally))
    alarms: Counter[tuple[str, str]] = field(default_factory=Counter)
    hours: Counter[str] = field(default_factory=Counter)
    beside: Counter[str] = field(default_factory=Counter)
    rows: list[tuple[Any, ...]] = field(default_factory=list)

    def add(self, other: Told) -> None:
        """Add the counts of another run."""
        for key, tally in other.errors.items():
            self.errors[key].add(tally)
        self.alarms.update(other.alarms)
        self.hours.update(other.hours)
        self.beside.update(other.beside)
        self.rows += other.rows


def name_noise(number: int) -> str:
    sd, memory_s = NOISES[number % len(NOISES)]
    return f"{sd:g} bpm, {memory_s:g} s"


def put_errors(worn: Worn, truth: Truth, names: list[str], seed: int) -> list[tuple[str, PutIn]]:
    """Put errors into a device, each in ten minutes of its own; return those that fitted in."""
    rng = np.random.default_rng([seed, 77])
    done = []
    at = _FIRST_S
    for name in names:
        while name not in WHOLE and any(a - 30 < at + 420 and at - 30 < b for a, b in truth.stops):
            at += 60
        if at + _SLOT_S > truth.n:
            break
        put = ERRORS[name](worn, truth, rng, 0 if name in WHOLE else at)
        if put is not None:
            done.append((name, put))
        at += 0 if name in WHOLE else _SLOT_S
    return done


def choose_errors(seed: int, number: int) -> list[str]:
    """Return up to one error that fills a recording and three that do not."""
    rng = np.random.default_rng([seed, number, 5])
    whole = [str(rng.choice(sorted(WHOLE)))] if number % 2 else []
    others = [name for name in sorted(ERRORS) if name not in WHOLE]
    chosen = rng.choice(others, 3, replace=False).tolist()
    if whole == ["wrong unit"]:
        return whole
    if whole == ["bias throughout"]:
        hearts = {"bias", "frozen", "missed rise", "cadence lock", "spike", "late lock"}
        chosen = [name for name in chosen if name not in hearts]
    return [*whole, *chosen]


def stage(kind: str, seed: int) -> tuple[Workout, dict[str, list[tuple[str, PutIn]]]]:
    """Return a workout on its grid, and what was put into each device."""
    truth = imagine(kind, seed)
    has_course = kind in {"ride", "mixed"} and seed % 2 == 0
    strap = make_device(
        "strap", "reference", heart_rate="ecg", site="chest", reference_for=("heart_rate",)
    )
    survey = make_device("survey", "reference", reference_for=("position", "distance", "altitude"))
    worn = [
        wear(
            truth,
            strap,
            seed=seed,
            hr_sd=0.4,
            hr_memory_s=2,
            late_s=1,
            channels=("heart_rate_bpm",),
        ),
        wear(truth, survey, seed=seed, position_sd_m=0.4),
    ]
    del worn[1].channels["heart_rate_bpm"]
    put: dict[str, list[tuple[str, PutIn]]] = {}
    for number in range(6):
        sd, memory_s = NOISES[(number + seed) % len(NOISES)]
        device = make_device(f"watch-{number}", "test", heart_rate="optical")
        one = wear(truth, device, seed=seed, hr_sd=sd, hr_memory_s=memory_s)
        names = choose_errors(seed * 10 + KINDS.index(kind), number) if number < 4 else []
        put[device.id] = put_errors(one, truth, names, seed * 100 + number)
        if number % 3 == 0:
            # Pauses by itself three seconds after the athlete stops.
            for first, last in truth.stops:
                one.kept[first + 3 : last] = False
        worn.append(one)
    recordings = {one.device.id: write(one, sport=truth.sport) for one in worn}
    settings = load_settings()
    aligned = align_workout(
        f"{kind}-{seed}",
        recordings,
        workout=WorkoutMembers(
            tuple(Member(name) for name in recordings),
            min(one.start_utc for one in recordings.values()),
            max(one.end_utc for one in recordings.values()),
        ),
        devices={one.device.id: one.device for one in worn},
        settings=settings,
    )
    workout = Workout(
        workout_id=f"{kind}-{seed}",
        grid=aligned.grid,
        activity=truth.sport,
        place="outdoors",
        subjects=aligned.subjects,
        notes=None,
        settings=settings,
        course=place_on_earth(truth.line) if has_course else None,
        course_name="streets" if has_course else None,
    )
    return workout, put


def run(seed: int) -> Told:
    """Run the workouts of one seed."""
    told = Told()
    for kind in KINDS:
        workout, put = stage(kind, seed)
        # The athlete leaves a course by far on purpose: that it contradicts the receiver is true.
        rows = [row for row in look_for_findings(workout) if row["kind"] != "references_disagree"]
        for number, (device, errors) in enumerate(put.items()):
            own = [row for row in rows if row["device_id"] == device]
            _score(told, own, errors, name_noise(number + seed), workout)
    return told


def _score(
    told: Told,
    rows: list[dict[str, Any]],
    errors: list[tuple[str, PutIn]],
    noise: str,
    workout: Workout,
) -> None:
    explained: set[int] = set()
    for name, put in errors:
        tally = told.errors[name, name_size(put), noise]
        tally.put += 1
        touching = [n for n, row in enumerate(rows) if _touches(row, put)]
        same = [n for n in touching if rows[n]["kind"] == put.kind]
        tally.found += bool(same)
        tally.twice += max(len(same) - 1, 0)
        tally.others.update(
            rows[n]["kind"]
            for n in touching
            if rows[n]["kind"] != put.kind and not _is_other_error(rows[n], put, errors)
        )
        explained.update(touching)
        if not same:
            told.rows.append((workout.workout_id, noise, name, put, "missed"))
    for number, row in enumerate(rows):
        if number in explained:
            continue
        told.rows.append(
            (
                workout.workout_id,
                noise,
                row["kind"],
                row["start_utc"] / 1e6 - START_S,
                row["end_utc"] / 1e6 - START_S,
                row["size"],
                row["note"],
                bool(errors),
            )
        )
        if errors:
            told.beside[row["kind"]] += 1
        else:
            told.alarms[noise, row["kind"]] += 1
    if not errors:
        told.hours[noise] += workout.grid.n_seconds / 3600


def _is_other_error(row: dict[str, Any], put: PutIn, errors: list[tuple[str, PutIn]]) -> bool:
    return any(
        other is not put and other.kind == row["kind"] and _touches(row, other)
        for _, other in errors
    )


def _touches(row: dict[str, Any], put: PutIn) -> bool:
    first, last = row["start_utc"] / 1e6 - START_S, row["end_utc"] / 1e6 - START_S
    return first <= put.end + _ROOM_S and last >= put.start - _ROOM_S


def name_size(put: PutIn) -> str:
    """Return the size of an error in words, by what decides how hard it is."""
    if put.kind in {"biased_stretch", "missed_rise"}:
        return "to 12 bpm" if abs(put.size) < 12 else "to 20 bpm" if abs(put.size) < 20 else "more"
    if put.kind in {"frozen", "stuck_position", "dropout"}:
        return "to 45 s" if put.size < 45 else "more"
    return "all"


def main(seeds: int = SEEDS, first: int = FIRST) -> int:
    """Run all and print the tables."""
    load_metrics()
    told = Told()
    for one in map_seeds(partial(run), range(first, first + seeds)):
        told.add(one)
    for row in told.rows:
        sys.stderr.write(f"{' '.join(map(str, row))}\n")
    sys.stdout.write("\n".join([*_list_errors(told), "", *_list_alarms(told)]) + "\n")
    return 0


def _list_errors(told: Told) -> list[str]:
    """Return the table of errors by kind, size and noise of the heart rate."""
    lines = [
        "| error | size | put in | found | told again | told as something else, too |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    merged: dict[tuple[str, str], Tally] = defaultdict(Tally)
    for (name, size, _), tally in sorted(told.errors.items()):
        merged[name, size].add(tally)
    for (name, size), tally in merged.items():
        others = ", ".join(f"`{kind}` {count}" for kind, count in tally.others.most_common())
        lines.append(
            f"| {name} | {size} | {tally.put} | {tally.found} | {tally.twice} | {others or '-'} |"
        )
    return lines


def _list_alarms(told: Told) -> list[str]:
    """Return the table of findings that nothing explains, and of what was found, by noise."""
    lines = [
        (
            "| noise of heart rate (SD, memory) | errors put in | found | hours without an error "
            "| findings in them | per hour | which |"
        ),
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    by_noise: dict[str, Tally] = defaultdict(Tally)
    for (_, _, noise), tally in told.errors.items():
        by_noise[noise].add(tally)
    for noise, hours in sorted(told.hours.items()):
        kinds = Counter({kind: n for (of, kind), n in told.alarms.items() if of == noise})
        which = ", ".join(f"`{kind}` {n}" for kind, n in kinds.most_common())
        mine = by_noise[noise]
        lines.append(
            f"| {noise} | {mine.put} | {mine.found} | {hours:.1f} | {kinds.total()} "
            f"| {kinds.total() / hours:.2f} | {which or '-'} |"
        )
    beside = ", ".join(f"`{kind}` {n}" for kind, n in told.beside.most_common())
    return [*lines, "", f"Unexplained findings of devices with errors: {beside or 'none'}."]


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
