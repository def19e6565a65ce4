"""What a person sees: tables, progress, one-line errors; control characters are escaped."""

from __future__ import annotations

import contextlib
import math
import os
import re
import sys
import textwrap
import time
from contextvars import ContextVar
from typing import TYPE_CHECKING, Final, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from rich.console import Console

#: Width of tables that go to a file or a pipe [characters].
PIPE_WIDTH: Final = 160
#: Length at which an error line is cut; what is longer is a dump, not a message [characters].
MAX_LINE: Final = 1000
#: Work that is done sooner shows no progress bar [s].
PROGRESS_AFTER_S: Final = 1.0

_ESCAPES: Final = {number: f"\\x{number:02x}" for number in (*range(32), *range(127, 160))}
#: Characters that turn the direction of text, and separators that break a line.
_ESCAPES.update(
    {
        number: f"\\u{number:04x}"
        for number in (
            *range(0x202A, 0x202F),
            *range(0x2066, 0x206A),
            0x2028,
            0x2029,
            0x200E,
            0x200F,
        )
    }
)
#: Half of a surrogate pair: a byte of a file name that is no UTF-8.
_ESCAPES.update({number: f"\\x{number - 0xDC00:02x}" for number in range(0xDC80, 0xDD00)})


#: What makes Markdown of text within a line, and links of bare addresses.
_MARKDOWN: Final = re.compile(r"[\\`*_\[\]<>!#|~&:@]")


class Progress(Protocol):
    """Counts what is done."""

    def advance(self, done: int, total: int, what: str) -> None:
        """Say that `done` of `total` are done of `what`."""

    def close(self) -> None:
        """Take the bar away."""


_PROGRESS: ContextVar[Progress | None] = ContextVar("progress", default=None)
_PROGRESS_LISTENER: ContextVar[Callable[[int, int, str], object] | None] = ContextVar(
    "progress_listener", default=None
)


def clean(text: object) -> str:
    """Return `text` with control characters spelled out, so that a terminal shows and not obeys."""
    return str(text).translate(_ESCAPES)


def write_as_markdown(text: object) -> str:
    """Return Markdown that shows `text` as it is: Prefect's pages take each cell for Markdown.

    Source: CommonMark 0.31, section 2.4 "Backslash escapes".
    """
    return _MARKDOWN.sub(r"\\\g<0>", clean(text))


def make_console(*, quiet: bool = False) -> Console:
    """Return console for standard output; no colour when NO_COLOR is set or it is no terminal."""
    from rich.console import Console

    is_terminal = sys.stdout.isatty()
    width = None if is_terminal or "COLUMNS" in os.environ else PIPE_WIDTH
    return Console(
        quiet=quiet, highlight=False, markup=False, width=width, soft_wrap=not is_terminal
    )


def print_error(message: object) -> None:
    """Print one line on standard error."""
    line = " ".join(clean(part.strip()) for part in str(message).splitlines() if part.strip())
    if len(line) > MAX_LINE:
        line = f"{line[:MAX_LINE]} ..."
    sys.stderr.write(f"coworn: {line}\n")
    sys.stderr.flush()


def show_table(
    console: Console,
    headings: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    title: str | None = None,
    right: Sequence[str] = (),
    whole: Sequence[str] = (),
) -> None:
    """Print a table; numbers of the columns in `right` stand at the right, missing is a dash.

    Cells of the columns in `whole`, which somebody may want to copy, are never wrapped.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(
        title=None if title is None else Text(clean(title), style="bold"),
        title_justify="left",
        box=box.SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
        pad_edge=False,
        show_edge=False,
    )
    for heading in headings:
        table.add_column(
            Text(heading),
            justify="right" if heading in right else "left",
            overflow="fold",
            no_wrap=heading in whole,
        )
    for row in rows:
        table.add_row(*(Text(_show(cell)) for cell in row))
    if console.is_terminal:
        console.print(table)
        return
    with console.capture() as captured:
        console.print(table)
    # Files and pipes get no trailing blanks.
    for line in captured.get().splitlines():
        console.print(line.rstrip())


def show_wrapped(console: Console, text: str, *, indent: int) -> None:
    """Print a line; what does not fit goes on below, `indent` characters from the left.

    A pipe gets it in one piece, for programs that look for words.
    """
    if not console.is_terminal and "COLUMNS" not in os.environ:
        console.print(clean(text))
        return
    if len(text[indent:].split()) == 1 and text[:indent].strip():
        # An id or a path: the terminal breaks it, so that it is copied in one piece.
        console.print(clean(text), soft_wrap=True)
        return
    for line in textwrap.wrap(
        clean(text),
        width=max(console.width, 2 * indent),
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
        drop_whitespace=True,
    ):
        console.print(line)


def format_number(value: float | None, *, digits: int = 1, signed: bool = False) -> str:
    """Return a number with `digits` decimals, a dash when it is missing."""
    if value is None or not math.isfinite(value):
        return "-"
    # A zero has no sign.
    rounded = round(value, digits) + 0.0
    return f"{rounded:+.{digits}f}" if signed and rounded else f"{rounded:.{digits}f}"


def _show(cell: object) -> str:
    return "-" if cell is None or cell == "" else clean(cell)


def report_progress(done: int, total: int, what: str) -> None:
    """Report to the bar that is shown, a served run has none, and to whoever listens."""
    listener = _PROGRESS.get()
    if listener is not None:
        listener.advance(done, total, what)
    tell = _PROGRESS_LISTENER.get()
    if tell is not None:
        tell(done, total, what)


@contextlib.contextmanager
def listen_to_progress(tell: Callable[[int, int, str], object]) -> Iterator[None]:
    """Call `tell` with what is done, how much there is and its name, beside the bar."""
    token = _PROGRESS_LISTENER.set(tell)
    try:
        yield
    finally:
        _PROGRESS_LISTENER.reset(token)


def hide_progress() -> None:
    """Take the bar away, until progress is reported again: something else is printed."""
    listener = _PROGRESS.get()
    if listener is not None:
        listener.close()


@contextlib.contextmanager
def show_progress(*, quiet: bool) -> Iterator[None]:
    """Show a bar for what is reported inside, when standard error is a terminal."""
    if quiet or not sys.stderr.isatty():
        yield
        return
    bar = _Bar()
    token = _PROGRESS.set(bar)
    try:
        yield
    finally:
        _PROGRESS.reset(token)
        bar.close()


class _Bar:
    """One bar that appears when the work takes longer than a moment."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
        from rich.progress import Progress as RichProgress

        self._progress = RichProgress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            console=Console(stderr=True),
            transient=True,
        )
        self._task = self._progress.add_task("", total=None)
        self._begun_s = time.monotonic()
        self._shown = False

    def advance(self, done: int, total: int, what: str) -> None:
        """Move the bar."""
        if not self._shown and time.monotonic() - self._begun_s > PROGRESS_AFTER_S:
            self._progress.start()
            self._shown = True
        self._progress.update(self._task, completed=done, total=total, description=clean(what))

    def close(self) -> None:
        """Take the bar away."""
        if self._shown:
            self._progress.stop()
            self._shown = False
