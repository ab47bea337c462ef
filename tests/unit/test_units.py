"""Lengths as people write them, and as they read them back."""

import pytest

from newel.core.errors import BadInput
from newel.core.units import degrees, duration, fixed, length_mm, mm, percent


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # derived: 1 inch is 25.4 mm exactly
        ("40", 40.0),
        (40, 40.0),
        ("40 mm", 40.0),
        ("4 cm", 40.0),
        ("1 in", 25.4),
        ('1"', 25.4),
        ("1/8 in", 3.175),
        ("1 1/2 in", 38.1),
        ("1-1/2 in", 38.1),
        (".5 in", 12.7),
        ("-2.5", -2.5),
        ("1e1 mm", 10.0),
    ],
)
def test_lengths_are_read(text, expected):
    assert length_mm(text) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    "text", ["", "forty", "1/0 in", "nan", "inf", float("nan"), float("inf"), "1 2", "1.5/2", "3 ft", True, "1 .5 in"]
)
def test_what_is_no_length_is_refused(text):
    with pytest.raises(BadInput):
        length_mm(text)


@pytest.mark.parametrize(
    ("minutes", "expected"),
    [(0.8, "48 s"), (12.0833, "12 min 05 s"), (123.0, "2 h 03 min"), (0.9999, "1 min 00 s"), (float("nan"), "unknown time")],
)
def test_durations_are_printed(minutes, expected):
    assert duration(minutes) == expected


def test_figures_are_printed_with_their_unit():
    assert mm(12.50) == "12.5 mm"
    assert mm(-0.0001) == "0 mm"
    assert degrees(45.0) == "45°"


@pytest.mark.parametrize(
    ("value", "decimals", "expected"),
    [
        (0.0, 1, "0.0 %"), (0.02, 1, "under 0.1 %"), (0.05, 1, "0.1 %"), (0.004, 2, "under 0.01 %"), (12.34, 1, "12.3 %"),
        (99.94, 1, "99.9 %"), (99.96, 1, "over 99.9 %"), (100.0, 1, "100.0 %"),
    ],
)  # fmt: skip
def test_a_share_is_never_rounded_to_none_or_all(value, decimals, expected):
    assert percent(value, decimals) == expected


@pytest.mark.parametrize(
    ("value", "decimals", "expected"),
    [(60.25, 1, "60.3"), (-60.25, 1, "-60.3"), (60.35, 1, "60.4"), (2.5, 0, "3"), (1.005, 2, "1.00"), (1e30, 0, f"{1e30:.0f}")],
)
def test_what_lies_halfway_is_printed_as_the_page_prints_it(value, decimals, expected):
    # derived: ECMA-262, Number.prototype.toFixed: of two as near it takes the larger, by magnitude; 60.35 lies above its middle
    # as a float, 1.005 below
    assert fixed(value, decimals) == expected


def test_a_figure_that_is_none_is_printed_as_it_is():
    assert mm(float("nan")) == "nan mm"
