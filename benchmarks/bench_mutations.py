"""Plant seeded faults in sound programs and see which the proof tells; harm is judged by a slow check of its own.

    python benchmarks/bench_mutations.py [--faults 600] [--seed 1] [--workers 2] [--write]

The programs and the ways to spoil them are those of tests/faults/mutations.py; tests/plain/harm_plain.py judges harm. A
fault *breaks* where the spoilt program strikes, gouges, cuts at rapid or with no spindle, runs out of travel or can't be
read; it must not be proved. It *leaves* where it breaks nothing but does not make the part; it must be told, as an obstacle or
a caution. All others are harmless; that some of them are not proved is the price of being careful. `--write` puts the table
into docs/how-we-prove.md. Faults are planted before any is judged, and judged one by one on so many processes of one thread
each: the table is the same for any number of them. Exit status 1 where a harmful fault is missed or a sound program is not
proved.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from random import Random

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from newel.app.kernel_cache import use_kernel_cache  # noqa: E402

use_kernel_cache("benchmarks")

from faults.mutations import WAYS, Sound, journal, planned, sides  # noqa: E402
from faults.proof_bench import proved  # noqa: E402
from newel.app.workers import Errand, cores, workers_of  # noqa: E402
from newel.core.findings import Finding, Severity  # noqa: E402
from newel.proof.results import Proof, Verdict  # noqa: E402
from plain.harm_plain import Harm, Scene, harm_of, left_over, scene  # noqa: E402

PAGE = ROOT / "docs" / "how-we-prove.md"
BEGIN, END = "<!-- mutations: begin -->", "<!-- mutations: end -->"
PITCH_MM = {"journal": 0.5, "sides by hand": 0.55, "planned oval": 0.6}
COARSE = {"journal": 2.0, "sides by hand": 2.0, "planned oval": 8.0}
MAKERS = {"journal": journal, "sides by hand": sides, "planned oval": planned}
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


@dataclass(frozen=True)
class Fault:
    """One spoilt text, by which way (kind) and which sound program it comes of; `where`: in words. No kind: the sound text."""

    number: int
    kind: str
    sound: str
    where: str
    text: str

    @property
    def name(self) -> str:
        """A name of its own among the faults."""
        return f"fault {self.number}"

    def key(self) -> str:
        """What the outcome depends on."""
        return f"{self.sound}: {self.text}"


@dataclass(frozen=True)
class Outcome:
    """What the slow check and the proof say of one fault: the harm; the verdict and the findings."""

    harm: Harm
    verdict: Verdict
    findings: tuple[Finding, ...]

    @property
    def denied(self) -> bool:
        """Whether the proof denies it."""
        return self.verdict is Verdict.NOT_PROVED

    @property
    def cautions(self) -> frozenset[str]:
        """What the proof cautions of."""
        cautions = [item for item in self.findings if item.severity is Severity.CAUTION]
        return frozenset(f"{item.code} {item.line} {item.says}" for item in cautions)


@lru_cache
def sound_of(name: str) -> tuple[Sound, Scene]:
    """Return a sound program and its bench; made once a process."""
    sound = MAKERS[name]()
    return sound, scene(sound.setup, sound.machine, sound.inside, PITCH_MM[name], COARSE[name])


def outcome_of(fault: Fault) -> Outcome:
    """Prove one spoilt text and look for its harm."""
    sound, bench = sound_of(fault.sound)
    proof = prove_sound(sound, fault.text)
    return Outcome(harm_of(fault.text, bench), proof.verdict, proof.findings)


def lost(fault: Fault, why: str) -> Outcome:
    """No table is made where a fault could not be judged."""
    raise RuntimeError(f"{fault.name} ({fault.where}): {why}")


def counted(count: Count, fault: Fault, outcome: Outcome, clean: Outcome) -> None:
    """Count what came of one fault, `clean` being what came of the sound program."""
    harm = outcome.harm
    left = 0 if harm.breaks else left_over(clean.harm, harm, sound_of(fault.sound)[1])
    count.planted += 1
    if harm.breaks:
        count.breaks += 1
        told = outcome.denied
    elif left >= LEAST_POINTS:
        count.leaves += 1
        told = outcome.denied or bool(outcome.cautions - clean.cautions)
    else:
        count.harmless_not_proved += outcome.denied
        return
    count.told += told
    if not told:
        count.missed.append(f"{fault.where}: {harm.breaks or f'{left} points left'} (line {harm.line})")


def say(name: str, clean: Outcome) -> None:
    """Say what the slow check and the proof find of a sound program."""
    lines = len(sound_of(name)[0].text.splitlines())
    print(f"sound: {name}: {lines} lines, {clean.verdict.value}, harm {clean.harm.breaks or 'none'} {clean.harm.line or ''}")
    for item in clean.findings:
        print(f"    {item.severity.value} {item.code} line {item.line}: {item.says}")


def planted(faults: int, seed: int) -> list[Fault]:
    """Plant so many faults, kind after kind, each in one of the sound programs."""
    random = Random(seed)
    pool = [sound_of(name)[0] for name in MAKERS for _ in range(SHARE[name])]
    kinds = list(WAYS)
    made: list[Fault] = []
    tries = 0
    while len(made) < faults and tries < 20 * faults:
        kind = kinds[tries % len(kinds)]
        tries += 1
        sound = random.choice(pool)
        lines = WAYS[kind](sound.text.splitlines(), random)
        if lines is None:
            continue
        changed = next((k + 1 for k, (a, b) in enumerate(zip(lines, sound.text.splitlines())) if a != b), 0)
        where = f"{kind}, {sound.name}, line {changed}: {lines[changed - 1] if changed else '(end)'}"
        made.append(Fault(len(made), kind, sound.name, where, "\n".join(lines) + "\n"))
    return made


def run(faults: int, seed: int, workers: int) -> tuple[dict[str, Count], bool]:
    """Plant the faults and return the counts by kind, and whether every sound program is proved and harmless."""
    untouched = [Fault(-1 - k, "", name, name, sound_of(name)[0].text) for k, name in enumerate(MAKERS)]
    spoilt = planted(faults, seed)
    outcomes: dict[int, Outcome] = {}
    first = reversed(untouched)  # the longest to judge stands last
    for fault, outcome in workers_of(workers, None)(Errand(outcome_of, lost), [*first, *spoilt]):
        outcomes[fault.number] = outcome
        if len(outcomes) % 50 == 0:
            print(f"{len(outcomes)} texts judged", flush=True)
    clean = {fault.sound: outcomes[fault.number] for fault in untouched}
    for name, outcome in clean.items():
        say(name, outcome)
    counts: dict[str, Count] = defaultdict(Count)
    for fault in spoilt:
        counted(counts[fault.kind], fault, outcomes[fault.number], clean[fault.sound])
    for count in counts.values():
        for missed in count.missed:
            print(f"MISSED {missed}", flush=True)
    all_sound = not any(one.denied or one.harm.breaks for one in clean.values())
    return {kind: counts[kind] for kind in WAYS if kind in counts}, all_sound


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
    parser.add_argument("--workers", type=int, default=cores(), help="processes, one a core unless said")
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    begun = time.perf_counter()
    counts, all_sound = run(asked.faults, asked.seed, asked.workers)
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
