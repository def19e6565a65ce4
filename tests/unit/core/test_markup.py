"""XML made safe to parse."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tasks.core.errors import DamagedError
from tasks.core.markup import (
    MarkupSyntaxError,
    cut_after_last,
    find_children,
    find_root_name,
    has_closing_tag,
    load_markup,
    parse_markup,
    parse_whole_rows,
    read_local_name,
    read_text,
)

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize(
    ("head", "name"),
    [
        (b"<gpx>", "gpx"),
        (b'<?xml version="1.0"?><!-- <tcx> --><gpx version="1.1">', "gpx"),
        (b"\xef\xbb\xbf\r\n <g:gpx>", "gpx"),
        ("\ufeff<?xml version='1.0'?>\n<gpx>".encode("utf-16-le"), "gpx"),
        (b'<!DOCTYPE gpx SYSTEM "x"><other>', "gpx"),
        (b"time;hr <gpx>", None),
        (b"plain text", None),
        (b"<!-- a comment that never ends <gpx>", None),
        (b"", None),
    ],
)
def test_the_root_is_found_behind_marks_comments_and_prefixes(
    head: bytes, name: str | None
) -> None:
    assert find_root_name(head) == name


@pytest.mark.parametrize(
    ("content", "closed"),
    [
        (b"<a></a>", True),
        (b"<p:a></p:a >\n\x00\x00", True),
        ("<a></a>".encode("utf-16"), True),
        (b"<a></ab>", False),
        (b"<a></a", False),
        (b"", False),
    ],
)
def test_the_closing_tag_tells_a_whole_file(
    tmp_path: Path, content: bytes, *, closed: bool
) -> None:
    path = tmp_path / "x.xml"
    path.write_bytes(content)
    assert has_closing_tag(path, "a") is closed


def test_line_numbers_survive_the_cleaning() -> None:
    markup = load_markup(b'\n\n<?xml version="1.0"?>\n<a>\n<b></c></a>', name="x")
    with pytest.raises(MarkupSyntaxError, match="line 5"):
        parse_markup(markup.text)


def test_ampersands_of_entities_and_character_numbers_stay() -> None:
    text = "<a>&amp;&lt;&#65;&#x41;</a>"
    markup = load_markup(text.encode(), name="x")
    assert markup.text == text
    assert markup.remarks == ()
    assert parse_markup(text).text == "&<AA"


def test_an_unknown_entity_is_text_and_not_an_error() -> None:
    markup = load_markup(b"<a>caf&eacute; &nbsp;</a>", name="x")
    assert parse_markup(markup.text).text == "caf&eacute; &nbsp;"
    assert [remark.count for remark in markup.remarks] == [2]


def test_an_encoding_that_nobody_knows_is_read_as_utf8() -> None:
    data = '<?xml version="1.0" encoding="x-vendor"?><a>é</a>'.encode()
    assert parse_markup(load_markup(data, name="x").text).text == "é"


def test_a_document_type_in_a_description_is_no_declaration() -> None:
    markup = load_markup(b"<a><![CDATA[<!DOCTYPE html>]]></a>", name="x")
    assert parse_markup(markup.text).text == "<!DOCTYPE html>"


def test_a_document_type_is_refused_with_the_name_of_the_file() -> None:
    with pytest.raises(DamagedError, match=r"^run\.gpx: it declares a document type"):
        load_markup(b"\xef\xbb\xbf<?xml version='1.0'?><!--x--><!DOCTYPE a><a/>", name="run.gpx")


def test_a_prefix_without_a_namespace_is_part_of_the_name() -> None:
    (child,) = parse_markup("<a><x:b>1</x:b></a>")
    assert read_local_name(child) == "b"


def test_texts_are_found_along_a_path_of_local_names() -> None:
    root = parse_markup('<a xmlns="urn:x"><b><c> 1 </c></b><b><c>2</c></b><d/></a>')
    assert read_text(root, "b", "c") == "1"
    assert read_text(root, "d") is None
    assert read_text(root, "b", "z") is None
    assert [child[0].text for child in find_children(root, "b")] == [" 1 ", "2"]


@pytest.mark.parametrize(
    ("text", "cut"),
    [
        ("<a><r>1</r><r>2", "<a><r>1</r></a>"),
        ("<p:a><p:s><p:r>1</p:r></p:s", "<p:a><p:s><p:r>1</p:r></p:s></p:a>"),
        ('<a><b x="r>/" /><r/><r>1</r>', '<a><b x="r>/" /><r/><r>1</r></a>'),
        ("<a><!-- <b> --><![CDATA[<c>]]><r>1</r><r", "<a><!-- <b> --><![CDATA[<c>]]><r>1</r></a>"),
        ("<a><b><r>1</r></c>", "<a><b><r>1</r></b></a>"),
        ("<a><b></c><r>1</r>", None),
        ("<a><r>1", None),
        ("", None),
    ],
)
def test_a_cut_text_ends_after_its_last_whole_row(text: str, cut: str | None) -> None:
    assert cut_after_last(text, "r") == cut


def test_a_cut_document_is_told_from_a_damaged_one() -> None:
    assert parse_whole_rows("<a><r>1</r></a>", "r", name="x")[1] is False
    root, cut = parse_whole_rows("<a><r>1</r><r>", "r", name="x")
    assert (len(root), cut) == (1, True)
    with pytest.raises(DamagedError, match="not well-formed"):
        parse_whole_rows("<a><r>1</q><r>2</r></a>", "r", name="x")


@given(length=st.integers(0, 200), n_rows=st.integers(1, 6))
def test_a_cut_keeps_exactly_the_rows_that_are_whole(length: int, n_rows: int) -> None:
    rows = "".join(f'<r n="{number}"><v>{number}</v></r>' for number in range(n_rows))
    text = f"<a><s>{rows}</s></a>"[:length]
    n_whole = text.count("</r>")
    cut = cut_after_last(text, "r")
    if n_whole == 0:
        assert cut is None
    else:
        assert cut is not None
        assert [row.get("n") for row in parse_markup(cut).iter("r")] == [
            str(number) for number in range(n_whole)
        ]


@given(data=st.binary(max_size=300))
def test_any_bytes_give_a_root_or_a_reason(data: bytes) -> None:
    find_root_name(data)
    try:
        markup = load_markup(data, name="x")
        root, _ = parse_whole_rows(markup.text, "r", name="x")
    except DamagedError as error:
        reason = error.reason
    else:
        reason = read_local_name(root)
    assert reason
