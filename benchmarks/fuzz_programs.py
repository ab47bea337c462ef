"""Random and mutated program texts through the interpreter: no crash, no hang, bounded memory.

    python benchmarks/fuzz_programs.py [--texts 200000] [--seed 1] [--slow-s 2]

Four sorts of text, in turn: words drawn at random from the language's letters and the trade's codes; sound programs with
seeded edits (characters dropped, doubled, swapped, replaced, lines moved, cut or repeated, digits blown up); lines of
expressions, parameters, O-words and subprograms nested at random; and raw bytes. Every text is read twice as often in the
default dialect as in the report's own and in one with everything on. Small bounds on rows and loop turns keep loops short,
as a caller with little time would set them; `--shipped` keeps the bounds of the dialect as shipped. Prints counts, the slowest
text (seconds of processor time) and the peak memory. A text hangs where it takes over `--slow-s`, and what its moves may take
besides: a loop of 200 000 moves is sound work. A crash or a hang is printed in full and makes the exit status 1.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
import traceback
from collections import Counter
from dataclasses import replace
from random import Random

from newel.core.dialect import ReadTraits
from newel.program.interpreter import MachineFacts, interpret

BOUNDS = {"max_rows": 20_000, "max_loop_turns": 2_000}
DIALECTS = (
    ReadTraits(**BOUNDS),
    ReadTraits(**BOUNDS),
    ReadTraits(
        semicolon_comments=False,
        o_words=False,
        numbered_subprograms=False,
        arc_centre_modes=False,
        long_lines=False,
        percent_optional=False,
        lone_motion_words=False,
        inch_a_is_degrees=False,
        **BOUNDS,
    ),
    ReadTraits(feed_per_turn=True, rapid_dog_leg=True, a_wrapped_shortest=True, **BOUNDS),
)
CODES = [
    "G0",
    "G1",
    "G2",
    "G3",
    "G4",
    "G10",
    "G17",
    "G18",
    "G19",
    "G20",
    "G21",
    "G28",
    "G30",
    "G38.2",
    "G40",
    "G41",
    "G42",
    "G43",
    "G49",
    "G53",
    "G54",
    "G55",
    "G59.3",
    "G61",
    "G61.1",
    "G64",
    "G80",
    "G81",
    "G82",
    "G83",
    "G84",
    "G85",
    "G86",
    "G87",
    "G88",
    "G89",
    "G90",
    "G90.1",
    "G91",
    "G91.1",
    "G92",
    "G92.1",
    "G92.2",
    "G92.3",
    "G93",
    "G94",
    "G95",
    "G98",
    "G99",
    "G5",
    "G70",
    "G1.5",
    "M0",
    "M1",
    "M2",
    "M3",
    "M4",
    "M5",
    "M6",
    "M7",
    "M8",
    "M9",
    "M30",
    "M48",
    "M49",
    "M60",
    "M98",
    "M99",
    "M66",
]
PIECES = (
    *("[", "]", "#", "=", "+", "-", "*", "/", "**", " mod ", " or ", " and ", " xor ", " eq ", " lt ", " ge "),
    *("sin[", "atan[", "]/[", "sqrt[", "ln[", "exp[", "fix[", "round[", "abs[", "1", "2.5", "-3", "0", "1e9", "99999999"),
)
FLOWS = (
    *("o{n} sub", "o{n} endsub", "o{n} call", "o{n} call [#1] [2]", "o{n} if [#1 gt {k}]", "o{n} else", "o{n} elseif [#2]"),
    *("o{n} endif", "o{n} while [#1 lt {k}]", "o{n} endwhile", "o{n} do", "o{n} repeat [{k}]", "o{n} endrepeat", "o{n} return"),
    *("o{n} break", "o{n} continue", "O{n}", "M98 P{n}", "M98 P{n} L{k}", "M99", "#1=[#1+1]", "#{n}=#{k}", "##{n}=1"),
    *("G1 X#1 F100", "G0 Z[#1*#2]", "M2", "%", "/G0 X1", "(MSG,hello)", "o<name> sub", "#<_x>=1"),
)
SOUND = (
    "%\nG21 G90 G17 G40 G49 G80 G94\nG53 G0 Z110\nT1 M6\nS9000 M3\nG0 X10 Y0 A0\nG43 H1 Z20\nG1 Z4 F100\nG1 A360 F1800\n"
    "G2 X14 Y4 I4 J0 F200\nG3 X10 Y0 R6\nG93 G1 X12 A720 F2\nG94 F200\nG91 X1\nY-1\nG90\nG98 G81 X20 Y2 Z3 R6 F90\nX22\nG80\n"
    "G0 Z20\nM5\nG53 G0 Z110\nM30\n%\n",
    "#1=0\nG21\no1 while [#1 lt 12]\nG1 X[#1/4] A[#1*30] Z[15+2*sin[#1*30]] F[100+#1]\n#1=[#1+1]\no1 endwhile\n"
    "o2 sub\nG0 Z#1\no2 endsub\no2 call [30]\nM2\n",
    "G20 G90\nG0 X0 Y0 Z1\nG18 G2 X1 Z0 I.5 K-.5 F10\nG19 G3 Y1 Z1 J.5 K.5\nG17\nG83 X1 Y1 Z-.5 R.1 Q.1 F5\nG80 G28 Z0\nM30\n",
)


def number(random: Random) -> str:
    """Return a number, mostly tame."""
    style = random.randrange(12)
    if style < 6:
        return f"{random.uniform(-50, 50):.{random.randrange(5)}f}"
    if style < 9:
        return str(random.randrange(-5, 400))
    return random.choice(("", ".", "-.5", "+3.", "1e3", "99999999999", "0.0000000001", "--2", "1.2.3", "[1+2]", "#5", "-0"))


def words_text(random: Random) -> str:
    """Return lines of random words."""
    lines = []
    for _ in range(random.randrange(1, 25)):
        words = [random.choice(CODES) for _ in range(random.randrange(3))]
        words += [random.choice("XYZAXYZAFIJKRPQSTHDLNBC") + number(random) for _ in range(random.randrange(5))]
        random.shuffle(words)
        lines.append(random.choice((" ", "")).join(words))
    return "\n".join(lines)


def mutated_text(random: Random) -> str:
    """Return a sound program with one to eight seeded edits."""
    text = random.choice(SOUND)
    for _ in range(random.randrange(1, 9)):
        k = random.randrange(len(text) + 1)
        how = random.randrange(7)
        if how == 0:
            text = text[:k] + text[k + 1 :]
        elif how == 1:
            text = text[:k] + text[k : k + 1] * random.choice((2, 2, 2, 40)) + text[k + 1 :]
        elif how == 2:
            text = text[:k] + chr(random.choice((random.randrange(32, 127), random.randrange(0x250)))) + text[k:]
        elif how == 3:
            text = text[:k] + random.choice(("9999", "-", "#", "[", "(", "\n", "M98 P1\n", "o1 call\n", "0" * 300)) + text[k:]
        else:
            lines = text.split("\n")
            a, b = random.randrange(len(lines)), random.randrange(len(lines))
            lines[a], lines[b] = (lines[b], lines[a]) if how == 4 else (lines[b], lines[b]) if how == 5 else ("", lines[b])
            text = "\n".join(lines)
    return text


def flow_text(random: Random) -> str:
    """Return lines of flow words, parameters and expressions put together at random."""
    lines = []
    for _ in range(random.randrange(1, 30)):
        if random.randrange(3):
            lines.append(random.choice(FLOWS).format(n=random.randrange(1, 5), k=random.randrange(9)))
        else:
            body = "".join(random.choice(PIECES) for _ in range(random.choice((2, 5, 9, 60))))
            lines.append(random.choice(("G1 X[", "#3=[", "G0 Z", "o1 if [", "#")) + body + random.choice(("]", "")))
    return "\n".join(lines)


def raw_text(random: Random) -> bytes:
    """Return raw bytes, sometimes with sound lines between."""
    noise = random.randbytes(random.randrange(200))
    return noise if random.randrange(2) else b"G0 X1\n" + noise + b"\nG1 Y2 F9\n"


A_MOVE_S = 30e-6  # a million blocks are read and interpreted in half of that (see bench_million.py)


SORTS = {"words": words_text, "mutated": mutated_text, "flow": flow_text, "raw": raw_text}


def main() -> int:
    """Run the texts and print what came of them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--texts", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--slow-s", type=float, default=2.0)
    parser.add_argument("--shipped", action="store_true")
    asked = parser.parse_args()
    random = Random(asked.seed)
    shipped = {"max_rows": ReadTraits.max_rows, "max_loop_turns": ReadTraits.max_loop_turns}
    dialects = [replace(dialect, **shipped) for dialect in DIALECTS] if asked.shipped else list(DIALECTS)
    facts = MachineFacts(lengths_mm={1: 40.0, 2: 45.0})
    interpret(SOUND[0], DIALECTS[0])  # compile, or load what is compiled
    begun = time.perf_counter()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    sorts = list(SORTS.items())
    slowest: tuple[float, str, object] = (0.0, "", "")
    codes: Counter[str] = Counter()
    clean = rows = failed = 0
    for count in range(asked.texts):
        name, make = sorts[count % len(sorts)]
        text = make(random)
        known = random.randrange(2)
        start, origin = ((0.0, 0.0, 0.0, 0.0), (0.0, 0.0, 0.0)) if known else (None, None)
        t = time.process_time()  # a shared box may stand still for seconds
        try:
            dialect = dialects[count // len(sorts) % len(dialects)]
            read = interpret(text, dialect, start=start, machine_from_offset_mm=origin, machine=facts)
        except Exception:
            failed += 1
            print(f"CRASH on text {count} ({name}): {text!r}\n{traceback.format_exc()}", flush=True)
            continue
        taken = time.process_time() - t
        if taken > slowest[0]:
            slowest = (taken, name, text)
        if taken > asked.slow_s + A_MOVE_S * len(read.motion):
            failed += 1
            print(f"SLOW {taken:.2f} s: text {count} ({name}): {text!r}", flush=True)
        codes.update({item.code for item in read.findings})
        clean += not read.findings
        rows += len(read.motion)
        if (count + 1) % 50_000 == 0:
            print(f"{count + 1} texts, {time.perf_counter() - begun:.0f} s", flush=True)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    spent = time.perf_counter() - begun
    print(f"{asked.texts} texts (seed {asked.seed}) in {spent:.0f} s, {rows} rows, {clean} without a finding, {failed} failed")
    print(f"slowest {slowest[0]:.3f} s ({slowest[1]}): {slowest[2]!r}"[:400])
    print(f"peak memory {after / 1024:.0f} MiB, {(after - before) / 1024:.0f} MiB over the start")
    print(f"{len(codes)} codes found: " + ", ".join(f"{code} {n}" for code, n in codes.most_common()))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
