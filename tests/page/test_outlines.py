"""What a plan draws on the page: holes where they open, sides as the set-up sees them, cuts found again in the program."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

import sample_results
from newel.app.page.outlines import NO_SIDE, cut_rows, outline_pack, plan_facts, side_cells
from newel.app.page.packing import Pack
from newel.core.plan import CutKind, Hole, Plan, Side
from newel.core.reach import ReachMap
from newel.geometry.radial_map import MapGrid


def _plan() -> Plan:
    """The sample's plan with one drilled hole at a side: 5 mm wide at X 50, the bar turned by 90 degrees."""
    sample = sample_results.results()
    cut = sample.plan.cuts[0]
    hole = Hole(50.0, 0.0, 10.0, 2.0, 5.0, through=False)
    drill = replace(cut, number=2, name="drill hole at 90° with 5 mm drill", kind=CutKind.DRILL, turn_deg=90.0, holes=(hole,))
    return replace(sample.plan, cuts=(cut, drill), sides=(Side(90.0, 0.5, "a hole"),))


def _array(pack: Pack, name: str, kind: str) -> np.ndarray:
    entry = pack.table[name]
    return np.frombuffer(pack.content(), kind, entry["length"], entry["offset"])


class _Course:
    """Four rows of one program: lines 3, 4, 6, 7."""

    program = np.zeros(4, int)
    motion = SimpleNamespace(line=np.array([3, 4, 6, 7]))
    minutes = np.array([1.0, 2.0, 3.0, np.nan])

    def __len__(self) -> int:
        return 4


def test_a_hole_is_drawn_where_it_opens() -> None:
    # at a turn of 90 about +X what faces up (+Z) is what faces +Y at turn 0: the ring lies at y = 10, in X and Z
    points = _array(outline_pack(_plan(), sample_results.setup()), "points", "<f4").reshape(-1, 3)
    assert points[:, 1] == pytest.approx(np.full(len(points), 10.0), abs=1e-5)
    assert np.hypot(points[:, 0] - 50.0, points[:, 2]) == pytest.approx(np.full(len(points), 2.5), abs=1e-5)


def test_where_x_runs_toward_the_chuck_all_stands_half_a_turn_about_z() -> None:
    setup = replace(sample_results.setup(), along_x=-1)
    points = _array(outline_pack(_plan(), setup), "points", "<f4").reshape(-1, 3)
    assert points[:, 0].mean() == pytest.approx(-50.0, abs=0.2)
    assert points[:, 1] == pytest.approx(np.full(len(points), -10.0), abs=1e-5)
    assert plan_facts(_plan(), setup)["sides"][0]["turn_deg"] == 270.0


def test_each_cell_knows_the_side_that_reaches_it() -> None:
    cells = MapGrid(0.0, 10.0, 2, 4)  # rows look along turns of 45, 135, 225, 315 degrees
    place = np.array([[2.5, 5.0 * np.sin(np.pi / 4), 5.0 * np.cos(np.pi / 4)]])
    reach = ReachMap(place, place, np.array([0]), np.array([0]), ("reached",))
    heights = np.zeros((4, 2))
    heights[0, 0] = heights[2, 0] = 5.0
    found = side_cells(reach, sample_results.setup(), heights, cells)
    assert found[0, 0] == 0
    assert found[2, 0] == NO_SIDE  # too far from every place that was asked
    assert found[0, 1] == NO_SIDE  # no part


def test_cuts_are_found_by_the_comments_before_them_and_not_in_foreign_programs() -> None:
    plan = _plan()
    course = _Course()
    text = f"(a job)\n({plan.cuts[0].name})\nG1 X1\nG1 X2\n({plan.cuts[1].name.replace('°', ' ')})\nG1 X3\nM30\n"
    rows = cut_rows(plan, course, (("program.ngc", text),))  # type: ignore[arg-type]
    assert rows[0] == {"first": 0, "last": 2, "minutes": 3.0}
    assert rows[1] == {"first": 2, "last": 4, "minutes": 3.0}
    foreign = cut_rows(plan, course, (("other.nc", "G1 X1\n"),))  # type: ignore[arg-type]
    assert [row["first"] for row in foreign] == [-1, -1]
