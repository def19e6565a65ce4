"""What a person sees: nothing that a name says is obeyed."""

from __future__ import annotations

import html

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from flows.console.terminal import (
    clean,
    format_number,
    make_console,
    print_error,
    show_table,
    show_wrapped,
    write_as_markdown,
)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("run.fit", "run.fit"),
        ("\x1b[31mred", "\\x1b[31mred"),
        ("two\nlines", "two\\x0alines"),
        ("\u202egpj.exe", "\\u202egpj.exe"),
        ("\udcff.fit", "\\xff.fit"),
        ("überläufer 走.gpx", "überläufer 走.gpx"),
    ],
)
def test_control_characters_are_spelled_out(text: str, shown: str) -> None:
    assert clean(text) == shown


@given(st.text(st.sampled_from("\\`*_[]()<>!#|~&:@ ab;/.='\n")))
@example("![x](http://somewhere.example/seen.png)")
@example("<img src=x onerror=alert(1)>")
@example("<http://somewhere.example> &lt; `code`")
def test_text_written_as_markdown_is_shown_as_it_is(text: str) -> None:
    """Compared with markdown-it, a CommonMark reader."""
    shown = MarkdownIt("commonmark").renderInline(write_as_markdown(text))
    # Blanks at the ends of a line, and quotes written in another way, are no difference.
    assert html.unescape(shown).strip() == clean(text).strip()


def test_markup_in_a_cell_is_text(capsys: pytest.CaptureFixture[str]) -> None:
    show_table(make_console(), ("name",), [("[red]run[/red]",), (None,)])
    told = capsys.readouterr().out
    assert "[red]run[/red]" in told
    assert "\x1b" not in told


def test_tables_in_a_pipe_have_no_trailing_blanks(capsys: pytest.CaptureFixture[str]) -> None:
    show_table(make_console(), ("a", "b"), [("x", ""), ("y", "long enough")])
    lines = capsys.readouterr().out.splitlines()
    assert all(line == line.rstrip() for line in lines)


def test_an_error_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    print_error("first\n  second\n")
    assert capsys.readouterr().err == "coworn: first second\n"


def test_a_dump_is_cut(capsys: pytest.CaptureFixture[str]) -> None:
    print_error("x" * 100_000)
    assert len(capsys.readouterr().err) < 1100


def test_a_quiet_console_prints_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    make_console(quiet=True).print("words")
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    ("value", "shown"),
    [(None, "-"), (float("nan"), "-"), (-0.04, "0.0"), (1.26, "+1.3"), (-2.0, "-2.0")],
)
def test_numbers_are_shown_with_their_sign(value: float | None, shown: str) -> None:
    assert format_number(value, signed=True) == shown


def test_a_long_line_goes_on_below_in_a_terminal_and_in_one_piece_in_a_pipe(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    text = "outdated   three workouts of last week, which the next run measures again"
    show_wrapped(make_console(), text, indent=11)
    assert capsys.readouterr().out == f"{text}\n"
    monkeypatch.setenv("COLUMNS", "40")
    show_wrapped(make_console(), text, indent=11)
    assert capsys.readouterr().out.splitlines() == [
        "outdated   three workouts of last week,",
        "           which the next run measures",
        "           again",
    ]


def test_an_id_is_never_broken(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    show_wrapped(make_console(), f"  file_id   {'ab' * 32}", indent=12)
    assert capsys.readouterr().out == f"  file_id   {'ab' * 32}\n"


def test_what_is_to_be_copied_is_not_wrapped_in_a_table(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    row = ("alder-2-second", "Alder 2, a second unit of the same model")
    show_table(make_console(), ("device", "name"), [row], whole=("device",))
    lines = capsys.readouterr().out.splitlines()
    assert any(line.startswith("alder-2-second ") for line in lines)
    assert max(len(line) for line in lines) <= 40
