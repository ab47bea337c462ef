"""`newel probe`: write probing routines, fit readings, correct programs. Heavy imports stand inside the commands."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from newel.app.options import QUIET, SHOP, Number, NumberIn

if TYPE_CHECKING:
    from newel.app.probe_work import Bench
    from newel.core.findings import Finding
    from newel.probing.machine_fit import MachineFit
    from newel.probing.readings import Table

KINDS = (
    "axis-height-and-centre", "axis-tilt", "level-flat", "bar-centre", "jaw-face", "rotary-steps", "length-check", "everything",
)  # fmt: skip
_JOB = click.option(
    "--job", type=click.Path(path_type=Path), required=True, metavar="JOB", help="The job whose set-up it is for."
)
_UNIT = click.option(
    "--unit", type=click.Choice(["mm", "inch"]), default="mm", help="Unit of readings that do not say their own."
)
_BALL = click.option(
    "--ball",
    "ball_mm",
    type=NumberIn(0.1, 20.0),
    default=3.0,
    show_default=True,
    help="Diameter of the probe's ball, mm.",
)
_TABLES = click.argument("tables", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="TABLE...")


@click.group()
def probe() -> None:
    """Find the rotary axis and the bar, and correct programs for what was found.

    write makes a probing program (or steps by hand) and a table to fill in; fit reads the table; correct rewrites a
    program for the machine as it was measured, and proves it.
    """


@probe.command("write")
@click.argument("kind", type=click.Choice(KINDS))
@_JOB
@click.option("--by-hand", type=click.Choice(["dial gauge", "feeler"]), help="Steps for a machine without a probe.")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Write into this folder instead of the job's own.")
@click.option("--number", type=int, default=99, show_default=True, help="Number of the probe in the spindle (T and H).")
@_BALL
@click.option(
    "--stem", "stem_mm", type=Number(), default=40.0, show_default=True, help="From the ball's lowest point to the body, mm."
)
@click.option("--body", "body_mm", type=Number(), default=30.0, show_default=True, help="Diameter of the probe's body, mm.")
@click.option("--block", type=Number(), nargs=3, metavar="X Y Z", help="Top of a block of known height (length-check).")
@SHOP
@QUIET
def write(
    kind: str, job: Path, by_hand: str | None, out: Path | None, shop_files: tuple[Path, ...], quiet: bool, **given: Any
) -> int:
    """Write a probing routine of KIND for the set-up of JOB, with the table for its readings.

    The program is proved before it is handed over: no strike, no travel passed, each touch begins clear of the work.
    """
    from newel.app.inputs import read_job_files, read_shop
    from newel.app.probe_work import bench_of, prove_routine
    from newel.app.whole_files import write_results
    from newel.probing.instructions import Means, gauged, instructions
    from newel.probing.readings import empty_table
    from newel.probing.routine_program import routine_program
    from newel.probing.routines import Kind, Probe, Routine, plan_routine

    tool = Probe(given["number"], given["ball_mm"], min(2.0, given["ball_mm"] * 0.7), given["stem_mm"], given["body_mm"])
    files = read_job_files(job)
    with _progress(quiet) as progress:
        bench = bench_of(files, read_shop(shop_files), progress)
        routine = plan_routine(Kind(kind), bench.setup, tool, block_mm=given["block"], wind_up_deg=bench.machine.a.wind_up_deg)
        found: tuple[Finding, ...] = ()
        if by_hand:
            routine = Routine(routine.kind, gauged(routine.touches)) if by_hand == "dial gauge" else routine
            name, text = f"probe-{kind}.md", instructions(routine, bench.setup, Means(by_hand))
        else:
            dialect = bench.machine.dialect
            clamp = (dialect.reads.clamp_m, dialect.reads.unclamp_m) if dialect.reads.clamp_m else None
            name, text = f"probe-{kind}.ngc", routine_program(routine, bench.setup, tool, dialect.writes, clamp)
            found = prove_routine(text, bench, tool, name, progress)
    if found:
        for item in found:
            click.echo(f"not proved: line {item.line}: {item.says}", err=True)
        return 1
    folder = out or files.out
    write_results(
        folder, {name: text.encode(), f"probe-{kind}.csv": empty_table(routine.touches).encode()}, stale=lambda _: False
    )
    proved = "" if by_hand else ", proved"
    _say(
        f"{folder / name}: {len(routine.touches)} touches{proved}\n"
        f"{folder / f'probe-{kind}.csv'}: fill in the readings, then: newel probe fit",
        quiet,
    )
    return 0


@probe.command("fit")
@_TABLES
@_JOB
@_UNIT
@_BALL
@click.option("--leave-out", multiple=True, metavar="NAME", help="A reading to leave out, by its name; you decide, not Newel.")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="Write the machine as measured here (TOML)."
)
@SHOP
def fit(
    tables: tuple[Path, ...],
    job: Path,
    unit: str,
    ball_mm: float,
    leave_out: tuple[str, ...],
    output: Path | None,
    shop_files: tuple[Path, ...],
) -> int:
    """Fit the readings of one or more TABLEs together, and say how surely each error is known.

    Says as well what the readings cannot tell, which readings stand out, and which extra reading would help most.
    """
    from newel.app.inputs import read_job_files, read_shop
    from newel.app.probe_work import bench_of, measured_text
    from newel.app.whole_files import write_file
    from newel.probing.fit_report import fit_text
    from newel.probing.routines import Probe

    with _progress(True) as progress:
        bench = bench_of(read_job_files(job), read_shop(shop_files), progress)
    found, table = _fitted(tables, bench, unit, ball_mm, leave_out)
    click.echo(fit_text(found, table, bench.setup, Probe(ball_diameter_mm=ball_mm)))
    if output:
        write_file(
            output, measured_text(found.measured, [f"not told, left as planned: {name}" for name in found.not_told]).encode()
        )
        click.echo(f"\n{output}: the machine as measured, for: newel probe correct PROGRAM --machine-as-measured {output}")
    return 0


@probe.command("correct")
@click.argument("program", type=click.Path(path_type=Path))
@_JOB
@click.option("--readings", type=click.Path(path_type=Path), multiple=True, metavar="TABLE", help="Filled tables to fit first.")
@click.option(
    "--machine-as-measured", "machine_file", type=click.Path(path_type=Path), metavar="FILE", help="What 'probe fit -o' wrote."
)
@_UNIT
@_BALL
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="Where to write; default PROGRAM-corrected."
)
@SHOP
@QUIET
def correct(
    program: Path,
    job: Path,
    readings: tuple[Path, ...],
    machine_file: Path | None,
    unit: str,
    ball_mm: float,
    output: Path | None,
    shop_files: tuple[Path, ...],
    **given: Any,
) -> int:
    """Rewrite PROGRAM, whoever wrote it, for the machine as it was measured, and prove it against that machine."""
    from newel.app.inputs import read_bytes, read_job_files, read_shop, text_of
    from newel.app.probe_work import bench_of, prove_corrected, read_measured
    from newel.app.whole_files import write_file
    from newel.core.errors import BadInput
    from newel.probing.correct import correct_program
    from newel.reports.summary import proof_text

    if bool(readings) == bool(machine_file):
        raise BadInput("say what was measured", remedy="give either --readings TABLE or --machine-as-measured FILE")
    files = read_job_files(job)
    text = text_of(read_bytes(program, "program"), program, "program")
    target = output or program.with_name(f"{program.stem}-corrected{program.suffix}")
    with _progress(given["quiet"]) as progress:
        bench = bench_of(files, read_shop(shop_files), progress)
        measured = read_measured(machine_file) if machine_file else _fitted(readings, bench, unit, ball_mm, ())[0].measured
        done = correct_program(text, bench.setup, measured, bench.machine.dialect, name=program.name)
        proof = prove_corrected(done.text, bench, measured, target.name, progress)
    write_file(target, done.text.encode())
    _say("\n".join([f"{target}", *(f"  {remark}" for remark in done.remarks)]), given["quiet"])
    _say(proof_text(proof, tolerance_mm=files.job.finish.tolerance_mm), given["quiet"])
    return 0 if proof.verdict == "proved" else 1


@probe.command("next-part")
@click.argument("checks", type=click.Path(path_type=Path), metavar="FILE")
def next_part(checks: Path) -> int:
    """Propose changes for the next part from what was measured on the first, in FILE.

    FILE is CSV with the columns feature (diameter, depth, slot width, width, side), planned_mm, found_mm, and where they
    apply from_jaws_mm, a_deg and place.
    """
    from newel.app.inputs import read_text
    from newel.probing.next_part import changes, read_checks

    found = changes(read_checks(read_text(checks, "table of measurements")))
    for change in found:
        click.echo(f"{change.what}: {change.by:+.3f} {change.unit}\n   because {change.because}")
    if not found:
        click.echo("nothing to change: every measurement is within what measuring can tell")
    return 0


def _fitted(
    tables: tuple[Path, ...], bench: Bench, unit: str, ball_mm: float, leave_out: tuple[str, ...]
) -> tuple[MachineFit, Table]:
    """Read tables and fit them together; every problem of every table is told at once."""
    from newel.app.inputs import read_text
    from newel.core.errors import BadInput
    from newel.probing.machine_fit import fit_machine
    from newel.probing.readings import joined, read_table
    from newel.probing.touches import bar_as_planned

    table = joined([(str(path), read_table(read_text(path, "table of readings"), unit=unit)) for path in tables])
    readings = table.sure()
    known = {reading.touch.name for reading in readings}
    for name in leave_out:
        if name not in known:
            raise BadInput(f"there is no reading {name!r} to leave out", remedy=f"the readings are {', '.join(sorted(known))}")
    kept = [reading for reading in readings if reading.touch.name not in leave_out]
    return fit_machine(kept, bench.setup, bar_as_planned(bench.setup.bar, ball_mm / 2.0)), table


def _progress(quiet: bool) -> Any:
    from newel.app.progress import ProgressLine

    return ProgressLine(quiet=quiet, stages=("read", "plan", "reading", "carving", "measuring"))


def _say(text: str, quiet: bool) -> None:
    if not quiet:
        click.echo(text)
