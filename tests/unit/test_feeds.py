"""Cutting data: every limit rules when it is the tightest, what the job file asks for stands, and the reasons say so."""

from __future__ import annotations

from dataclasses import replace

import pytest

from newel.core.errors import BadInput
from newel.core.job import FinishAsk, RoughAsk
from newel.mechanics.chip import engaged_from_to_deg, mean_chip_mm
from newel.mechanics.cutter_bending import cutter_compliance_mm_per_N
from newel.mechanics.edges import working_edge
from newel.mechanics.force import kienzle_peak_force_N
from newel.planning.feeds import (
    BENDING_ROUGH_MM,
    GRIP_SHARE,
    LEAST_AP_PER_DC,
    ROTARY_SHARE,
    SPINDLE_SHARE,
    Purpose,
    bounded_room_mm,
    cutting_data,
)
from newel.shop.catalogue import load_shop, shipped_texts
from newel.shop.cutters import Cutter, Form
from newel.shop.materials import Material
from plain.motions import small_mill

SHOP = load_shop(shipped_texts())
MILL = SHOP.machine("light benchtop mill")


def cutter(**changes) -> Cutter:
    flat = Cutter(
        "6 mm flat", Form.FLAT, DC=6.0, APMX=20.0, LU=20.0, LPR=28.0, DCONMS=6.0, ZEFP=2, source="invented for the demo: a test"
    )
    return replace(flat, **changes)


def soft(**changes) -> Material:
    """Something so soft that only the chart rules: 60 to 180 m/min, 0.01 to 0.03 of DC a tooth."""
    material = Material(
        name="soft stuff",
        kind="plastic",
        E_N_per_mm2=1000.0,
        G_N_per_mm2=400.0,
        density_kg_per_m3=500.0,
        kc11_N_per_mm2=(0.5, 1.0),
        mc=0.25,
        vc_m_per_min=(60.0, 180.0),
        fz_per_DC=(0.002, 0.006),
        ap_per_DC=0.5,
        ae_per_DC=0.5,
        hm_min_mm=0.002,
        cautions=(),
        sources=(),
    )
    return replace(material, **changes)


def test_the_chart_rules_where_nothing_else_does():
    """Derived: 120 m/min on 6 mm is 6366 rpm (rounded down to 6300), fz 0.004 x 6 = 0.024, vf 6300 x 2 x 0.024."""
    data = cutting_data(cutter(), soft(), small_mill(), Purpose.ROUGH, bar_radius_mm=20.0)
    assert data.spindle_rpm == 6300.0
    assert data.fz_mm == pytest.approx(0.024)
    assert data.feed_mm_per_min == pytest.approx(302.4)
    assert (data.ap_mm, data.ae_mm) == (3.0, 3.0)
    assert data.limited_by == "the chip load for this material"
    assert data.hm_mm == pytest.approx(float(mean_chip_mm(0.024, 3.0, 6.0)))
    assert all(decision.by == "Newel" and decision.because for decision in data.decisions)


def _with(machine, **parts):
    return replace(machine, **{name: replace(getattr(machine, name), **changes) for name, changes in parts.items()})


TIGHT = {
    "the spindle's power": (_with(small_mill(), spindle={"power_W": 2.0}), {}),
    "the spindle's torque": (_with(small_mill(), spindle={"torque_Nm": 0.005}), {}),
    "the rotary axis's torque at the bar's radius": (_with(small_mill(), a={"moving_torque_Nm": 0.05}), {}),
    "the jaws' grip": (_with(small_mill(), chuck={"grip_force_N": 5.0}), {}),
    "the cutter's bending": (small_mill(), {"LPR": 120.0}),
    "the axes' largest feed": (small_mill(speed_mm_per_s=3.0), {}),
}


@pytest.mark.parametrize("limit", TIGHT)
def test_the_tightest_limit_rules_and_is_kept(limit):
    machine, changes = TIGHT[limit]
    tool = cutter(**changes)
    material = soft(kc11_N_per_mm2=(20.0, 40.0), hm_min_mm=1e-6)
    data = cutting_data(tool, material, machine, Purpose.ROUGH, asked=RoughAsk(ap_mm=3.0), bar_radius_mm=20.0)
    assert data.limited_by == limit
    assert data.force_N * 20 / 1000 <= ROTARY_SHARE * machine.a.moving_torque_Nm * (1 + 1e-9)
    assert data.rotary_torque_Nm == pytest.approx(data.force_N * 0.02)
    assert data.power_W <= SPINDLE_SHARE * machine.spindle.power_W * (1 + 1e-9)
    assert data.force_N <= GRIP_SHARE * 4 * 0.15 * machine.chuck.grip_force_N * (1 + 1e-9)
    assert data.cutter_bending_mm <= BENDING_ROUGH_MM * (1 + 1e-9)
    assert data.feed_mm_per_min <= machine.x.max_feed_mm_per_min * (1 + 1e-9)
    free = cutting_data(tool, material, machine, Purpose.ROUGH, bar_radius_mm=20.0)
    if limit != "the axes' largest feed":  # a shallower cut buys a thicker chip
        assert LEAST_AP_PER_DC * 6.0 <= free.ap_mm < 3.0
        assert free.fz_mm > data.fz_mm


def test_what_the_job_file_asks_for_stands():
    asked = RoughAsk(ap_mm=1.0, ae_mm=2.0, feed_mm_per_min=123.0, spindle_rpm=5000.0)
    data = cutting_data(cutter(), soft(), small_mill(), Purpose.ROUGH, asked=asked)
    assert (data.ap_mm, data.ae_mm, data.feed_mm_per_min, data.spindle_rpm) == pytest.approx((1.0, 2.0, 123.0, 5000.0))
    assert data.limited_by == "the job file"
    assert [decision.by for decision in data.decisions[:3]] == ["job file"] * 3
    finish = cutting_data(cutter(form=Form.BALL, RE=3.0), soft(), small_mill(), Purpose.FINISH, asked=FinishAsk(cusp_mm=0.01))
    assert finish.ae_mm == pytest.approx(0.48948953, abs=5e-9)  # derived: 2 sqrt(2 R h - h2), R 3, h 0.01


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_figures_that_are_not_positive_are_refused(bad):
    for field in ("ap_mm", "ae_mm", "feed_mm_per_min", "spindle_rpm"):
        with pytest.raises(BadInput, match=field):
            cutting_data(cutter(), soft(), small_mill(), Purpose.ROUGH, asked=RoughAsk(**{field: bad}))


def test_a_drill_is_refused():
    with pytest.raises(BadInput, match="drill"):
        cutting_data(cutter(form=Form.DRILL, SIG=118.0), soft(), small_mill(), Purpose.ROUGH)


def test_a_v_is_as_fast_as_it_is_wide_at_its_depth():
    v = cutter(form=Form.V, SIG=30.0, tip_flat_mm=0.1, APMX=10.0)
    data = cutting_data(v, soft(), small_mill(), Purpose.FINISH, depth_mm=0.5)
    wide = working_edge(v, 0.5).diameter_mm  # derived: 0.1 + 2 x 0.5 tan 15 = 0.36795
    assert wide == pytest.approx(0.36795, abs=5e-6)
    assert data.spindle_rpm == 24_000.0
    assert data.vc_m_per_min == pytest.approx(3.14159265 * wide * 24.0, rel=1e-6)
    assert "as fast as the spindle may turn" in data.decisions[0].because


def test_a_chip_that_would_rub_is_made_thicker_unless_something_breaks():
    material = soft(hm_min_mm=0.05)
    data = cutting_data(cutter(), material, small_mill(), Purpose.ROUGH, bar_radius_mm=20.0)
    assert data.limited_by == "the thinnest chip that still cuts"
    assert data.hm_mm == pytest.approx(0.05)
    weak = _with(small_mill(), a={"moving_torque_Nm": 0.001})
    stalls = cutting_data(cutter(), material, weak, Purpose.ROUGH, bar_radius_mm=20.0)
    assert stalls.limited_by == "the rotary axis's torque at the bar's radius"
    assert stalls.rotary_torque_Nm <= ROTARY_SHARE * 0.001 * (1 + 1e-9)
    assert "rub" in stalls.decisions[1].because


@pytest.mark.parametrize("name", [name for name, row in SHOP.cutters.items() if row.form is not Form.DRILL])
def test_no_shipped_cutter_overloads_the_shipped_mill(name):
    """Every cutter in every material: stalls nothing, turns and feeds within the machine, and says why."""
    for material in SHOP.materials.values():
        for purpose in Purpose:
            data = cutting_data(SHOP.cutters[name], material, MILL, purpose, bar_radius_mm=28.0)
            assert MILL.spindle.min_rpm <= data.spindle_rpm <= MILL.spindle.max_rpm
            assert 0 < data.feed_mm_per_min <= min(MILL.x.max_feed_mm_per_min, MILL.y.max_feed_mm_per_min) * (1 + 1e-9)
            assert data.power_W <= SPINDLE_SHARE * MILL.spindle.power_W * (1 + 1e-9)
            assert data.rotary_torque_Nm <= ROTARY_SHARE * MILL.a.moving_torque_Nm * (1 + 1e-9)
            assert 0 < data.ap_mm <= SHOP.cutters[name].APMX
            assert 0 < data.ae_mm <= working_edge(SHOP.cutters[name], data.ap_mm).diameter_mm * (1 + 1e-9)
            assert data.limited_by and data.decisions


def test_a_held_engagement_may_be_deeper_and_the_area_stays():
    beech = SHOP.material("beech")
    data = cutting_data(cutter(), beech, MILL, Purpose.ROUGH)
    deepest, widest = bounded_room_mm(cutter(), beech, MILL, data, 28.3)
    assert data.ap_mm < deepest <= 12.0  # 2 DC
    assert widest == pytest.approx(5.4)  # 0.9 DC
    # derived: at that depth and 1.2 times the width that keeps the area, force bends the cutter no more than roughing may
    ae = 1.2 * data.ap_mm * data.ae_mm / deepest
    arc = engaged_from_to_deg(ae, 6.0, climb=False)
    force = kienzle_peak_force_N(beech.kc11_N_per_mm2[1], beech.mc, deepest, 1.0, arc, 2) * data.fz_mm ** (1.0 - beech.mc)
    assert force * 1.2207 * cutter_compliance_mm_per_N(cutter(), 0.0) <= BENDING_ROUGH_MM * 1.001  # hypot(1, 0.7)
    # what pushes harder than the feed was chosen for gets no deeper level, and a chip that would rub neither
    hard = replace(beech, kc11_N_per_mm2=(2000.0, 4000.0))
    assert bounded_room_mm(cutter(), hard, MILL, data, 28.3)[0] == data.ap_mm
    assert bounded_room_mm(cutter(), replace(beech, hm_min_mm=0.04), MILL, data, 28.3)[0] < deepest
    # an edge no longer than ap leaves nothing to gain
    assert bounded_room_mm(cutter(APMX=data.ap_mm), beech, MILL, data, 28.3)[0] == data.ap_mm
