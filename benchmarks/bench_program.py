"""Lines a second of the writer, of the fast road and of the full reader, and the memory that a million blocks take.

A made-up turning cut of a million moves (seeded), written with inverse time and with units a minute and read back; then
the same programs with a tenth of a million arcs, and a loop with expressions for the full reader. First call (compiling
or loading compiled kernels) and best of three warm calls apart.

Run: python benchmarks/bench_program.py [moves]
"""

from __future__ import annotations

import os
import platform
import resource
import sys
import time
from collections.abc import Callable

import numba
import numpy as np

from newel.core.dialect import ReadTraits, WriteTraits
from newel.core.job import FeedWords, Section
from newel.core.motion import MoveKind, Toolpath
from newel.core.setup import SetUp, SetUpBar
from newel.program.interpreter import interpret
from newel.program.words import split_text
from newel.program.writer import WrittenCut, write_program


def turning_cut(moves: int) -> WrittenCut:
    """A cut around: 0.5 degree steps, radius waving between 13 and 17 mm, a micrometre of noise."""
    rng = np.random.default_rng(7)
    i = np.arange(moves)
    pose = np.stack(
        [i * 1e-4, rng.normal(0, 1e-3, moves), 15 + 2 * np.sin(i / 37) + rng.normal(0, 1e-3, moves), i * 0.5], axis=1
    )
    return WrittenCut("rough around", 1, 9000.0, Toolpath(pose, np.full(moves, 400.0), np.full(moves, MoveKind.CUT, np.uint8)))


def timed(call: Callable[[], object], times: int = 3) -> tuple[float, float, object]:
    """Return the seconds of the first call, of the best of `times` more, and the last result."""
    spent = []
    for _ in range(times + 1):
        begin = time.perf_counter()
        result = call()
        spent.append(time.perf_counter() - begin)
    return spent[0], min(spent[1:]), result


def show(what: str, lines: int, first: float, best: float) -> None:
    print(f"{what:44s} first {first:6.2f} s   warm {best:6.2f} s   {lines / best / 1e3:9.0f} thousand lines/s")


def main() -> None:
    moves = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    versions = f"Python {platform.python_version()}, numba {numba.__version__}, numpy {np.__version__}"
    print(f"{versions}, {os.cpu_count()} cores, {moves} moves")
    bar = SetUpBar(Section.ROUND, (40.0,), -20.0, 100.0, 0.0)
    setup = SetUp(bar, None, (0.0, 0.0, 0.0), 0.0, 1, 1, "G54", (), (), (), 60.0, (0.0, 0.0, 0.0))
    cut = turning_cut(moves)
    known = {"name": "bench", "work_offset": "G54", "fastest_per_min": (1e6, 1e6, 1e6, 3600.0), "safe_z_mm": 60.0}
    texts = {}
    for words in FeedWords:
        first, best, files = timed(lambda w=words: write_program([cut], setup, WriteTraits(feed_words=w), **known))
        texts[words] = files[0].text
        show(f"write, {words.value}", moves, first, best)
    text = texts[FeedWords.INVERSE_TIME].encode()
    del texts, files
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    first, best, _ = timed(lambda: split_text(text, ReadTraits()))
    show(f"split into words ({len(text) / 1e6:.0f} MB)", moves, first, best)
    first, best, result = timed(lambda: interpret(text, ReadTraits()))
    show("read and interpret, plain lines", moves, first, best)
    assert result.findings == () and len(result.motion) >= moves
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"peak memory {after / 1024:.0f} MiB, of it {(after - before) / 1024:.0f} MiB over what the writer took")
    arcs = "\n".join(["G21 G90 G17 F600", "G0 X0 Y0 Z0 A0", *["G2 X1 Y1 I1", "G3 X0 Y0 I-1 J0"] * (moves // 20)])
    first, best, result = timed(lambda: interpret(arcs, ReadTraits()))
    show(f"read and interpret, arcs ({len(result.motion)} rows)", moves // 10, first, best)
    some = b"\n".join(text.split(b"\n")[: moves // 20])
    first, best, _ = timed(lambda: interpret(some, ReadTraits(), all_full=True), 1)
    show("the full reader on plain lines", moves // 20, first, best)
    loop = "#1=0\nG93\no1 while [#1 lt 5000]\nG1 X[#1/100] A[#1*0.5] Z[15+2*sin[#1]] F[10+#1/1000]\n#1=[#1+1]\no1 endwhile\nM2"
    first, best, result = timed(lambda: interpret(loop, ReadTraits()), 1)
    show("a loop with expressions", result.facts.full_reads, first, best)


if __name__ == "__main__":
    main()
