from __future__ import annotations

from itertools import combinations

import pytest

from tasks.report.looks import THEMES, Theme, deal_looks, make_config

ROLES = ["test", "predecessor", "reference", "peer"] * 2


def find_luminance(colour: str) -> float:
    """Relative luminance of a colour; WCAG 2.2, definition of relative luminance."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def find_contrast(one: str, other: str) -> float:
    """Contrast ratio; WCAG 2.2, definition of contrast ratio."""
    low, high = sorted((find_luminance(one), find_luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_rule_itself_is_right() -> None:
    # Black on white is 21:1, and #767676 on white the darkest grey that just passes (WCAG 2.2).
    assert find_contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert find_contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("theme", THEMES)
def test_every_line_stands_out_from_the_paper(theme: Theme) -> None:
    paper = make_config(theme)["background"]
    for look in deal_looks(ROLES):
        # 3:1 is what WCAG 2.2, 1.4.11 asks of graphics.
        assert find_contrast(look.colour(theme), paper) >= 3.0


@pytest.mark.parametrize("theme", THEMES)
def test_text_of_charts_has_the_contrast_of_text(theme: Theme) -> None:
    config = make_config(theme)
    for ink in (config["axis"]["labelColor"], config["axis"]["titleColor"]):
        assert find_contrast(ink, config["background"]) >= 4.5


def test_in_grey_two_devices_differ_by_line_style_and_shape() -> None:
    for one, other in combinations(deal_looks(ROLES), 2):
        assert (one.dash, one.width) != (other.dash, other.width)
        assert one.shape != other.shape
        assert one.light != other.light
        assert one.dark != other.dark


def test_a_role_looks_the_same_whatever_was_worn_before() -> None:
    alone = deal_looks(["test", "predecessor"])
    among = deal_looks(["reference", "peer", "predecessor", "peer", "test"])
    assert (among[4], among[2]) == alone


def test_a_device_that_comes_later_changes_no_earlier_look() -> None:
    roles = ["peer"] * 5 + ["test", "peer", "reference"]
    for n in range(len(roles)):
        assert deal_looks(roles)[:n] == deal_looks(roles[:n])


def test_no_two_of_eight_devices_look_alike_and_a_ninth_has_one_too() -> None:
    looks = deal_looks(["peer"] * 9)
    assert len(set(looks[:8])) == 8
    assert looks[8] in looks[:8]
