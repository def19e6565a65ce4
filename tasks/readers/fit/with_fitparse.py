"""The first general decoder: fitparse by its public interface, for what columns do not hold.

fitparse names, scales and expands; of all that only the values on file are taken, so that scales
and expanded fields come from one place, `fields`, whichever decoder read the bytes.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from typing import Final

from fitparse import FitFile, records
from fitparse.processors import FitFileDataProcessor
from fitparse.utils import FitEOFError, FitParseError

from tasks.readers.fit.fields import WANTED, Message
from tasks.readers.fit.messages import list_fields, make_message

#: What damaged or odd bytes make fitparse raise, beside its own errors.
DECODER_ERRORS: Final = (
    FitParseError,
    ValueError,
    LookupError,
    TypeError,
    AttributeError,
    ArithmeticError,
    AssertionError,
    struct.error,
)
#: The file ended in the middle of a message.
CutError = FitEOFError


class _Untouched(FitFileDataProcessor):  # type: ignore[misc] # fitparse ships no types
    """Leaves values as they are: fitparse's own way is slow, and warns on Python 3.12."""

    def run_type_processor(self, field_data: object) -> None:
        """Do nothing."""

    run_field_processor = run_unit_processor = run_message_processor = run_type_processor


def read_messages(data: bytes) -> Iterator[Message]:
    """Return the wanted messages of one FIT part, in file order; checksums are not looked at.

    Raises: CutError where the bytes end too early, another of DECODER_ERRORS for bytes that
    fitparse refuses.
    """
    # fitparse keeps developer fields per process: without this, those of the previous file.
    records.DEV_TYPES.clear()
    with FitFile(io.BytesIO(data), check_crc=False, data_processor=_Untouched()) as file:
        for message in file:
            if message.mesg_num in WANTED:
                yield make_message(message.mesg_num, list_fields(message.fields))
