"""A trial cut's readings give back the cutting force they were made from; the shop's commands write, prove and fit."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from click.testing import CliRunner

from newel.app.cli import newel
from newel.app.machine_questions import QUESTIONS, answered, machine_text
from newel.core.errors import BadInput
from newel.mechanics.edges import working_edge
from newel.mechanics.force import kienzle_mean_torque_Nm, kienzle_peak_force_N
from newel.mechanics.trial_fit import TrialSlot, from_grams, from_slip, from_stall, from_watts, mean_across_N, together
from newel.shop.catalogue import load_shop, shipped_texts

SHOP = load_shop(shipped_texts())
CUTTER = SHOP.cutter("6 mm flat")
SLOT = TrialSlot(1.0, 12_000.0, 14.5, (200.0, 400.0, 800.0, 1600.0))
KC, MC = 60.0, 0.25


def torque(step: int) -> float:
    edge = working_edge(CUTTER, 1.0)
    return kienzle_mean_torque_Nm(KC, MC, edge.length_mm, SLOT.fz_mm(CUTTER, step), (0.0, 180.0), CUTTER.ZEFP, 6.0)


def test_watts_give_back_the_force_they_came_from() -> None:
    """Derived: the drive draws the cutting power over its efficiency, 0.8 in the middle of its band."""
    drawn = torque(3) * 2.0 * math.pi * SLOT.spindle_rpm / 60.0 / 0.8
    band = from_watts(CUTTER, SLOT, MC, 3, drawn)
    assert band.middle == pytest.approx(KC, rel=1e-9)
    assert band.low < 0.8 * KC and band.high > 1.2 * KC
    with pytest.raises(BadInput):
        from_watts(CUTTER, SLOT, MC, 3, 0.0)


def test_a_stall_brackets_the_force() -> None:
    """Derived: a spindle that has the torque of step 2.5 stalls at 3 and not at 2."""
    band = from_stall(CUTTER, SLOT, MC, 3, math.sqrt(torque(2) * torque(3)))
    assert band.low < KC < band.high
    assert band.low == pytest.approx(KC * math.sqrt(torque(2) / torque(3)), rel=1e-9)
    assert math.isinf(from_stall(CUTTER, SLOT, MC, 1, torque(1)).high)


def test_a_slip_brackets_the_force() -> None:
    def moment(step: int) -> float:
        return kienzle_peak_force_N(KC, MC, 1.0, SLOT.fz_mm(CUTTER, step), (0.0, 180.0), CUTTER.ZEFP) * 14.5e-3

    band = from_slip(CUTTER, SLOT, MC, 4, 0.5 * (moment(3) + moment(4)))
    assert band.low < KC < band.high


def test_grams_give_back_the_force_they_came_from() -> None:
    """Derived: for mc = 0 the mean across a slot is z b fz / (2 pi) times pi / 2, a quarter of z b fz."""
    assert mean_across_N(CUTTER, SLOT, 0.0, 2) == pytest.approx(CUTTER.ZEFP * SLOT.fz_mm(CUTTER, 2) / 4.0, rel=1e-6)
    grams = KC * mean_across_N(CUTTER, SLOT, MC, 4) * 14.5 / 200.0 / 9.81 * 1000.0
    assert from_grams(CUTTER, SLOT, MC, 4, grams, 200.0).middle == pytest.approx(KC, rel=1e-9)


def test_readings_that_agree_narrow_the_band_and_others_widen_it() -> None:
    watts = from_watts(CUTTER, SLOT, MC, 3, torque(3) * 2.0 * math.pi * 200.0 / 0.8)
    stall = from_stall(CUTTER, SLOT, MC, 3, math.sqrt(torque(2) * torque(3)))
    low, middle, high = together([watts, stall])
    assert max(watts.low, stall.low) == low <= middle <= high == min(watts.high, stall.high)
    off = from_watts(CUTTER, SLOT, MC, 3, torque(3) * 2.0 * math.pi * 200.0 / 0.8 * 10.0)
    assert together([watts, off])[0] == watts.low and together([watts, off])[2] == off.high
    with pytest.raises(BadInput):
        together([])


def test_a_trial_program_is_written_and_proved(tmp_path: Path) -> None:
    target = tmp_path / "trial.ngc"
    found = CliRunner().invoke(newel, ["shop", "trial", "medium tooling board", "6 mm flat", "-o", str(target)])
    assert found.exit_code == 0, found.output
    assert f"{target}: proved" in found.output
    text = target.read_text()
    assert text.count("(step ") == 6
    fit = ["shop", "fit", "medium tooling board", "6 mm flat", "--idle", "50", "--watts", "6=62"]
    told = CliRunner().invoke(newel, fit, catch_exceptions=False, standalone_mode=False)
    row = told.output[told.output.index("format = 1") :]
    shop = load_shop({**shipped_texts(), "mine": row})
    low, high = shop.material("medium tooling board").kc11_N_per_mm2
    assert 0.0 < low < high


def test_a_machine_is_described_in_fifteen_questions(tmp_path: Path) -> None:
    assert len(QUESTIONS) == 15
    text = machine_text(answered({"name": "bench", "chuck": "80 45 92 20 18 0"}, None))
    machine = load_shop({**shipped_texts(), "mine": text}).machine("bench")
    assert machine.tailstock is None and machine.a.holding_torque_Nm == 4.0
    # derived: 800 W at 24 000 rpm
    assert machine.spindle.torque_Nm == pytest.approx(0.318, abs=5e-4)
    with pytest.raises(BadInput):
        answered({"travel": "wide"}, None)
    with pytest.raises(BadInput):
        answered({"colour": "red"}, None)
    with pytest.raises(BadInput):
        machine_text(answered({"a-sense": "0"}, None))
    target = tmp_path / "mine.toml"
    asked = CliRunner().invoke(newel, ["shop", "new-machine", "-o", str(target)], input="bench\n" + "\n" * 14)
    assert asked.exit_code == 0, asked.output
    assert "bench" in load_shop({**shipped_texts(), "mine": target.read_text()}).machines
