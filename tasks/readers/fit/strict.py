"""The second decoder, for sound files that fitparse refuses (such as odd field sizes): fitdecode.

Its checksum test is on; a field whose size does not fit its type is skipped, not guessed at.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from typing import Any

from tasks.readers.fit.fields import RECORD, TIMESTAMP, WANTED, Field, Message, Raw
from tasks.readers.fit.lean import DECODER_ERRORS, CutError, fit_kind


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
                yield _take(frame)


def find_decoder_errors() -> tuple[type[Exception], ...]:
    """Return what odd bytes make fitdecode raise."""
    import fitdecode  # noqa: PLC0415 - as above

    return (fitdecode.FitError, *DECODER_ERRORS)


def find_cut_errors() -> tuple[type[Exception], ...]:
    """Return how both decoders say that the bytes end too early."""
    import fitdecode  # noqa: PLC0415 - as above

    return (fitdecode.FitEOFError, CutError)


def _take(frame: Any) -> Message:  # noqa: ANN401 - an untyped class of fitdecode
    number = frame.global_mesg_num
    wanted = WANTED[number]
    values: dict[int, Raw] = {}
    developer: dict[tuple[int, int], Raw] = {}
    for data in frame.fields:
        definition = data.field_def
        if definition is None:
            # Expanded by fitdecode; only the compressed time is not expanded by us.
            if data.def_num == TIMESTAMP:
                values[TIMESTAMP] = data.raw_value
        elif definition.is_dev:
            if number == RECORD and isinstance(data.raw_value, (int, float)):
                developer[definition.dev_data_index, definition.def_num] = data.raw_value
        elif definition.def_num in wanted:
            _put(values, wanted, definition, raw=data.raw_value)
    return Message(number, values, developer)


def _put(
    values: dict[int, Raw],
    wanted: Mapping[int, Field],
    definition: Any,  # noqa: ANN401 - an untyped class of fitdecode
    *,
    raw: Any,  # noqa: ANN401 - any value on file
) -> None:
    field = wanted[definition.def_num]
    count = definition.size // definition.base_type.size
    kind = fit_kind(field.kind, definition.base_type.name, count)
    if kind is None:
        return
    if kind == "numbers" and not isinstance(raw, tuple):
        raw = (raw,)
    values[field.number] = raw
