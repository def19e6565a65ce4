"""From what a general decoder says of a field to the values that are wanted of a message."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

from tasks.readers.fit.base_types import choose_kind
from tasks.readers.fit.fields import RECORD, TIMESTAMP, WANTED, Message, Raw


class FieldOnFile(NamedTuple):
    """One field of a message: its number and value, as on file, and its type.

    Without a type it is none of the message's own but made by the decoder. `developer_index` is
    that of a developer field.
    """

    number: int
    raw: Any
    base_type: str | None = None
    n_values: int = 1
    developer_index: int | None = None


def list_fields(fields: Iterable[Any]) -> Iterator[FieldOnFile]:
    """Yield the fields of a message as fitparse and fitdecode give them, in one form."""
    for data in fields:
        definition = data.field_def
        if definition is None:
            yield FieldOnFile(data.def_num, data.raw_value)
            continue
        base = definition.base_type
        yield FieldOnFile(
            definition.def_num,
            data.raw_value,
            base_type=base.name,
            n_values=definition.size // base.size,
            # Only definitions of developer fields have one.
            developer_index=getattr(definition, "dev_data_index", None),
        )


def make_message(number: int, fields: Iterable[FieldOnFile]) -> Message:
    """Return the wanted values of message `number`: its own, and of records the developers'."""
    values: dict[int, Raw] = {}
    developer: dict[tuple[int, int], Raw] = {}
    wanted = WANTED[number]
    for field in fields:
        if field.base_type is None:
            # Of what decoders expand only the compressed time is not expanded by us.
            if field.number == TIMESTAMP:
                values[TIMESTAMP] = field.raw
        elif field.developer_index is not None:
            if number == RECORD and choose_kind("number", field.base_type, field.n_values):
                developer[field.developer_index, field.number] = field.raw
        elif field.number in wanted:
            kind = choose_kind(wanted[field.number].kind, field.base_type, field.n_values)
            if kind == "numbers" and not isinstance(field.raw, tuple):
                values[field.number] = (field.raw,)
            elif kind is not None:
                values[field.number] = field.raw
    return Message(number, values, developer)
