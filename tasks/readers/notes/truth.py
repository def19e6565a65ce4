"""Reads what notes know from outside the recordings."""

from __future__ import annotations

from datetime import UTC
from typing import TYPE_CHECKING, Any, Final

from tasks.core.notes import Truth
from tasks.readers.notes.page import Page, show, suggest

if TYPE_CHECKING:
    from collections.abc import Mapping

    from config.lines import KeyPath

#: Words for one pool length, those that recordings use too.
STROKES: Final = (
    "freestyle",
    "backstroke",
    "breaststroke",
    "butterfly",
    "drill",
    "mixed",
    "medley",
)
_TRUTH_KEYS: Final = (
    "distance_m",
    "distance_tolerance_pct",
    "ascent_m",
    "start_utc",
    "lengths",
    "pool_length_m",
    "pool_length_yd",
    "strokes",
    "stroke_count",
)
#: Nobody swims so many lengths or strokes in one go; more is a slip of the keyboard.
_MOST_COUNTED: Final = {"lengths": 10_000.0, "stroke_count": 1_000_000.0}
#: The international yard is this many metres exactly (1959 agreement).
_METRES_PER_YARD: Final = 0.9144


def read_truth(page: Page, table: Mapping[str, Any]) -> Truth:
    """Return the truth of the table `[truth]`. Raises: NotesError."""
    path: KeyPath = ("truth",)
    page.check_keys(path, table, _TRUTH_KEYS)
    lengths = _read_count(page, table, "lengths", of="whole pool lengths")
    distance_m = page.take_number(path, table, "distance_m", above=0.0)
    tolerance_pct = page.take_number(path, table, "distance_tolerance_pct", least=0.0, most=100.0)
    if tolerance_pct is not None and distance_m is None:
        raise page.complain(
            (*path, "distance_tolerance_pct"),
            "truth.distance_tolerance_pct stands without truth.distance_m",
            remedy="add distance_m or remove the tolerance",
        )
    start = table.get("start_utc")
    truth = Truth(
        distance_m=distance_m,
        distance_tolerance_pct=tolerance_pct,
        ascent_m=page.take_number(path, table, "ascent_m", least=0.0),
        start_utc=None
        if start is None
        else page.check_instant((*path, "start_utc"), start).astimezone(UTC),
        lengths=lengths,
        pool_length_m=_read_pool_length(page, table),
        strokes=_read_strokes(page, table, lengths=lengths),
        stroke_count=_read_count(page, table, "stroke_count", of="strokes"),
    )
    _check_swim_distance(page, truth)
    return truth


def _read_count(page: Page, table: Mapping[str, Any], key: str, *, of: str) -> int | None:
    number = page.take_number(("truth",), table, key, least=0.0)
    if number is None:
        return None
    if number > _MOST_COUNTED[key]:
        raise page.complain(
            ("truth", key),
            f"truth.{key} = {show(table[key])} is more than anybody swims",
            remedy=f"count {of}, {key} = 40",
        )
    if number != int(number):
        raise page.complain(
            ("truth", key),
            f"truth.{key} = {show(table[key])} is no whole number",
            remedy=f"count {of}, {key} = 40",
        )
    return int(number)


def _read_pool_length(page: Page, table: Mapping[str, Any]) -> float | None:
    path: KeyPath = ("truth",)
    length_m = page.take_number(path, table, "pool_length_m", above=0.0, most=200.0)
    length_yd = page.take_number(path, table, "pool_length_yd", above=0.0, most=200.0)
    if length_yd is None:
        return length_m
    if length_m is not None:
        raise page.complain(
            (*path, "pool_length_yd"),
            f"truth.pool_length_yd = {length_yd:g} beside truth.pool_length_m = {length_m:g}",
            remedy="give the length of the pool once, in metres or in yards",
        )
    return round(length_yd * _METRES_PER_YARD, 6)


def _read_strokes(page: Page, table: Mapping[str, Any], *, lengths: int | None) -> tuple[str, ...]:
    if "strokes" not in table:
        return ()
    path: KeyPath = ("truth", "strokes")
    value = table["strokes"]
    words = [value] if isinstance(value, str) else value
    if not isinstance(words, list) or not words:
        raise page.complain(
            path,
            f"truth.strokes = {show(value)} is no list of words",
            remedy='write one word for all lengths or a list, strokes = ["freestyle", "drill"]',
        )
    for number, word in enumerate(words):
        if word not in STROKES:
            raise page.complain(
                (*path, number),
                f"truth.strokes[{number}] = {show(word)} is unknown",
                remedy=suggest(str(word), STROKES, "words are"),
            )
    if len(words) > 1 and lengths is None:
        raise page.complain(
            path,
            f"truth.strokes names {len(words)} lengths, but truth.lengths is missing",
            remedy=f"add lengths = {len(words)}, or give one word for all lengths",
        )
    if len(words) > 1 and len(words) != lengths:
        raise page.complain(
            path,
            f"truth.strokes names {len(words)} lengths, truth.lengths says {lengths}",
            remedy="give one word per length, or one word for all lengths",
        )
    return tuple(words)


def _check_swim_distance(page: Page, truth: Truth) -> None:
    if truth.lengths is None or truth.pool_length_m is None or truth.distance_m is None:
        return
    swim_distance_m = truth.lengths * truth.pool_length_m
    if abs(swim_distance_m - truth.distance_m) >= truth.pool_length_m / 2.0:
        raise page.complain(
            ("truth", "distance_m"),
            f"truth.distance_m = {truth.distance_m:g}, but {truth.lengths} lengths of "
            f"{truth.pool_length_m:g} m are {swim_distance_m:g} m",
            remedy="correct one of them, or remove distance_m",
        )
