"""Homes with a known story, told by the whole line: `python -m tests.recovery.answer_stories 10`.

Each seed makes a demo of its own: the story of the demo, and one in which the predecessor does
what the device under test does, so that neither is better. Prints which sentences came out of
those that must, and every claim that must not have come out.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import duckdb

from config.home import Home
from config.session import Session
from config.settings import load_settings
from flows.runs.drop import run_drop
from tasks.answers import Answer, Sentence, answer_device, read_answer_facts
from tasks.ingest.exports import Dropped
from tests.simulate import demo_workouts
from tests.simulate.demo import build_demo
from tests.simulate.demo_day import Day, Worn
from tests.simulate.demo_story import STORY

if TYPE_CHECKING:
    from tests.simulate.devices import Device

NEW: Final = "alder-2"
OLD: Final = "alder-1"


@dataclass(frozen=True)
class Wanted:
    """A thing that the answers must say, and how a sentence that says it is known."""

    name: str
    says: Callable[[Sentence], bool]


def _has(*words: str) -> Callable[[Sentence], bool]:
    return lambda one: all(word in one.text.replace("\N{NO-BREAK SPACE}", " ") for word in words)


#: What is true of every demo.
WANTED: Final = (
    Wanted("locks late outdoors, in all five", _has("Outdoors", "later than", "in 5 of 5")),
    Wanted("follows the cadence", _has("followed the cadence instead of the heart")),
    Wanted(
        "distance alike",
        lambda one: _has("istance is as good as")(one) or _has("Errors of distance of both")(one),
    ),
    Wanted("the cold", _has("Below", "at the start it locked after")),
    Wanted("downhill", _has("of it downhill")),
    Wanted("cuts fewer corners", _has("cut fewer corners")),
    Wanted("uses more charge", _has("used more charge")),
    Wanted("the better satellite mode costs battery", _has("With gnss all-systems")),
)
#: Claims that are false in the demo's story: what the device is not.
FALSE_IN_STORY: Final = (
    _has("track lay farther"),
    _has("cut more corners"),
    _has("used less charge"),
    _has("distance was farther off"),
    _has("Outdoors it locked on to the heart rate sooner"),
)


def tell(answer: Answer) -> Iterator[Sentence]:
    """Return every sentence of an answer."""
    yield from answer.sentences


def make_same(day: Day) -> Day:
    """Return a day on which the old watch does what the new one does."""
    new = next((one for one in day.worn if one.device.device_id == NEW), None)
    if new is None:
        return day
    return replace(day, worn=tuple(_follow(one, new) if _is_old(one) else one for one in day.worn))


def _is_old(worn: Worn) -> bool:
    return worn.device.device_id == OLD


def _follow(old: Worn, new: Worn) -> Worn:
    own: Device = old.device
    like = replace(
        new.device,
        device_id=own.device_id,
        name=own.name,
        serial=own.serial,
        firmware=own.firmware,
        clock=own.clock,
    )
    return Worn(like, old.formats, old.setup)


def build_home(root: Path, seed: int, *, same: bool) -> Home:
    """Make a home in `root` from a demo of that seed, by the whole line."""
    demo_workouts.SEED = seed
    days = [make_same(one()) if same else one() for one in STORY]
    files, _ = build_demo(days, seed=seed)
    home = Home(root / "home")
    home.create()
    for name, content in files.items():
        target = (home.root if name.startswith(("courses/", "devices")) else root / "drop") / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    from config.devices import load_devices  # noqa: PLC0415 - after the file is there

    session = Session(home, load_settings(), load_devices(home.devices))
    drop = [Dropped(path, path.name, "") for path in sorted((root / "drop").iterdir())]
    run_drop(session, drop, move=False)
    return home


def answer_home(home: Home) -> Answer:
    """Return the answers of the device under test."""
    with duckdb.connect(str(home.results), read_only=True) as connection:
        facts = read_answer_facts(connection, load_settings())
    return answer_device(facts, facts.devices[NEW], units="metric")


def main() -> int:
    """Print the table; 1 if anything false was said or anything is missing in the stories."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    said: Counter[str] = Counter()
    false: list[dict[str, object]] = []
    for number in range(seeds):
        for same in (False, True):
            with tempfile.TemporaryDirectory() as folder:
                home = build_home(Path(folder), 1000 + number, same=same)
                sentences = list(tell(answer_home(home)))
            if not same:
                for one in WANTED:
                    said[one.name] += any(one.says(sentence) for sentence in sentences)
            false += [
                {"seed": 1000 + number, "same": same, "said": one.text}
                for one in sentences
                if is_false(one, same=same)
            ]
    out = sys.stdout
    out.write(f"| must be said | of {seeds} stories |\n|---|---|\n")
    for one in WANTED:
        out.write(f"| {one.name} | {said[one.name]} |\n")
    out.write(f"\nfalse claims in {2 * seeds} stories: {len(false)}\n")
    for row in false:
        out.write(json.dumps(row, ensure_ascii=False) + "\n")
    return int(bool(false) or any(said[one.name] < seeds for one in WANTED))


def is_false(one: Sentence, *, same: bool) -> bool:
    """Say whether a sentence claims what is not so; counts and open questions claim nothing."""
    if same:
        return one.use == "write" and one.strength == "shown" and len(one.device_ids) > 1
    return one.use != "open" and any(says(one) for says in FALSE_IN_STORY)


if __name__ == "__main__":
    sys.exit(main())
