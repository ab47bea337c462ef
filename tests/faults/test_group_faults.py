"""Surfaces with a tolerance of their own: two flats on the bench's bar, cut at A0 and A90, judged one by one.

Expected figures are derived: the height that the program's text cuts each flat at, and the model's.
"""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest

from faults.proof_bench import MACHINE, SETUP, edited
from faults.test_turning_faults import SIDES
from newel.core.asked import NamedFace, SurfaceGroup
from newel.core.dialect import ReadTraits
from newel.core.job import ProofAsk
from newel.proof.prove import Case, prove_case

FIRST = SurfaceGroup("first", 0.0, 3.0, None, None, 0.05, None)
SECOND = SurfaceGroup("second", 90.0, 3.0, None, None, 0.05, None)


def flats(first: float = 4.5, second: float = 4.5):
    """The bar from X 13.2 to 16.8 with a flat up (+Z) and one toward +Y, which A90 brings up."""
    round_bar = manifold3d.Manifold.cylinder(3.6, 5.0, 5.0, 180).rotate((0.0, 90.0, 0.0)).translate((13.2, 0.0, 0.0))
    box = manifold3d.Manifold.cube((20.0, 5.0 + second, 5.0 + first)).translate((5.0, -5.0, -5.0))
    raw = (round_bar ^ box).to_mesh64()
    return np.asarray(raw.vert_properties)[:, :3].copy(), np.asarray(raw.tri_verts).astype(np.int64)


def proof_of(text: str, *groups: SurfaceGroup, model=None):
    case = Case(
        (("p", text),), SETUP, MACHINE, model or flats(), ProofAsk(0.2), ReadTraits(), 0.05, SETUP.cutters, None, (), groups
    )
    return prove_case(case, lambda *_: None)


def codes(proof):
    return {item.code for item in proof.findings if item.code.startswith("group")}


def test_flats_as_asked_are_clean_and_told_apart():
    proof = proof_of(SIDES, FIRST, SECOND)
    assert codes(proof) == set()
    for group in proof.deviation.groups:
        assert group.within_tolerance_pct == pytest.approx(100.0)
        assert group.mean_mm == pytest.approx(0.0, abs=0.005)
        # derived: a chord at 4.5 in a circle of 5 is 4.36 wide; 3.6 of it, of 3.6 x 31.2 and two ends of 75.6 mm2 each
        assert group.area_pct == pytest.approx(100.0 * 4.36 * 3.6 / (3.6 * 31.2 + 2.0 * 75.6), abs=0.6)


def test_a_flat_left_high_breaks_its_own_tolerance_and_only_that():
    high = edited(SIDES, L11="G1 Z4.54 A90 F300")  # within the part's 0.05, not within a group's 0.02
    close = SurfaceGroup("second", 90.0, 3.0, None, None, 0.02, None)
    proof = proof_of(high, FIRST, close)
    assert codes(proof) == {"group-off"}
    first, second = proof.deviation.groups
    assert first.within_tolerance_pct == pytest.approx(100.0)
    assert second.mean_mm == pytest.approx(0.04, abs=0.005)
    assert "left-over" in {item.code for item in proof.findings}  # the group counts by its own tolerance in the whole too


def test_a_wider_tolerance_lets_stand_what_the_part_s_own_does_not():
    high = edited(SIDES, L11="G1 Z4.6 A90 F300")
    wide = SurfaceGroup("second", 90.0, 3.0, None, None, 0.15, None)
    assert codes(proof_of(high, SECOND)) == {"group-off"}
    assert codes(proof_of(high, wide)) == set()


def test_an_allowance_may_stand():
    high = edited(SIDES, L11="G1 Z4.7 A90 F300")
    left = SurfaceGroup("second", 90.0, 3.0, None, None, None, 0.2)
    proof = proof_of(high, left)
    assert codes(proof) == set()
    assert proof.deviation.groups[0].highest_mm == pytest.approx(0.2, abs=0.01)


def test_a_gouge_is_one_whatever_the_group():
    low = edited(SIDES, L11="G1 Z4.4 A90 F300")
    wide = SurfaceGroup("second", 90.0, 3.0, None, None, 0.5, None)
    assert "gouge" in {item.code for item in proof_of(low, wide).findings}


def test_a_named_face_is_found_where_it_lies():
    face = NamedFace(
        np.array([15.0, 4.5, 0.0]), np.array([0.0, 1.0, 0.0]), None, np.array([13.2, 4.5, -2.2]), np.array([16.8, 4.5, 2.2])
    )
    named = SurfaceGroup("named", None, None, None, (face,), 0.05, None)
    assert proof_of(SIDES, named).deviation.groups[0].within_tolerance_pct == pytest.approx(100.0)
    assert codes(
        proof_of(edited(SIDES, L11="G1 Z4.52 A90 F300"), SurfaceGroup("named", None, None, None, (face,), 0.01, None))
    ) == {"group-off"}


def test_a_group_that_nothing_belongs_to_is_told():
    assert codes(proof_of(SIDES, SurfaceGroup("none", 45.0, None, None, None, 0.05, None))) == {"group-empty"}
