"""Plant seeded faults in sound programs and see which the proof tells; harm is judged by a slow check of its own.

    python benchmarks/bench_mutations.py [--faults 600] [--seed 1] [--write]

The programs and the ways to spoil them are those of tests/faults/mutations.py; tests/plain/harm_plain.py judges harm. A
fault *breaks* where the spoilt program strikes, gouges, cuts at rapid or with no spindle, runs out of travel or can't be
read; it must not be proved. It *leaves* where it breaks nothing but does not make the part; it must be told, as an obstacle or
a caution. All others are harmless; that some of them are not proved is the price of being careful. `--write` puts the table
into docs/how-we-prove.md. Exit status 1 where a harmful fault is missed or a sound program is not proved.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from newel.app.kernel_cache import use_kernel_cache  # noqa: E402

use_kernel_cache("benchmarks")

from faults.mutations import WAYS, Sound, journal, planned, sides  # noqa: E402
from faults.proof_bench import proved  # noqa: E402
from newel.core.findings import Severity  # noqa: E402
from newel.proof.results import Proof, Verdict  # noqa: E402
from plain.harm_plain import Harm, Scene, harm_of, left_over, scene  # noqa: E402

PAGE = ROOT / "docs" / "how-we-prove.md"
BEGIN, END = "<!-- mutations: begin -->", "<!-- mutations: end -->"
PITCH_MM = {"journal": 0.5, "sides by hand": 0.55, "planned oval": 0.6}
COARSE = {"journal": 2.0, "sides by hand": 2.0, "planned oval": 8.0}
SHARE = {"journal": 20, "sides by hand": 19, "planned oval": 1}  # how often each program is spoilt
LEAST_POINTS = 4  # so few points left over are the shaken grid's business


@dataclass
class Count:
    """What came of one kind of fault."""

    planted: int = 0
    breaks: int = 0
    leaves: int = 0
    told: int = 0
    harmless_not_proved: int = 0
    missed: list[str] = field(default_factory=list)


def prove_sound(sound: Sound, text: str) -> Proof:
    """Prove a text as the sound program is proved."""
    return proved(
        text,
        setup=sound.setup,
        machine=sound.machine,
        model=sound.model,
        tolerance_mm=sound.tolerance_mm,
        gouge_limit_mm=sound.gouge_limit_mm,
        shop=sound.shop,
    )


def cautions(proof: Proof) -> set[str]:
    """Return what a proof cautions of."""
    return {f"{item.code} {item.line} {item.says}" for item in proof.findings if item.severity is Severity.CAUTION}


def judged(count: Count, proofs: tuple[Proof, Proof], harms: tuple[Harm, Harm], bench: Scene, where: str) -> None:
    """Count one planted fault by the proof and the harm of the spoilt program and of the sound one."""
    (proof, sound_proof), (harm, sound_harm) = proofs, harms
    count.planted += 1
    denied = proof.verdict is Verdict.NOT_PROVED
    left = 0 if harm.breaks else left_over(sound_harm, harm, bench)
    if harm.breaks:
        count.breaks += 1
        told = denied
    elif left >= LEAST_POINTS:
        count.leaves += 1
        told = denied or bool(cautions(proof) - cautions(sound_proof))
    else:
        count.harmless_not_proved += denied
        return
    count.told += told
    if not told:
        count.missed.append(f"{where}: {harm.breaks or f'{left} points left'} (line {harm.line})")


def run(faults: int, seed: int) -> tuple[dict[str, Count], bool]:
    """Plant the faults and return the counts by kind, and whether every sound program is proved and harmless."""
    random = Random(seed)
    sounds = [journal(), sides(), planned()]
    benches = {s.name: scene(s.setup, s.machine, s.inside, PITCH_MM[s.name], COARSE.get(s.name, 1.0)) for s in sounds}
    clean: dict[str, Harm] = {}
    proved_sound: dict[str, Proof] = {}
    all_sound = True
    for s in sounds:
        begun = time.perf_counter()
        harm = clean[s.name] = harm_of(s.text, benches[s.name])
        middle = time.perf_counter()
        proof = proved_sound[s.name] = prove_sound(s, s.text)
        all_sound &= proof.verdict is Verdict.PROVED and not harm.breaks
        print(
            f"sound: {s.name}: {len(s.text.splitlines())} lines, {proof.verdict.value}, "
            f"harm {harm.breaks or 'none'} {harm.line or ''}; "
            f"slow check {middle - begun:.1f} s, proof {time.perf_counter() - middle:.1f} s"
        )
        for item in proof.findings:
            print(f"    {item.severity.value} {item.code} line {item.line}: {item.says}")
    pool = [s for s in sounds for _ in range(SHARE[s.name])]
    counts: dict[str, Count] = defaultdict(Count)
    kinds = list(WAYS)
    tries = done = 0
    while done < faults and tries < 20 * faults:
        kind = kinds[tries % len(kinds)]
        tries += 1
        s = random.choice(pool)
        lines = WAYS[kind](s.text.splitlines(), random)
        if lines is None:
            continue
        done += 1
        if done % 50 == 0:
            print(f"{done} faults planted", flush=True)
        text = "\n".join(lines) + "\n"
        changed = next((k + 1 for k, (a, b) in enumerate(zip(lines, s.text.splitlines())) if a != b), 0)
        where = f"{kind}, {s.name}, line {changed}: {lines[changed - 1] if changed else '(end)'}"
        proofs, harms = (prove_sound(s, text), proved_sound[s.name]), (harm_of(text, benches[s.name]), clean[s.name])
        judged(counts[kind], proofs, harms, benches[s.name], where)
        for missed in counts[kind].missed[-1:]:
            if missed.startswith(where):
                print(f"MISSED {missed}", flush=True)
    return {kind: counts[kind] for kind in kinds if kind in counts}, all_sound


def table(counts: dict[str, Count], seed: int) -> str:
    """Return the table as Markdown."""
    rows = [
        "| fault | planted | breaks | leaves | of these told | harmless | of these not proved |",
        "|---|---:|---:|---:|---:|---:|---:|",
    ]
    total = Count()
    for c in counts.values():
        total.planted += c.planted
        total.breaks += c.breaks
        total.leaves += c.leaves
        total.told += c.told
        total.harmless_not_proved += c.harmless_not_proved
    for name, c in [*counts.items(), ("**all**", total)]:
        harmful = c.breaks + c.leaves
        share = f"{c.told} ({100.0 * c.told / harmful:.{0 if c.told == harmful else 1}f} %)" if harmful else "0"
        rows.append(
            f"| {name} | {c.planted} | {c.breaks} | {c.leaves} | {share} | {c.planted - harmful} | {c.harmless_not_proved} |"
        )
    return f"{total.planted} faults of {len(counts)} kinds, seed {seed}:\n\n" + "\n".join(rows)


def main() -> int:
    """Run, print, and write the table where asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--faults", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    begun = time.perf_counter()
    counts, all_sound = run(asked.faults, asked.seed)
    text = table(counts, asked.seed)
    print(text)
    missed = [item for c in counts.values() for item in c.missed]
    print(f"\n{len(missed)} missed; {time.perf_counter() - begun:.0f} s")
    if asked.write:
        page = PAGE.read_text(encoding="utf-8")
        before, rest = page.split(BEGIN)
        PAGE.write_text(f"{before}{BEGIN}\n{text}\n{END}{rest.split(END)[1]}", encoding="utf-8")
    return 0 if all_sound and not missed else 1


if __name__ == "__main__":
    sys.exit(main())
