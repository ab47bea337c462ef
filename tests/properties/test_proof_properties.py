"""Properties of proofs: what must hold for any program, whatever its numbers."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from faults.proof_bench import JOURNAL, SETUP, edited, proved, told
from newel.geometry.blank import TURN_CHORD_MM, volume_mm3
from newel.proof.kinematics import pose_from_axes
from newel.proof.results import Verdict

QUICK = settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])

MADE_MM2 = 60.0  # what a row makes of surface at once: half round the bar of 10 mm, as wide as the 4 mm cutter

numbers = st.floats(-5.0, 25.0).map(lambda value: round(value, 2))


@st.composite
def moves(draw: st.DrawFn) -> str:
    """Draw a few random moves, safe or not."""
    lines = []
    for _ in range(draw(st.integers(1, 5))):
        words = [f"{letter}{draw(numbers)}" for letter in draw(st.sets(st.sampled_from("XYZA"), min_size=1))]
        lines.append(f"{draw(st.sampled_from(['G0', 'G1']))} {' '.join(sorted(words))}" + " F500")
    return "\n".join(lines)


def shaped(text: str) -> str:
    return edited(JOURNAL, L8=text, L9="G0 Z20", L10="", L11="", L12="", L13="", L14="")


@QUICK
@given(moves())
def test_what_is_gone_is_what_the_rows_removed(text: str) -> None:
    whole = proved(edited(JOURNAL, L7="G0 Z20", L8="", L9="", L10="", L11="", L12="", L13="", L14=""))
    proof = proved(shaped(text))
    gone = volume_mm3(whole.blank) - volume_mm3(proof.blank)
    assert gone >= -1e-6  # cutting never adds material
    assert proof.removed_mm3.min() >= 0.0
    assert proof.removed_mm3.sum() == pytest.approx(gone, rel=1e-3, abs=0.02)


@QUICK
@given(moves(), st.sampled_from([1, -1]))
def test_spacing_case_and_comments_change_nothing(text: str, sense: int) -> None:
    setup = replace(SETUP, a_sense=sense)
    plain = proved(shaped(text), setup=setup)
    dressed = proved(shaped("\n".join(line.lower().replace(" ", "  ") + " (words)" for line in text.splitlines())), setup=setup)
    assert told(plain) == told(dressed)
    assert np.array_equal(plain.removed_mm3, dressed.removed_mm3)


@QUICK
@example("G0 X0.0 Y0.0 Z0.0 F500\nG0 X1.0 F500\nG0 A1.0 X0.0 Y2.75 Z0.0 F500")
@given(moves())
def test_an_inch_program_is_its_mm_twin(text: str) -> None:
    def inch(match: re.Match[str]) -> str:
        return f"{match[1]}{float(match[2]) / 25.4:.7f}"

    mm = shaped(text)
    inches = re.sub(r"([XYZF])(-?\d+(?:\.\d+)?)", inch, mm).replace("G21", "G20")
    one, two = proved(mm), proved(inches)
    assert told(one) == told(two)
    # a hair's difference may split a turning move into one piece more or less: within the chord error, not within rounding
    assert one.removed_mm3 == pytest.approx(two.removed_mm3, rel=1e-3, abs=TURN_CHORD_MM * MADE_MM2)


@QUICK
@given(moves(), st.integers(-2, 2))
def test_whole_turns_of_a_zero_change_nothing(text: str, turns: int) -> None:
    turned = replace(SETUP, a_zero_deg=360.0 * turns)
    assert proved(shaped(text)).removed_mm3 == pytest.approx(proved(shaped(text), setup=turned).removed_mm3, rel=1e-3, abs=2e-3)


@QUICK
@given(st.text(alphabet="GMTXYZAFSHIJKR0123456789.-+ \n()%#[]", max_size=60))
def test_any_text_gets_a_verdict(text: str) -> None:
    proof = proved(edited(JOURNAL, L8=text))
    assert proof.verdict in (Verdict.PROVED, Verdict.NOT_PROVED)


@given(st.lists(st.tuples(*[st.floats(-1e4, 1e4)] * 4), min_size=1, max_size=5), st.sampled_from([1, -1]), st.floats(-720, 720))
def test_forward_then_back_is_where_it_began(rows: list[tuple[float, ...]], sense: int, zero: float) -> None:
    setup = replace(SETUP, a_sense=sense, a_zero_deg=zero, table_from_program_mm=(1.5, -2.5, 30.0))
    axes = np.array(rows)
    pose = pose_from_axes(axes, setup)
    back = np.column_stack([pose[:, :3] - np.array(setup.table_from_program_mm), sense * pose[:, 3] - zero])
    assert back == pytest.approx(axes, abs=1e-9)
