"""Figures say in their files what they show, whence it comes and how it may be used."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import TYPE_CHECKING

from lxml import etree
from PIL import Image

from config.report import PrivatePlace
from flows.commands.declare import Options
from flows.commands.figure import figure
from flows.commands.report import report
from tasks.report.drawing import wrap_title
from tasks.report.figure_words import SOURCE, FigureWords, describe_png, describe_svg
from tasks.report.figures import make_svg
from tasks.report.outcome import title_figure, write_outcome
from tasks.report.page_files import caption_figure
from tasks.report.private import HiddenCount, count_hidden, hide_private_places
from tasks.report.sections import draw_workout
from tests.unit.report.test_write import gather, make_settings

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb
    import pytest

    from config.home import Home

WORDS = FigureWords("5 < 6 & more", 'words "quoted"', licence="CC-BY-4.0")
DC = "{http://purl.org/dc/elements/1.1/}"


def test_an_svg_names_title_words_source_and_licence() -> None:
    root = etree.fromstring(
        describe_svg('<svg xmlns="http://www.w3.org/2000/svg" width="3"><g/></svg>', WORDS)
    )
    assert root.findtext("{*}title") == WORDS.title
    assert root.findtext("{*}desc") == WORDS.description
    found = {name: root.findtext(f".//{DC}{name}") for name in ("source", "rights", "title")}
    assert found == {"source": SOURCE, "rights": "CC-BY-4.0", "title": WORDS.title}


def test_a_png_says_the_same_and_is_still_whole() -> None:
    stream = io.BytesIO()
    Image.new("RGB", (3, 2), "white").save(stream, "png")
    described = describe_png(stream.getvalue(), WORDS)
    # Another program's decoder, which checks every chunk's checksum.
    with Image.open(io.BytesIO(described)) as image:
        image.load()
        assert image.size == (3, 2)
        said = dict(image.text)
    assert said == {
        "Title": WORDS.title,
        "Description": WORDS.description,
        "Source": SOURCE,
        "Copyright": "CC-BY-4.0",
    }


def test_without_a_licence_none_is_named() -> None:
    svg = describe_svg("<svg></svg>", FigureWords("a", "b"))
    assert "rights" not in svg


def test_a_title_of_a_figure_is_what_was_found(connection: duckdb.DuckDBPyConnection) -> None:
    data = gather(connection, make_settings())
    title = title_figure(data, "heart_rate")
    # Alder 2 locks late in every workout outdoors: the demo's story.
    assert title.startswith("Alder 2 locked after ")
    assert "Alder 2" in title_figure(data, "distance")
    assert title_figure(data, "distance") == write_outcome(data, "distance")


def test_a_long_title_is_wrapped_and_no_word_is_lost() -> None:
    title = "Alder 2 locked after 4 min 3 s, followed the cadence twice, read low 3 times"
    lines = wrap_title(title, width_px=480, scale=1.0)
    assert len(lines) > 1
    assert " ".join(lines) == title


def test_the_title_of_a_square_figure_lies_within_it(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    data = gather(connection, make_settings())
    title = "Alder 2 locked after 4 min 3 s, followed the cadence twice and read low 3 times"
    for section in ("heart_rate", "track"):
        drawing = draw_workout(data)[section][0]
        svg = make_svg(
            drawing, theme="light", width=1200, height=1200, caption=("a", "b"), title=title
        )
        drawn = etree.fromstring(svg)
        texts = " ".join(text for text in drawn.itertext() if text.strip())
        assert "…" not in texts
        assert "read low 3 times" in texts


def test_hidden_positions_are_counted_apart_at_the_ends(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    data = gather(connection, make_settings())
    assert count_hidden(data, data, key=b"key") == HiddenCount(0, 0)
    series = next(one for one in data.series.values() if one.has("latitude_deg"))
    latitude, longitude = series.values("latitude_deg"), series.values("longitude_deg")
    known = [n for n, value in enumerate(latitude) if value == value]  # noqa: PLR0124 - not NaN
    for at, is_end in ((known[0], True), (known[len(known) // 2], False)):
        place = PrivatePlace(
            latitude_deg=float(latitude[at]), longitude_deg=float(longitude[at]), radius_m=60.0
        )
        settings = data.settings.model_copy(update={"private": (place,)})
        hidden = hide_private_places(replace(data, settings=settings), key=b"key")
        found = count_hidden(replace(data, settings=settings), hidden, key=b"key")
        assert found.positions > 50
        assert (found.at_ends > 0) == is_end


def test_publishing_warns_without_a_private_place_and_counts_with_one(
    home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert report(Options(home.root, quiet=False), publish=tmp_path / "one") == 0
    assert "no private place is set" in capsys.readouterr().out
    home.settings.write_text(
        "[[report.private]]\nlatitude_deg = 0.0\nlongitude_deg = 0.0\nradius_m = 100\n"
    )
    try:
        assert report(Options(home.root, quiet=False), publish=tmp_path / "two") == 0
    finally:
        home.settings.unlink()
    said = capsys.readouterr().out
    assert "inside 1 private place: 0 positions of 1 workout" in " ".join(said.split())


def test_a_figure_of_the_command_carries_its_words(
    home: Home, connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    (workout,) = connection.execute("SELECT workout_id FROM workouts").fetchone() or ("",)
    path = tmp_path / "map.png"
    assert figure(Options(home.root, quiet=True), workout, "track", None, None, path) == 0
    with Image.open(path) as image:
        assert image.size == (1600, 900)
        assert "Map of the tracks" in image.text["Description"]
        assert "latitude" not in str(image.text)


def test_a_caption_does_not_say_the_title_again(connection: duckdb.DuckDBPyConnection) -> None:
    data = gather(connection, make_settings())
    drawing = draw_workout(data)["heart_rate"][0]
    with_it, without = (
        caption_figure(data, drawing, licence="", with_title=with_title)
        for with_title in (True, False)
    )
    assert with_it[0] == f"{drawing.title}. {without[0]}"
    assert with_it[1:] == without[1:] == (SOURCE,)
