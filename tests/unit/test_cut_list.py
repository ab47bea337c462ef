"""Sawing pieces from stock: the least length, by published examples, by closed sums and by brute force."""

from itertools import combinations_with_replacement, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from newel.core.errors import Infeasible
from newel.planning.cut_list import Sawing, Sawn, Stock, sawing


def pieces(*lengths: float) -> list[Sawn]:
    return [Sawn(f"p{k}", length) for k, length in enumerate(lengths)]


def from_one(lengths: list[float], stock: float, kerf: float) -> Sawing:
    return sawing(pieces(*lengths), [Stock(stock)], kerf)


def least(lengths: list[float], stock: list[Stock], kerf: float) -> float:
    """Try every choice of bars and every way of sharing out (the plain twin); inf where none holds them."""
    best = float("inf")
    for bars in range(1, len(lengths) + 1):
        for chosen in combinations_with_replacement(range(len(stock)), bars):
            if any(one.count is not None and chosen.count(k) > one.count for k, one in enumerate(stock)):
                continue
            total = sum(stock[k].length_mm for k in chosen)
            if total < best and any(
                fits(lengths, [stock[k].length_mm for k in chosen], kerf, way)
                for way in product(range(bars), repeat=len(lengths))
            ):
                best = total
    return best


def fits(lengths: list[float], bars: list[float], kerf: float, way: tuple[int, ...]) -> bool:
    loads = [[size for size, b in zip(lengths, way, strict=True) if b == bar] for bar in range(len(bars))]
    return all(sum(load) + kerf * max(0, len(load) - 1) <= bar + 1e-9 for load, bar in zip(loads, bars, strict=True))


def check(sawn: Sawing, count: int, kerf: float) -> None:
    """Every piece once, and no bar overfull."""
    assert sorted(piece.name for bar in sawn.bars for piece in bar.pieces) == sorted(f"p{k}" for k in range(count))
    for bar in sawn.bars:
        used = sum(piece.length_mm for piece in bar.pieces) + kerf * (len(bar.pieces) - 1)
        assert used <= bar.stock_mm + 1e-9
        assert bar.left_mm == pytest.approx(max(0.0, bar.stock_mm - used - kerf))  # the last piece is sawn off, too


def test_the_last_piece_of_a_bar_needs_no_saw_cut() -> None:
    (bar,) = from_one([100, 100, 96], 300, 2).bars  # derived: 296 + 2 kerfs of 2
    assert bar.left_mm == pytest.approx(0.0)
    assert len(from_one([100, 100, 97], 300, 2).bars) == 2


def test_first_fit_is_not_enough() -> None:
    lengths = [60.0, 40.0, 40.0, 30.0, 30.0, 30.0, 30.0, 20.0, 20.0]
    sawn = from_one(lengths, 100, 0)
    assert len(sawn.bars) == 3 and sawn.least  # derived: the lengths sum to 300


def test_rolls_of_a_paper_mill() -> None:
    # published: V. Chvátal, Linear Programming (1983), chapter 13 (cited from memory): from raws of 100 inches 97 finals
    # of 45, 610 of 36, 395 of 31, 211 of 14. derived: at prices of 1/2, 1/2, 1/4, 0 no raw is worth more than 1, all
    # finals together 452.25; so 453 are needed.
    lengths = [45.0] * 97 + [36.0] * 610 + [31.0] * 395 + [14.0] * 211
    sawn = from_one(lengths, 100, 0)
    check(sawn, len(lengths), 0)
    assert len(sawn.bars) == 453 and sawn.least


def test_thirteen_widths_from_one() -> None:
    # published: the encyclopaedia Wikipedia, "Cutting stock problem": 73 rolls of 5600 mm, 0.401 % waste
    asked = {1380: 22, 1520: 25, 1560: 12, 1710: 14, 1820: 18, 1880: 18, 1930: 20, 2000: 10, 2050: 12, 2100: 14, 2140: 16}
    asked |= {2150: 18, 2200: 20}
    lengths = [float(width) for width, count in asked.items() for _ in range(count)]
    sawn = from_one(lengths, 5600, 0)
    check(sawn, len(lengths), 0)
    assert len(sawn.bars) == 73 and sawn.least
    assert 100 * (1 - sum(lengths) / sawn.stock_mm) == pytest.approx(0.401, abs=0.0005)


@given(st.lists(st.integers(1, 10), min_size=1, max_size=6), st.integers(0, 2))
def test_as_few_bars_as_brute_force(lengths: list[int], kerf: int) -> None:
    sawn = from_one([float(size) for size in lengths], 12.0, float(kerf))
    assert sawn.least and sawn.stock_mm == least([float(size) for size in lengths], [Stock(12.0)], float(kerf))
    check(sawn, len(lengths), kerf)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.integers(1, 9), min_size=1, max_size=5),
    st.lists(st.tuples(st.integers(5, 14), st.one_of(st.none(), st.integers(0, 2))), min_size=1, max_size=3),
    st.integers(0, 2),
)
def test_several_lengths_and_bars_at_hand(lengths: list[int], stock: list[tuple[int, int | None]], kerf: int) -> None:
    bars = [Stock(float(length), count) for length, count in stock]
    expected = least([float(size) for size in lengths], bars, float(kerf))
    if expected == float("inf"):
        with pytest.raises(Infeasible):
            sawing(pieces(*map(float, lengths)), bars, float(kerf))
        return
    sawn = sawing(pieces(*map(float, lengths)), bars, float(kerf))
    assert sawn.least and sawn.stock_mm == expected
    check(sawn, len(lengths), kerf)
    for one in bars:
        if one.count is not None and not any(other.length_mm == one.length_mm for other in bars if other is not one):
            assert sum(bar.stock_mm == one.length_mm for bar in sawn.bars) <= one.count


def test_many_lengths_are_sawn_by_first_fit() -> None:
    lengths = [40.0 + 0.37 * k for k in range(120)]
    sawn = from_one(lengths, 1000.0, 2.0)
    check(sawn, len(lengths), 2.0)
    assert sawn.stock_mm <= 1000.0 * (11 / 9 * -(-sum(size + 2 for size in lengths) // 1002) + 1)  # Johnson 1973, from below


def test_a_piece_longer_than_the_stock_is_refused() -> None:
    with pytest.raises(Infeasible, match="p1 needs"):
        from_one([10, 400], 300, 2)
