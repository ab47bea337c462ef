"""Looking on the way through one carving against the obvious way: carve up to a row, stop, ask, carve on."""

from __future__ import annotations

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.core.job import Section
from newel.core.profile import CutterShape, outline
from newel.geometry import blank as blanks
from newel.geometry.blank import Blank, bar_blank, carve, carve_looking, inside_by_ray
from newel.mechanics.bar_sections import bar_figures
from newel.mechanics.engagement import CuttingLaw, edge_cells, engagement, engagement_along
from newel.mechanics.places_on_way import Places

BALL6 = CutterShape(outline((0, 0), (3, 3, 0, 3), (3, 12)), outline((3, 12), (3, 30)))
LAW = CuttingLaw(20.0, 0.25, 2)
ROWS = np.array([2, 2, 7, 30, 31, 55])  # one of them twice, two that follow each other


def bar() -> Blank:
    return bar_blank(Section.SQUARE, (20.0,), 0.0, 40.0, 0.0, 0.4)


def helix() -> np.ndarray:
    """Round the bar along X, turning 25 degrees a row, 4 mm deep at the flats."""
    n = 60
    return np.column_stack([np.linspace(-2.0, 42.0, n), np.full(n, 0.5), np.full(n, 6.0), 25.0 * np.arange(n)])


def places(poses: np.ndarray, rows: np.ndarray, ahead: float) -> Places:
    """Before each row, asked that share of it further on."""
    step = poses[rows] - poses[rows - 1]
    return Places(rows, poses[rows - 1] + ahead * step, step * 100.0, np.full(len(rows), 12_000.0), np.arange(len(rows)))


def stop_by_stop(poses: np.ndarray, rows: np.ndarray, ask) -> list:
    """Carve row by row and ask before each of the rows."""
    blank, found, at = bar(), [], 0
    for row in rows.tolist():
        begin = max(at - 1, 0)
        carve(blank, BALL6, poses[begin:row], np.zeros(row - begin, dtype=np.int32))
        at = row
        found.append(ask(blank, len(found)))
    return found


def looking(blank: Blank, poses: np.ndarray, rows: np.ndarray, points: list[np.ndarray]) -> list[np.ndarray]:
    """Whether the points lie in material: every other one by its Z ray."""
    ends, all_of_them = np.concatenate([[0], np.cumsum([len(some) for some in points])]), np.concatenate(points)
    told = carve_looking(blank, BALL6.edge, poses, rows, all_of_them, np.arange(len(all_of_them)) % 2 == 0, ends)
    return np.split(told, ends[1:-1])


def test_points_are_in_material_as_when_carving_stops_to_look(monkeypatch: pytest.MonkeyPatch) -> None:
    poses, rng = helix(), np.random.default_rng(5)
    points = [rng.uniform([-1.0, -11.0, -11.0], [41.0, 11.0, 11.0], (count, 3)) for count in (300, 0, 500, 1, 400, 700)]
    monkeypatch.setattr(blanks, "MOVES_AT_ONCE", 16)  # so that rows fall into several batches
    told = looking(bar(), poses, ROWS, points)
    ends = np.cumsum([0] + [len(some) for some in points])

    def ask(blank: Blank, k: int) -> np.ndarray:
        return inside_by_ray(blank, points[k], (ends[k] + np.arange(len(points[k]))) % 2 == 0)

    plain = stop_by_stop(poses, ROWS, ask)
    assert [len(one) for one in told] == [300, 0, 500, 1, 400, 700]
    # a fiftieth of the pitch is given away on curves: 0.008 mm beside some 20 mm that a point may lie in
    assert np.mean(np.concatenate(told) != np.concatenate(plain)) < 0.004
    assert 0.2 < np.mean(np.concatenate(told)) < 0.8


def test_a_blank_that_runs_out_of_nodes_looks_before_the_move_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    poses, rng = helix(), np.random.default_rng(6)
    points = [rng.uniform([-1.0, -11.0, -11.0], [41.0, 11.0, 11.0], (2000, 3)) for _ in ROWS]
    roomy = looking(bar(), poses, ROWS, points)
    tight, grown = bar(), []
    # no node to spare in any slab
    tight.yz.free[:, 1] = 0
    more = blanks._roomier
    monkeypatch.setattr(blanks, "_roomier", lambda pool: (grown.append(1), more(pool))[1])
    again = looking(tight, poses, ROWS, points)
    assert grown
    for one, other in zip(roomy, again, strict=True):
        np.testing.assert_array_equal(one, other)


def test_engagement_along_a_way_is_what_asking_at_stops_finds() -> None:
    poses = helix()
    asked = places(poses, ROWS, 0.3)
    blank = bar()
    found = engagement_along(blank, BALL6.edge, poses, asked, LAW)
    cells = edge_cells(BALL6.edge)

    def ask(bar_now: Blank, k: int):
        return engagement(bar_now, cells, asked.pose[k : k + 1], asked.rate_per_min[k : k + 1], asked.spindle_rpm[:1], LAW, 0.0)

    plain = stop_by_stop(poses, ROWS, ask)
    assert (found.area_mm2[2:] > 1.0).all()
    for name in ("area_mm2", "side_N", "spindle_Nm", "rotary_Nm"):
        np.testing.assert_allclose(getattr(found, name), [getattr(one, name)[0] for one in plain], rtol=0.02, atol=1e-3)
    # sections may be taken of what is left
    whole = bar()
    carve(whole, BALL6, poses, np.zeros(len(poses), dtype=np.int32))
    np.testing.assert_allclose(bar_figures(blank, 40.0).area_mm2, bar_figures(whole, 40.0).area_mm2, rtol=2e-3)


def test_no_place_asked_is_none_found_and_the_bar_is_cut_all_the_same() -> None:
    poses, blank = helix(), bar()
    found = engagement_along(blank, BALL6.edge, poses, places(poses, ROWS[:0], 0.3), LAW)
    assert len(found.side_N) == 0
    assert bar_figures(blank, 40.0).area_mm2.sum() < 0.9 * bar_figures(bar(), 40.0).area_mm2.sum()


@pytest.mark.parametrize(("rows", "points"), [([5, 3], 2), ([3], 2), ([60], 1), ([-1], 1)])
def test_rows_out_of_order_or_out_of_the_way_are_refused(rows: list[int], points: int) -> None:
    with pytest.raises(BadInput):
        looking(bar(), helix(), np.array(rows), [np.zeros((1, 3))] * points)
