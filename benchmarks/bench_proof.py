"""How long a proof takes, by its shares: a twisted bar carved all round by passes along and around, at 0.1 mm.

Run: python benchmarks/bench_proof.py [rows]. The first run compiles or loads compiled kernels, the second is warm. Wall
times of a shared box are noisy: the shares are what to compare.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from faults.proof_bench import MACHINE, SETUP, ball, lathe
from newel.core.dialect import ReadTraits
from newel.core.job import ProofAsk, Section
from newel.core.setup import KeepOut, SetUpBar
from newel.proof.prove import prove


def helical_program(rows: int) -> str:
    """Return a program of `rows` rows that winds a 3 mm ball along a bar of 30 mm, deeper and shallower with the turn."""
    turns = 60.0 * np.arange(rows) / rows
    x = 12.0 + 60.0 * np.arange(rows) / rows
    z = 12.0 + 1.5 * np.sin(2 * np.pi * 3 * turns)
    lines = [
        "G21 G17 G40 G49 G80 G90 G94",
        "G53 G0 Z110",
        "T1 M6",
        "S10000 M3",
        "G0 X12 Y0 A0",
        "G43 H1 Z30",
        "G1 Z12 F300",
        "G93",
    ]
    lines += [f"G1 X{a:.3f} Z{b:.3f} A{c:.3f} F{rows / 20.0:.2f}" for a, b, c in zip(x, z, turns * 360.0)]
    return "\n".join([*lines, "G94", "G0 Z30", "M30", ""])


def main() -> None:
    """Prove it twice and print the shares."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    machine = replace(MACHINE, a=replace(MACHINE.a, wind_up_deg=None))
    setup = replace(
        SETUP,
        bar=SetUpBar(Section.ROUND, (30.0,), -8.0, 90.0, 0.0),
        cutters=(ball(1, 1.5, 12.0),),
        keep_out=(SETUP.keep_out[0],),
        stays_standing=(KeepOut("bar", -8.0, 10.0, 15.0, True), KeepOut("bar", 75.0, 90.0, 15.0, True)),
    )
    model = lathe(tuple((float(x), 10.0) for x in np.linspace(12.0, 72.0, 120)), sides=360)
    text = helical_program(rows)
    for run in ("first", "second"):
        begin = time.perf_counter()
        proof = prove(
            [("bench", text)],
            setup,
            machine,
            model,
            ProofAsk(0.1),
            ReadTraits(),
            0.05,
            setup.cutters,
            lambda *_: None,
            now=time.perf_counter,
        )
        shares = ", ".join(f"{stage} {seconds:.2f} s" for stage, seconds in proof.shares.items())
        taken = time.perf_counter() - begin
        print(f"{run}: {len(proof.motion)} rows, {proof.time_min:.1f} min on the machine: {taken:.1f} s ({shares})")


if __name__ == "__main__":
    main()
