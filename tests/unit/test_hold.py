"""Holding the bar: what is sawn, gripped, left standing, and refused."""

import dataclasses

import numpy as np
import pytest

from newel.core.errors import BadInput, Infeasible
from newel.core.job import BarAsk, HoldAsk, Section, Tailstock
from newel.core.plan import Placement
from newel.planning.hold import CENTRE_LAND_MM, CLEARANCE_MM, JAW_GAP_MM, hold
from newel.planning.place import corner_radius_mm
from newel.shop.catalogue import load_shop, shipped_texts
from newel.shop.outlines import cutter_shape

SHOP = load_shop(shipped_texts())
MACHINE = next(iter(SHOP.machines.values()))
SQUARE = BarAsk(Section.SQUARE, (40.0,), "beech")


def shape_of(name):
    cutter = SHOP.cutter(name)
    return cutter_shape(cutter, SHOP.holder_of(cutter), MACHINE.spindle.nose_diameter_mm, MACHINE.spindle.nose_length_mm)


def cylinder(length, radius):
    angle = np.linspace(0.0, 2.0 * np.pi, 60)
    x = np.linspace(0.0, length, 40)
    xx, aa = np.meshgrid(x, angle)
    return np.column_stack([xx.ravel(), radius * np.cos(aa).ravel(), radius * np.sin(aa).ravel()])


def held(length=60.0, radius=15.0, bar=SQUARE, asked=None, machine=MACHINE, names=("1/8 in flat", "3 mm ball")):
    placed = Placement(np.eye(4), 0.0, length, radius)
    return hold(placed, cylinder(length, radius), bar, asked or HoldAsk(), machine, [shape_of(name) for name in names])


def test_everything_lies_in_order_along_the_bar():
    moved, bar, holding, _ = held()
    assert bar.from_x_mm == -holding.grip_mm
    assert 0.0 < holding.full_bar_to_x_mm == holding.chuck_stub.from_x_mm < holding.chuck_stub.to_x_mm == moved.part_from_x_mm
    assert holding.tailstock is Tailstock.LIVE_CENTRE
    assert moved.part_to_x_mm == holding.tail_stub.from_x_mm < holding.tail_stub.to_x_mm == holding.full_bar_from_x_mm
    assert bar.to_x_mm == holding.full_bar_from_x_mm + CENTRE_LAND_MM
    assert moved.bar_from_model[0, 3] == moved.part_from_x_mm


def test_beside_the_part_there_is_room_for_every_body():
    # derived: with the tip on the stub, one edge radius off the part's end face, no body reaches jaws or full bar
    moved, _, holding, _ = held(names=("1/8 in flat", "6 mm flat", "tapered ball R0.5, 6 mm shank"))
    corner = corner_radius_mm(SQUARE.section, SQUARE.size_mm)
    for name in ("1/8 in flat", "6 mm flat", "tapered ball R0.5, 6 mm shank"):
        shape = shape_of(name)
        tip_x, tip_z = moved.part_from_x_mm - shape.edge.radius_mm, holding.chuck_stub.radius_mm
        assert tip_x - shape.edge.radius_mm > JAW_GAP_MM
        for r, h in zip(shape.body.r_mm, shape.body.h_mm):
            if tip_z + h < corner:
                assert tip_x - r > JAW_GAP_MM
            if tip_z + h < MACHINE.chuck.jaw_swing_diameter_mm / 2.0:
                assert tip_x - r >= CLEARANCE_MM - 1e-9


def test_a_short_part_needs_no_centre():
    moved, bar, holding, _ = held(length=20.0)
    assert holding.tailstock is Tailstock.NONE
    assert holding.tail_stub is None
    assert bar.to_x_mm > moved.part_to_x_mm


def test_the_job_file_overrules():
    _, bar, holding, said = held(asked=HoldAsk(Tailstock.NONE, 15.0, 14.0, None, "corner"))
    assert (holding.grip_mm, holding.chuck_stub.radius_mm, bar.turned_deg) == (15.0, 7.0, 45.0)
    assert {item.by for item in said if item.what in ("grip", "tailstock", "A zero", "what stays standing")} == {"job file"}


def test_the_weakest_stub_follows_the_bar():
    # a part that ends in a point still keeps a stub of a sixth of the bar (common practice)
    points = cylinder(60.0, 15.0)
    points[points[:, 0] > 55.0, 1:] *= 0.01
    placed = Placement(np.eye(4), 0.0, 60.0, 15.0)
    _, _, holding, _ = hold(placed, points, SQUARE, HoldAsk(), MACHINE, [shape_of("3 mm ball")])
    assert holding.tail_stub.radius_mm == pytest.approx(0.16 * 40.0)


@pytest.mark.parametrize(
    ("change", "error"),
    [
        ({"bar": dataclasses.replace(SQUARE, length_mm=80.0)}, Infeasible),
        ({"bar": BarAsk(Section.SQUARE, (200.0,), "beech")}, Infeasible),
        ({"bar": BarAsk(Section.ROUND, (1.0,), "beech")}, Infeasible),
        ({"asked": HoldAsk(grip_mm=500.0)}, Infeasible),
        ({"asked": HoldAsk(a_zero="sideways")}, BadInput),
        ({"length": 900.0}, Infeasible),
    ],
)
def test_what_cannot_be_held_is_refused(change, error):
    with pytest.raises(error) as refused:
        held(**change)
    assert refused.value.where


def test_a_long_bar_that_is_asked_for_is_used_to_its_end():
    _, bar, holding, _ = held(bar=dataclasses.replace(SQUARE, length_mm=200.0))
    assert bar.to_x_mm - bar.from_x_mm == pytest.approx(200.0)
    assert holding.full_bar_from_x_mm == pytest.approx(bar.to_x_mm - CENTRE_LAND_MM)
