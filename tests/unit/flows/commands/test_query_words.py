"""SQL that begins with a comment is a query, not an option."""

from __future__ import annotations

import pytest

from flows.cli import protect_query


@pytest.mark.parametrize("query", ["-- a comment\nSELECT 1", "--why\nFROM runs", "-- only this"])
def test_a_comment_is_part_of_the_query(query: str) -> None:
    assert protect_query(["sql", query, "--format", "csv"]) == [
        "sql",
        "--format",
        "csv",
        "--",
        query,
    ]


@pytest.mark.parametrize(
    "words",
    [
        ["sql", "SELECT 1", "--format", "csv"],
        ["sql", "--list"],
        ["sql", "--out=two words.csv", "SELECT 1"],
        ["sql", "--nosuch"],
        ["sql", "--", "-- a comment"],
        ["status", "-- a comment"],
        [],
    ],
)
def test_everything_else_is_left_as_it_is(words: list[str]) -> None:
    assert protect_query(words) == words
