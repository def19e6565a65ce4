"""Charts of how large errors are agree with the metrics of the same seconds."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from tasks.report.charts.agreement import list_ticks
from tasks.report.charts.errors import compute_within, draw_scatter, draw_within
from tests.unit.report.test_write import gather, make_settings

if TYPE_CHECKING:
    import duckdb


def test_the_curve_passes_through_the_metrics_of_the_whole_workout(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    data = gather(connection, make_settings())
    table = draw_within(data)[0].tables["within"]
    for recording_id in data.pairs:
        label = data.recording(recording_id).device.label
        shares = {
            bpm: share
            for bpm, share, device in zip(
                table["bpm"], table["share"], table["device"], strict=True
            )
            if device == label
        }
        result = data.find(recording_id, "hr_within_5_bpm_pct")
        assert result is not None
        assert shares[5.0] == pytest.approx(result.value, abs=0.01)
        assert sorted(shares.values()) == list(shares.values())


def test_shares_are_those_of_paper_and_pencil() -> None:
    sizes = np.array([0.0, 1.0, 1.0, 4.0])
    edges = np.array([0.0, 0.5, 1.0, 3.9, 4.0])
    assert compute_within(sizes, edges).tolist() == [25.0, 25.0, 75.0, 75.0, 100.0]


def test_the_scatter_holds_every_scored_second_once(connection: duckdb.DuckDBPyConnection) -> None:
    data = gather(connection, make_settings())
    drawings = draw_scatter(data)
    assert len(drawings) == len(data.pairs) > 1
    for drawing, pair in zip(drawings, data.pairs.values(), strict=True):
        assert sum(drawing.tables["points"]["n"]) == int(pair.is_scored.sum())
        layers = drawing.spec["layer"]
        across, up = layers[1]["encoding"]["x"], layers[1]["encoding"]["y"]
        # Equal axes, so that the line of equality is what it says.
        assert across["scale"] == up["scale"]


def test_ticks_are_round_and_within_the_heart_rates() -> None:
    assert list_ticks(83.0, 121.0) == [90.0, 100.0, 110.0, 120.0]
    assert list_ticks(61.0, 182.0) == [80.0, 100.0, 120.0, 140.0, 160.0, 180.0]
