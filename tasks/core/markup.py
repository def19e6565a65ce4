"""XML exports made safe to parse: encodings, stray characters, entities, files that were cut off.

Nothing here knows a format; the readers of XML formats share it.
"""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from lxml import etree

from tasks.core.errors import DamagedError
from tasks.core.recording import Remark

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

#: How much of the end of a file is searched for the closing tag [byte].
_TAIL_BYTES: Final = 4096
_BYTE_ORDER_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_DECLARED_ENCODING: Final = re.compile(
    rb"<\?xml[^>]{0,200}?encoding\s*=\s*[\"']([\w.-]{1,40})[\"']"
)
#: Only encodings that keep ASCII digits and letters as they are may be declared.
_KNOWN_ENCODING: Final = re.compile(
    r"utf-?8|us-ascii|ascii|latin-?1|iso-?8859-\d{1,2}|windows-125\d|cp125\d", re.IGNORECASE
)
_DECLARATION: Final = re.compile(r"[\x00\s]*+(?:<\?xml\b[^>]*\?>)?")
_PROLOG: Final = re.compile(r"(?:\s++|<\?.*?\?>|<!--.*?-->)*+", re.DOTALL)
_ROOT: Final = re.compile(r"<(?:!DOCTYPE\s+)?(?:[\w.-]+:)?([\w.-]+)")
# XML 1.0, section 2.2 "Characters": these must not occur, not even escaped.
_FORBIDDEN_CHARACTERS: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")
_STRAY_AMPERSAND: Final = re.compile(
    r"&(?!(?:amp|lt|gt|quot|apos|#[0-9]{1,7}|#x[0-9A-Fa-f]{1,6});)"
)
_TAG: Final = re.compile(
    r"<!--.*?(?:-->|\Z)|<!\[CDATA\[.*?(?:\]\]>|\Z)|<\?.*?(?:\?>|\Z)"
    r"|<(?P<end>/?)(?P<name>[\w:.-]+)(?:[^<>\"'/]|/(?!>)|\"[^\"<]*\"|'[^'<]*')*+(?P<empty>/?)>",
    re.DOTALL,
)


@dataclass(frozen=True)
class Markup:
    """A document as text without its XML declaration, and what had to be mended."""

    text: str
    remarks: tuple[Remark, ...] = ()


class MarkupSyntaxError(ValueError):
    """The document is not well-formed; the message says where."""


def find_root_name(head: bytes) -> str | None:
    """Return the local name of the root element as far as the first bytes show it."""
    # Without their zero bytes, UTF-16 and UTF-32 are readable enough for names in ASCII.
    text = head.replace(b"\x00", b"").decode("latin-1")
    start = text.find("<")
    if start < 0 or text[:start].strip("\ufeff\xff\xfe\xef\xbb\xbf \t\r\n"):
        return None
    match = _ROOT.match(text, _skip_prolog(text, start))
    return match.group(1) if match else None


def has_closing_tag(path: Path, name: str) -> bool:
    """Say whether the file ends with the closing tag of element `name`, any prefix."""
    with path.open("rb") as file:
        size = file.seek(0, 2)
        file.seek(max(0, size - _TAIL_BYTES))
        tail = file.read().replace(b"\x00", b"")
    return re.search(rb"</(?:[\w.-]+:)?" + name.encode() + rb"\s*>", tail) is not None


def load_markup(data: bytes, *, name: str) -> Markup:
    """Decode an XML file into text that a parser takes, without declaration or entities.

    Blanks and zero bytes around the document are dropped; characters that XML forbids and stray
    ampersands are mended, so that they spoil at most the value that they stand in.
    Raises: DamagedError when it declares a document type, the way to smuggle in entities that
    grow without bound or read other files.
    """
    text, remarks = _decode(data)
    text = text.lstrip("\ufeff").rstrip("\x00 \t\r\n")
    text = _drop_declaration(text)
    if re.match("<!DOCTYPE", text[_skip_prolog(text, 0) :]):
        raise DamagedError(
            name,
            found="it declares a document type, which no activity export needs",
            remedy="export the activity again from the device or its app",
        )
    text, n_forbidden = _FORBIDDEN_CHARACTERS.subn("\ufffd", text)
    if n_forbidden:
        remarks.append(Remark("characters that XML forbids were replaced", n_forbidden))
    text, n_stray = _STRAY_AMPERSAND.subn("&amp;", text)
    if n_stray:
        remarks.append(Remark("ampersands that were not escaped were mended", n_stray))
    return Markup(text, tuple(remarks))


def parse_whole_rows(text: str, row_name: str, *, name: str) -> tuple[Any, bool]:
    """Return root element, and whether the text ends early and was cut after its last whole row.

    `row_name` is the element that holds one sample. Raises: DamagedError when more than the end
    is wrong.
    """
    try:
        return parse_markup(text), False
    except MarkupSyntaxError as error:
        shortened = cut_after_last(text, row_name)
        problem = DamagedError(
            name,
            found=f"it is not well-formed XML ({error})",
            remedy="export the activity again from the device or its app",
        )
    if shortened is None:
        raise problem
    try:
        return parse_markup(shortened), True
    except MarkupSyntaxError:
        raise problem from None


def parse_markup(text: str) -> Any:  # noqa: ANN401 - an element of lxml, which ships no types
    """Return the root element of `text`; entities, network and overlong content are off.

    A prefix without a namespace is taken as part of the name (see `read_local_name`).
    Raises: MarkupSyntaxError; MemoryError.
    """
    parser = etree.XMLParser(
        recover=True,
        resolve_entities=False,
        no_network=True,
        load_dtd=False,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
    )
    try:
        root = etree.fromstring(text.encode("utf-8", "replace"), parser)
    except etree.XMLSyntaxError as error:
        raise_if_out_of_memory(error)
        raise MarkupSyntaxError(str(error.msg)) from error
    fatal = [entry for entry in parser.error_log if entry.level >= etree.ErrorLevels.FATAL]
    if any(entry.type == etree.ErrorTypes.ERR_NO_MEMORY for entry in fatal):
        raise MemoryError
    if root is None or fatal:
        where = f"line {fatal[0].line}: {fatal[0].message}" if fatal else "no element"
        raise MarkupSyntaxError(where)
    return root


def raise_if_out_of_memory(error: BaseException | None) -> None:
    """Raise MemoryError when lxml's `error` is lack of memory: it calls that a syntax error."""
    no_memory = etree.ErrorTypes.ERR_NO_MEMORY
    if isinstance(error, etree.XMLSyntaxError) and error.code == no_memory:
        raise MemoryError from error


def cut_after_last(text: str, row_name: str) -> str | None:
    """Return `text` up to its last whole element `row_name`, with all open elements closed.

    None when there is no such element, or when tags do not nest up to there: then more is wrong
    than a missing end.
    """
    rows = re.finditer(rf"</(?:[\w.-]+:)?{row_name}\s*>", text)
    end = max((match.end() for match in rows), default=None)
    if end is None:
        return None
    text = text[:end]
    still_open: list[str] = []
    for tag in _TAG.finditer(text):
        name = tag.group("name")
        if name is None or tag.group("empty"):
            continue
        if not tag.group("end"):
            still_open.append(name)
        elif not still_open or still_open.pop() != name:
            return None
    return text + "".join(f"</{name}>" for name in reversed(still_open))


def read_local_name(element: Any) -> str:  # noqa: ANN401 - an element of lxml
    """Return the name of an element without namespace or prefix."""
    tag = element.tag
    if not isinstance(tag, str):  # comments and the like
        return ""
    return tag.rpartition("}")[2].rpartition(":")[2]


def find_children(element: Any, name: str) -> Iterator[Any]:  # noqa: ANN401 - elements of lxml
    """Return the children of `element` with the local name `name`, in order."""
    return (child for child in element if read_local_name(child) == name)


def read_text(element: Any, *path: str) -> str | None:  # noqa: ANN401 - an element of lxml
    """Return the text of the first descendant along `path` of local names; None when blank."""
    for name in path:
        element = next(find_children(element, name), None)
        if element is None:
            return None
    return (element.text or "").strip() or None


def _decode(data: bytes) -> tuple[str, list[Remark]]:
    encoding = _find_encoding(data)
    try:
        # An incremental decoder forgives a character that the end of the file cuts in two.
        return codecs.getincrementaldecoder(encoding)().decode(data, final=False), []
    except UnicodeDecodeError as error:
        remark = Remark(f"bytes that are no {error.encoding} were read as Latin-1")
        return data.decode("latin-1"), [remark]


def _find_encoding(data: bytes) -> str:
    for mark, encoding in _BYTE_ORDER_MARKS:
        if data.startswith(mark):
            return encoding
    if data.startswith(b"<\x00"):
        return "utf-16-le"
    if data.startswith(b"\x00<"):
        return "utf-16-be"
    declared = _DECLARED_ENCODING.search(data[:512])
    encoding = declared.group(1).decode("ascii") if declared else "utf-8"
    if not _KNOWN_ENCODING.fullmatch(encoding):
        return "utf-8"
    try:
        return codecs.lookup(encoding).name
    except LookupError:
        return "utf-8"


def _drop_declaration(text: str) -> str:
    """Drop the XML declaration, and what stands before it, but keep the numbers of the lines."""
    match = _DECLARATION.match(text)
    return "\n" * match.group().count("\n") + text[match.end() :] if match else text


def _skip_prolog(text: str, start: int) -> int:
    match = _PROLOG.match(text, start)
    return match.end() if match else start
