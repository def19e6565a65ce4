"""What Tab offers, what is suggested for an unknown name, and where a query ends."""

from __future__ import annotations

import pytest

from flows.commands.sql_words import Words, is_whole, suggest

WORDS = Words(
    columns={"recordings": ("recording_id", "device_id"), "results": ("value", "device_id")},
    keywords=("SELECT", "FROM", "VALUES"),
    saved=("usual-values", "setups"),
    modes=("table", "rows"),
    commands=(".mode", ".columns"),
)


@pytest.mark.parametrize(
    ("before", "word", "offered"),
    [
        ("FROM re", "re", ["recordings", "results"]),
        ("SELECT * FROM results WHERE dev", "dev", ["device_id"]),
        # Columns of the tables that are named come first; lower case stays lower case.
        ("FROM results SELECT va", "va", ["value", "values"]),
        ("sel", "sel", ["select"]),
        ("SEL", "SEL", ["SELECT"]),
        ("usual-v", "usual-v", ["usual-values"]),
        ("SELECT usual-v", "v", ["value", "values"]),
        (".mo", ".mo", [".mode"]),
        (".mode ro", "ro", ["rows"]),
        (".columns res", "res", ["results"]),
        ("SELECT 1 ", "", []),
    ],
)
def test_tab_offers_what_fits_there(before: str, word: str, offered: list[str]) -> None:
    assert WORDS.complete(before) == (word, offered)


@pytest.mark.parametrize(
    ("message", "query", "meant"),
    [
        (
            "Catalog Error: Table with name recordngs does not exist!",
            "",
            "did you mean recordings?",
        ),
        ('Binder Error: Referenced column "devise_id" not found', "", "did you mean device_id?"),
        ("Catalog Error: Scalar Function with name valu does not exist!", "", None),
        (
            "Parser Error: syntax error",
            "usual-valeus;",
            "did you mean the saved query usual-values?",
        ),
        ("Parser Error: syntax error", "SELEC 1", None),
        ("Catalog Error: Table with name zzz does not exist!", "", None),
    ],
)
def test_an_unknown_name_is_answered_by_the_nearest(
    message: str, query: str, meant: str | None
) -> None:
    assert suggest(message, query, WORDS) == meant


@pytest.mark.parametrize(
    ("text", "whole"),
    [
        ("SELECT 1;", True),
        ("SELECT 1", False),
        ("SELECT ';", False),
        ("SELECT 'it''s;'", False),
        ('SELECT 1 AS "a;"', False),
        ("SELECT 1 -- not here;", False),
        ("SELECT 1; -- done", True),
        ("SELECT /* ; */ 1", False),
        ("SELECT $$ ; $$", False),
        ("SELECT 1; SELECT 2", False),
    ],
)
def test_a_query_ends_with_a_semicolon_of_its_own(text: str, *, whole: bool) -> None:
    assert is_whole(text) is whole
