"""A sample of the mutation bench: spoilt programs that do harm, by a slow check of its own, are never proved.

The whole bench is benchmarks/bench_mutations.py. Here: two programs written by hand, a coarser bar of points, two dozen faults.
"""

from __future__ import annotations

from random import Random

import pytest

from faults.mutations import WAYS, Sound, journal, sides
from faults.proof_bench import proved
from newel.core.findings import Severity
from newel.proof.results import Proof, Verdict
from plain.harm_plain import Scene, harm_of, scene

SOUNDS = {sound.name: sound for sound in (journal(), sides())}
FAULTS_EACH = 12


@pytest.fixture(scope="module")
def benches() -> dict[str, Scene]:
    return {name: scene(s.setup, s.machine, s.inside, 0.65, 2.5) for name, s in SOUNDS.items()}


def proof_of(sound: Sound, text: str) -> Proof:
    bench = {"setup": sound.setup, "machine": sound.machine, "model": sound.model}
    return proved(text, **bench, tolerance_mm=sound.tolerance_mm, gouge_limit_mm=sound.gouge_limit_mm)


@pytest.mark.parametrize("name", SOUNDS)
def test_the_sound_programs_do_no_harm_and_are_proved_with_nothing_to_say(name: str, benches: dict[str, Scene]) -> None:
    sound = SOUNDS[name]
    assert harm_of(sound.text, benches[name]).breaks == ""
    proof = proof_of(sound, sound.text)
    assert proof.verdict is Verdict.PROVED
    assert [item for item in proof.findings if item.severity is not Severity.NOTE] == []


@pytest.mark.parametrize("name", SOUNDS)
def test_what_breaks_something_is_not_proved(name: str, benches: dict[str, Scene]) -> None:
    random = Random(5)
    sound, kinds = SOUNDS[name], random.sample(list(WAYS), len(WAYS))
    planted = harmful = 0
    missed = []
    for kind in kinds:
        lines = WAYS[kind](sound.text.splitlines(), random)
        if lines is None or planted == FAULTS_EACH:
            continue
        planted += 1
        text = "\n".join(lines) + "\n"
        harm = harm_of(text, benches[name])
        harmful += bool(harm.breaks)
        if harm.breaks and proof_of(sound, text).verdict is Verdict.PROVED:
            missed.append((kind, harm.breaks, harm.line))
    assert missed == []
    assert planted == FAULTS_EACH and harmful >= FAULTS_EACH // 3, "a sample that does no harm shows nothing"


@pytest.mark.parametrize(
    ("name", "old", "new", "breaks"),
    [
        ("sides by hand", "Y10 F400", "Y10 Z3 F400", "takes off what must stand"),  # slopes below the side
        ("sides by hand", "G0 X12 Y-10 A90", "G0 X3 Y-10 A90", "takes off what must stand"),  # into the full bar
        ("journal", "G43 H2 Z20", "G43 H3 Z20", "takes off what must stand"),  # cutter 2 hangs 9 mm lower than H3 says
        ("journal", "G0 Z20\nM5\nG53 G0 Z110\nT3", "G53 G0 X0\nM5\nG53 G0 Z110\nT3", "strikes the jaws"),
        ("journal", "G1 X18.5 A1800 F0.8", "G0 X18.5 A1800", "a rapid through material"),
        ("journal", "G0 Z20\nM5\nG53 G0 Z110\nM30", "G0 Z14\nM5\nM30", "ends low, or nobody knows how high"),
        ("journal", "S12000 M3\n", "", "cuts with the spindle standing or backward"),
        ("journal", "G1 X18.5 A1800 F0.8", "G1 X18.5 A18000 F0.8", "A turns further than it may"),
        ("journal", "G21 G17", "G20 G17", "runs into the end of an axis"),
    ],
)
def test_the_slow_check_sees_harm_of_every_kind(name: str, old: str, new: str, breaks: str, benches: dict[str, Scene]) -> None:
    """The judge judged: each edit does one harm by design (expected words derived from the edit)."""
    sound = SOUNDS[name]
    assert old in sound.text
    text = sound.text.replace(old, new, 1)
    assert harm_of(text, benches[name]).breaks == breaks
    assert proof_of(sound, text).verdict is Verdict.NOT_PROVED
