"""What the reading process does with an export: read it and bring it into its clean form."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tasks.core.errors import DamagedError, ExportRefusedError
from tasks.core.reading import read_export
from tasks.normalise import normalise_recording

if TYPE_CHECKING:
    from tasks.core.recording import ExportFile, Recording
    from tasks.core.registers import ReadOptions

LOG: Final = logging.getLogger(__name__)


@dataclass(frozen=True)
class Clean:
    """The recordings of an export that could be normalised, and why others could not.

    `proposal` is the text of a CSV layout that reads more of it, empty where there is none.
    """

    recordings: tuple[Recording, ...]
    complaints: tuple[str, ...] = ()
    proposal: str = ""


def read_clean(export: ExportFile, options: ReadOptions) -> Clean:
    """Read and normalise `export`; at least one recording.

    Raises: ExportRefusedError, the first one when nothing can be normalised; OSError; MemoryError.
    """
    kept: list[Recording] = []
    refusals: list[ExportRefusedError] = []
    for recording in read_export(export, options):
        try:
            kept.append(normalise_recording(recording, name=export.name))
        except ExportRefusedError as error:
            refusals.append(error)
        except (ValueError, TypeError, ArithmeticError, LookupError) as error:
            LOG.exception("%s cannot be normalised", export.name)
            refusals.append(
                DamagedError(
                    export.name,
                    found=f"its values cannot be normalised ({type(error).__name__}: {error})",
                    remedy="send the file to whoever maintains coworn",
                )
            )
    if not kept:
        raise refusals[0]
    return Clean(
        tuple(kept),
        tuple(refusal.reason for refusal in refusals),
        next((recording.proposal for recording in kept if recording.proposal), ""),
    )
