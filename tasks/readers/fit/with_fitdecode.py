"""The second general decoder, for sound files that fitparse refuses (such as odd field sizes).

Its checksum test is on; a field whose size does not fit its type is skipped, not guessed at.
"""

from __future__ import annotations

import io
from collections.abc import Iterator

from tasks.readers.fit.fields import WANTED, Message
from tasks.readers.fit.messages import list_fields, make_message
from tasks.readers.fit.with_fitparse import DECODER_ERRORS, CutError


def read_messages(data: bytes) -> Iterator[Message]:
    """Return the wanted messages of one FIT part, in file order.

    Raises: fitdecode's errors, FitEOFError among them where the bytes end too early.
    """
    import fitdecode  # noqa: PLC0415 - its profile is large and rarely needed

    reader = fitdecode.FitReader(
        io.BytesIO(data),
        processor=None,
        check_crc=fitdecode.CrcCheck.RAISE,
        error_handling=fitdecode.ErrorHandling.IGNORE,
    )
    with reader:
        for frame in reader:
            if frame.frame_type == fitdecode.FIT_FRAME_DATA and frame.global_mesg_num in WANTED:
                yield make_message(frame.global_mesg_num, list_fields(frame.fields))


def find_decoder_errors() -> tuple[type[Exception], ...]:
    """Return what odd bytes make fitdecode raise."""
    import fitdecode  # noqa: PLC0415 - as above

    return (fitdecode.FitError, *DECODER_ERRORS)


def find_cut_errors() -> tuple[type[Exception], ...]:
    """Return how both decoders say that the bytes end too early."""
    import fitdecode  # noqa: PLC0415 - as above

    return (fitdecode.FitEOFError, CutError)
