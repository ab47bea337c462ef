"""Lines run again from their tapes against the same lines read each time: the same rows and findings, to the last bit."""

from __future__ import annotations

import numpy as np
import pytest

from newel.core.dialect import ReadTraits
from newel.program import interpreter
from newel.program.interpreter import Interpretation, interpret

HEAD = "G21 G90 G94 F500\nG0 X0 Y0 Z5 A0\n#1=0\n"


def loop(body: str, turns: int = 40) -> str:
    """Return a program that runs `body` so many times, #1 counting up from 0."""
    return f"{HEAD}o1 while [#1 lt {turns}]\n{body}\n#1=[#1+1]\no1 endwhile\nM2\n"


PROGRAMS = {
    "values in every word": loop("N10 G1 X[#1/7] Y[-#1] Z-#1 A[#1*30] F[100+#1**2] (on and on)"),
    "all operations": loop(
        "#2=[abs[#1-9]+sqrt[#1]*fix[#1/3]-fup[#1/3]/round[1.5+#1]+[#1 mod 5]]\n"
        "#3=[[#1 gt 3] and [#1 le 9] or [#1 eq 12] xor [#1 ne 2]]\n"
        "G1 X[sin[#1*9]+cos[#1]-tan[#1]] Y[atan[#1]/[#2+1]] Z[exp[-#1/9]+ln[#1+1]+acos[1/[1+#1]]-asin[0.5]] A[#3 ge 1]"
    ),
    "parameters by number": loop("#[#1+100]=[#1*2]\nG1 X#[#1+100] Y#[100]"),
    "steps": loop("G91 G1 X0.5 Y[#1/9]\nG90 G0 Z[5+#1]"),
    "arcs": loop("G17 G2 X[10+#1] Y0 R[40+#1]\nG3 X0 Y0 R[40+#1]\nG1 X[#1/100]\nG2 X[#1/100] I5 Z[#1/10]"),
    "arcs that turn wrong": loop("G2 X[#1] Y0 R[10-#1]"),
    "branches": loop("o2 if [#1 lt 5]\nG1 X#1\no2 elseif [#1 lt [20+1]]\nG1 Y#1\no2 else\nG1 Z#1\no2 endif"),
    "calls": loop("o9 sub\nG1 X#1 Y#2\n#1=99\no9 endsub\no9 call [#1] [#1*2]"),
    "subprograms": f"{HEAD}M98 P7 L30\nM2\nO7\n#1=[#1+1]\nG1 X[#1/3]\nM99\n",
    "repeat, do, break, continue": loop(
        "o3 repeat [3]\nG91 G1 X0.1\no3 endrepeat\nG90\n#5=0\no4 do\n#5=[#5+1]\no5 if [#5 eq 3]\no4 continue\no5 endif\n"
        "G1 Z#5\no4 while [#5 lt 6]\no6 if [#1 gt 30]\no1 break\no6 endif"
    ),
    "cycles and dwells": loop("G81 X[#1] Y0 Z[-1-#1/50] R2\nG80\nG4 P[#1/10]\nS[1000+#1] M3"),
    "inverse time": loop("G93 G1 X[#1] F[10+#1]\nG94 F500"),
    "inch": loop("G20 G1 X[#1/25] A[#1]\nG21"),
    "no value from some turn on": loop("G1 X[1/[10-#1]] Y[sqrt[20-#1]]\nG1 X0 Y0"),
    "a parameter that is not set at first": loop("o2 if [#1 gt 9]\n#77=1\no2 endif\nG1 X#77\nG1 X[#1/9]"),
    "a parameter out of range at the end": loop("#[5370+#1]=1\nG1 X#1"),
    "a code that is worked out": loop("G[#1 mod 2] X#1"),
    "a word too large": loop("G1 X[10**#1]\nG1 X1"),
    "a feed that fails": loop("G1 X#1 F[20-#1]"),
    "a letter twice": loop("G1 X#1 X2"),
    "machine places": loop("G53 G0 Z#1\nG92 X[#1]\nG1 X#1\nG92.1"),
    "block delete and messages": loop("/G1 X#1\nG1 Y#1 (MSG, turn)\n;all of it\n"),
    "endless, but for a count": f"{HEAD}o1 while [1]\nG1 X[#1/9]\n#1=[#1+1]\no1 endwhile\nM2\n",
}


def both(text: str, traits: ReadTraits, monkeypatch: pytest.MonkeyPatch) -> tuple[Interpretation, Interpretation]:
    """Interpret with tapes, and reading every line each time."""
    tapes = interpret(text, traits)
    monkeypatch.setattr(interpreter, "read_repeated", lambda *_: None)
    return tapes, interpret(text, traits)


@pytest.mark.parametrize("wrapped", [False, True])
@pytest.mark.parametrize("name", PROGRAMS)
def test_a_line_from_its_tape_is_the_line_as_read(name: str, wrapped: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    text = PROGRAMS[name]
    tapes, read = both(text, ReadTraits(a_wrapped_shortest=wrapped, max_loop_turns=300), monkeypatch)
    assert tapes.facts.full_reads < read.facts.full_reads
    for column in ("xyza", "minutes", "line", "kind", "spindle_rpm", "cutter", "length_offset", "coolant", "exact_stop"):
        np.testing.assert_array_equal(getattr(tapes.motion, column), getattr(read.motion, column), err_msg=column)
    assert repr(tapes.findings) == repr(read.findings)
