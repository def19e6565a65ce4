"""What a figure says of itself inside its file: title, words for the blind, source, licence.

SVG: title and description (SVG 2, 5.10), and Dublin Core terms in its metadata. PNG: international
text chunks with the keywords of the standard (PNG, third edition, 11.3.3.4). Nothing of the home,
of files or of positions is in it.
"""

from __future__ import annotations

import re
import struct
import zlib
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

SOURCE: Final = "Source: coworn; exports of devices worn together."
_SVG: Final = re.compile(r"<svg\b[^>]*>")
_SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"
#: Signature and header: length, type, 13 bytes of data, checksum.
_HEADER_BYTES: Final = len(_SIGNATURE) + 4 + 4 + 13 + 4
_NAMESPACES: Final = (
    'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#" '
    'xmlns:dc="http://purl.org/dc/elements/1.1/"'
)


@dataclass(frozen=True)
class FigureWords:
    """Title, description, source and licence; a licence that is not claimed is empty."""

    title: str
    description: str
    source: str = SOURCE
    licence: str = ""


def describe_svg(svg: str, words: FigureWords) -> str:
    """Return the SVG with what it says of itself."""
    parts = [("title", words.title), ("description", words.description), ("source", words.source)]
    if words.licence:
        parts.append(("rights", words.licence))
    terms = "".join(f"<dc:{name}>{escape(text)}</dc:{name}>" for name, text in parts)
    said = (
        f"<title>{escape(words.title)}</title><desc>{escape(words.description)}</desc>"
        f"<metadata><rdf:RDF {_NAMESPACES}><rdf:Description>{terms}</rdf:Description></rdf:RDF>"
        "</metadata>"
    )
    return _SVG.sub(lambda found: f"{found[0]}{said}", svg, count=1)


def describe_png(png: bytes, words: FigureWords) -> bytes:
    """Return the PNG with what it says of itself, in chunks behind its header."""
    chunks = b"".join(_make_chunks(words))
    return png[:_HEADER_BYTES] + chunks + png[_HEADER_BYTES:]


def _make_chunks(words: FigureWords) -> Iterator[bytes]:
    parts = {
        "Title": words.title,
        "Description": words.description,
        "Source": words.source,
        "Copyright": words.licence,
    }
    for keyword, text in parts.items():
        if text:
            # Keyword, not compressed, no language, no translated keyword, text.
            data = keyword.encode("latin-1") + b"\0\0\0\0\0" + text.encode()
            body = b"iTXt" + data
            yield struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))
