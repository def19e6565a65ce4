"""The console script: runs a command and says errors in one line.

A package of another project that hides one of ours is named first.

Exit codes: 0 done; 1 done, but something was refused or failed; 2 the command line or the
configuration is wrong, nothing was done; 130 stopped by the user.
"""

from __future__ import annotations

import importlib.util
import os
import sys
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

EXIT_DONE: Final = 0
EXIT_REFUSED: Final = 1
EXIT_USAGE: Final = 2
EXIT_STOPPED: Final = 130
#: Commands that go on until they are stopped: nothing was broken off.
ENDED_BY_STOPPING: Final = ("watch", "serve")


def main(arguments: Sequence[str] | None = None) -> int:  # noqa: PLR0911 - one for each way to end
    """Run one command and return its exit code."""
    words = list(sys.argv[1:] if arguments is None else arguments) or ["--help"]
    stranger = find_foreign_package()
    if stranger is not None:
        print(f"coworn: {stranger}", file=sys.stderr)
        return EXIT_USAGE
    if arguments is None:
        leave_pandas_out()
    from tasks.core.errors import CowornError, UsageError

    debug = "--debug" in words
    try:
        return _run(words)
    except KeyboardInterrupt:
        print("coworn: stopped", file=sys.stderr)
        return EXIT_STOPPED
    except BrokenPipeError:
        # The reader of our output has gone (`coworn metrics | head`): nothing is wrong.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_DONE
    except UsageError as error:
        return _report(error, debug=debug, code=EXIT_USAGE)
    except CowornError as error:
        return _report(error, debug=debug, code=EXIT_REFUSED)
    except Exception as error:  # noqa: BLE001 - the last place to say it in one line
        from flows.console.error_messages import explain_os_error

        message = explain_os_error(error) or (
            f"unexpected {type(error).__name__}: {error}; run it again with --debug to see where"
        )
        return _report(error, debug=debug, code=EXIT_REFUSED, message=message)


class _PandasLeftOut:
    """A finder of modules that says that there is no pandas."""

    def find_spec(self, fullname: str, *_: object) -> None:
        """Raise ModuleNotFoundError for pandas; leave all else to others."""
        if fullname == "pandas":
            raise ModuleNotFoundError("a command of coworn needs no pandas", name=fullname)


def leave_pandas_out() -> None:
    """Let nothing import pandas in this process.

    Arrow does with its first column, and would take a quarter of a second and 45 MB for nothing:
    tables are read in a process of their own (see `tasks.guard`).
    """
    sys.meta_path.insert(0, _PandasLeftOut())


def find_foreign_package() -> str | None:
    """Say which package of another project hides one of ours, None when all is well.

    The package registry has a distribution called `config`; installed in the same environment it
    can hide ours. Found before anything of ours is imported.
    """
    root = Path(__file__).resolve().parent.parent
    for name in ("config", "tasks"):
        module = sys.modules.get(name)
        specification = importlib.util.find_spec(name) if module is None else module.__spec__
        origin = None if specification is None else specification.origin
        if origin is None or Path(origin).resolve().parent.parent != root:
            return (
                f"another package called {name!r} ({origin or 'not found'}) hides coworn's own; "
                f"uninstall it (pip uninstall {name}) or give coworn an environment of its own"
            )
    return None


def _run(words: list[str]) -> int:
    from flows.commands.declare import app, read_usage_error

    try:
        code = app(args=protect_query(words), prog_name="coworn", standalone_mode=False)
    except Exception as error:
        usage = read_usage_error(error)
        if usage is None:
            raise
        return _report(error, debug=False, code=usage.code, message=usage.message)
    if code == EXIT_STOPPED and words[0] not in ENDED_BY_STOPPING:
        # Newer releases of typer swallow the interrupt and give its exit code.
        print("coworn: stopped", file=sys.stderr)
    return code if isinstance(code, int) else EXIT_DONE


def protect_query(words: list[str]) -> list[str]:
    """Put SQL that begins with a comment behind `--`, so that it is not taken for an option.

    What has a blank or a line break in it and gives no option a value is no option.
    """
    if words[:1] != ["sql"]:
        return words
    known = ("--format=", "--out=", "--home=")
    queries = [
        word
        for word in words[1:]
        if word.startswith("-") and len(word.split()) > 1 and not word.startswith(known)
    ]
    if len(queries) != 1 or "--" in words:
        return words
    return [*(word for word in words if word != queries[0]), "--", queries[0]]


def _report(error: Exception, *, debug: bool, code: int, message: str | None = None) -> int:
    from flows.console.terminal import print_error

    if debug:
        traceback.print_exception(error)
    line = str(error) if message is None else message
    if line:
        print_error(line)
    return code


if __name__ == "__main__":
    sys.exit(main())
