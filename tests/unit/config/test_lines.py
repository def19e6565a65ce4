"""The line of everything in a TOML text."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from config.lines import KeyPath, TomlSyntaxError, find_line, map_lines, parse_toml

#: Counted by eye.
TEXT = '''\
a = 1  # b = 2
b.c = [ 1,
  2, # ] x
  { q = "]", r = """
\\"""\\"a
b = 3""" } ]
[x."y.z"]
'k k' = 'v'
[[s]]
n = "a"
[[s]]
n = 1979-05-27T07:32:00Z
[s.t]
u = 1
[[s.v]]
w = """""" # empty

[last]
z = [[], [3]]'''
EXPECTED: dict[KeyPath, int] = {
    ("a",): 1,
    ("b",): 2,
    ("b", "c"): 2,
    ("b", "c", 0): 2,
    ("b", "c", 1): 3,
    ("b", "c", 2): 4,
    ("b", "c", 2, "q"): 4,
    ("b", "c", 2, "r"): 4,
    ("x",): 7,
    ("x", "y.z"): 7,
    ("x", "y.z", "k k"): 8,
    ("s",): 9,
    ("s", 0): 9,
    ("s", 0, "n"): 10,
    ("s", 1): 11,
    ("s", 1, "n"): 12,
    ("s", 1, "t"): 13,
    ("s", 1, "t", "u"): 14,
    ("s", 1, "v"): 15,
    ("s", 1, "v", 0): 15,
    ("s", 1, "v", 0, "w"): 16,
    ("last",): 18,
    ("last", "z"): 19,
    ("last", "z", 0): 19,
    ("last", "z", 1): 19,
    ("last", "z", 1, 0): 19,
}


def list_paths(value: Any, path: KeyPath = ()) -> set[KeyPath]:  # noqa: ANN401 - any TOML value
    below = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    paths = {path} if path else set()
    for key, inner in below:
        paths |= list_paths(inner, (*path, key))
    return paths


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_every_key_and_element_has_its_line(line_end: str) -> None:
    text = TEXT.replace("\n", line_end)
    assert map_lines(text) == EXPECTED
    assert list_paths(tomllib.loads(text)) == set(EXPECTED)


def test_what_has_no_line_has_that_of_its_surroundings() -> None:
    lines = map_lines(TEXT)
    assert find_line(lines, ("s", 1, "missing", "deep")) == 11
    assert find_line(lines, ("nowhere",)) is None
    assert find_line(lines, ()) is None


@pytest.mark.parametrize(
    ("text", "line"),
    [("a = 1\nb = \n", 2), ("a = 1\n\n[x\n", 3), ('a = """\n\n', 1), ("a = 1\na = 2\n", 2)],
)
def test_a_syntax_error_has_its_line(text: str, line: int) -> None:
    with pytest.raises(TomlSyntaxError) as caught:
        parse_toml(text)
    assert caught.value.line == line
    assert "at line" not in str(caught.value)


VALUES: st.SearchStrategy[Any] = st.recursive(
    st.one_of(st.integers(-9, 9), st.booleans(), st.text(max_size=4)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=3), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(st.dictionaries(st.text(max_size=3), VALUES, max_size=4))
def test_no_key_of_any_document_is_forgotten(document: dict[str, Any]) -> None:
    text = tomlkit.dumps(document)
    assert set(map_lines(text)) == list_paths(tomllib.loads(text))


@pytest.mark.parametrize("part", ["a", '"="', "'#'", '"a.b"'])
@pytest.mark.parametrize("form", ["[{key}]", "{key} = 1", "x = {{ {key} = 1 }}", "[[ {key} ]]"])
def test_a_key_of_thousands_of_parts_is_refused_with_its_line(part: str, form: str) -> None:
    text = "first = 'line'\n" + form.format(key=" . ".join([part] * 20_000))
    with pytest.raises(TomlSyntaxError, match="more than 200 parts") as caught:
        parse_toml(text)
    assert caught.value.line == 2


@pytest.mark.parametrize("text", ["[" * 100_000, "x = " + "{a=" * 50_000, "x = " + "[" * 5000])
def test_brackets_inside_each_other_are_refused(text: str) -> None:
    with pytest.raises(TomlSyntaxError):
        parse_toml(text)


def test_a_text_of_megabytes_is_refused() -> None:
    with pytest.raises(TomlSyntaxError, match="larger than 256 kB"):
        parse_toml("# " + "x" * 300_000)


def test_dots_in_texts_and_comments_are_no_keys() -> None:
    dots = ".".join(["a"] * 1000)
    text = f'x = "{dots}"\ny = """\n{dots}"""  # {dots}\n[a.b]\nz = \'{dots}\'\n'
    assert parse_toml(text) == {"x": dots, "y": dots, "a": {"b": {"z": dots}}}


@pytest.mark.parametrize("number", ["9" * 5000, "-" + "1_0" * 3000, "1" * 250_000])
def test_a_number_of_thousands_of_digits_is_refused_with_its_line(number: str) -> None:
    """Python converts none of more than 4300 digits: the error is its own, and no TOML error."""
    with pytest.raises(TomlSyntaxError, match="thousands of digits") as caught:
        parse_toml(f"a = 1\nb = {number}\n")
    assert caught.value.line == 2
