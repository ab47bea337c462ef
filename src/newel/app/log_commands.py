"""`newel log`: the workshop log in the user's data folder. Heavy imports stand inside the commands."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from newel.app.options import Number

if TYPE_CHECKING:
    import sqlite3

_LOG = click.option(
    "--log", "log_file", type=click.Path(path_type=Path), metavar="FILE", help="Another log than the one in your data folder."
)
_MINUTES = click.option("--taken", "taken_min", type=Number(), metavar="MIN", help="Minutes it took.")
_REMARK = click.option("--remark", default="", help="In your own words; how it failed, if it did.")


@click.group()
def log() -> None:
    """Keep what was made, how long it took, what was measured and how it failed; and learn from it.

    Calibrations are proposed with their uncertainty and never applied by themselves.
    """


@log.command("add")
@click.argument("job", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="The folder with the job's results.")
@click.option("--outcome", type=click.Choice(["good", "failed", "not run yet"]), default="good", show_default=True)
@_MINUTES
@_REMARK
@_LOG
def add_run(job: Path, out: Path | None, outcome: str, taken_min: float | None, remark: str, log_file: Path | None) -> int:
    """Log a run of JOB; the seal, the verdict and the planned time are taken from its proof."""
    import json

    from newel.app.inputs import read_text
    from newel.core.errors import BadInput
    from newel.probing.log import MadeEntry, add

    folder = out or job.with_suffix(".out")
    try:
        proof = json.loads(read_text(folder / "proof.json", "proof"))
        planned, seal, verdict = float(proof["time_min"]), _seal_text(proof["seal"]), str(proof["verdict"])
    except (ValueError, KeyError, TypeError):
        raise BadInput(
            "this is not a proof", where=str(folder / "proof.json"), remedy="let 'newel make' write it again"
        ) from None
    programs = ", ".join(path.name for path in sorted(folder.glob("program*.ngc")))
    entry = MadeEntry(_new_uid(), _now(), job.name, programs, seal, verdict, planned, taken_min, outcome, remark)
    with _opened(log_file) as connection:
        add(connection, [entry])
    click.echo(f"logged as {entry.uid}")
    return 0


@log.command("measure")
@click.argument("run")
@click.argument("what", type=click.Choice(["diameter", "depth", "slot width", "width", "side", "bending"]))
@click.argument("found", type=Number())
@click.option("--planned", type=Number(), help="What it should have been, in the same unit.")
@click.option("--unit", type=click.Choice(["mm", "inch"]), default="mm", show_default=True)
@click.option("--place", default="", help="Where on the part, in words.")
@click.option("--cutter", default="", help="The shop's name of the cutter that made the surface.")
@_REMARK
@_LOG
def measure(
    run: str,
    what: str,
    found: float,
    planned: float | None,
    unit: str,
    place: str,
    cutter: str,
    remark: str,
    log_file: Path | None,
) -> int:
    """Log something measured on the part of RUN (its id, or the beginning of it)."""
    from newel.core.errors import BadInput
    from newel.core.units import MM_PER_INCH
    from newel.probing.log import MeasuredEntry, add, made

    with _opened(log_file) as connection:
        fitting = [entry.uid for entry in made(connection) if entry.uid.startswith(run)]
        if len(fitting) != 1:
            what_is = "no run" if not fitting else f"{len(fitting)} runs"
            raise BadInput(f"{what_is} in the log begin with {run!r}", remedy="see: newel log list")
        scale = MM_PER_INCH if unit == "inch" else 1.0
        wanted = None if planned is None else planned * scale
        entry = MeasuredEntry(_new_uid(), fitting[0], _now(), what, place, wanted, found * scale, "mm", remark, cutter)
        add(connection, [entry])
    click.echo(f"logged as {entry.uid}")
    return 0


@log.command("list")
@click.option("--last", type=int, default=20, show_default=True, help="So many runs.")
@_LOG
def list_runs(last: int, log_file: Path | None) -> int:
    """List the last runs with what was measured on them."""
    from newel.core.units import duration
    from newel.probing.log import made, measured

    with _opened(log_file) as connection:
        runs, found = made(connection)[-max(last, 1) :], measured(connection)
    for run in runs:
        times = [duration(value) if value is not None else "?" for value in (run.planned_min, run.taken_min)]
        click.echo(f"{run.uid[:8]}  {run.at}  {run.job}  {run.verdict}, {run.outcome}, planned {times[0]}, taken {times[1]}")
        if run.remark:
            click.echo(f"          {run.remark}")
        for item in found:
            if item.made_uid == run.uid:
                wanted = "" if item.planned is None else f" (planned {item.planned:.3f})"
                click.echo(f"          {item.what} {item.place}: {item.found:.3f} {item.unit}{wanted}")
    if not runs:
        click.echo("the log is empty")
    return 0


@log.command("learn")
@click.option(
    "--shop", "shop_files", type=click.Path(path_type=Path), multiple=True, metavar="FILE", help="A shop file of your own."
)
@_LOG
def learn(shop_files: tuple[Path, ...], log_file: Path | None) -> int:
    """Propose calibrations of the clock, of bending and of cutter diameters; nothing is changed."""
    from newel.app.inputs import read_shop
    from newel.probing.calibration import proposals
    from newel.probing.log import made, measured

    with _opened(log_file) as connection:
        runs, found = made(connection), measured(connection)
    shop = read_shop(shop_files)
    proposed = proposals(runs, found, [(name, cutter.DC) for name, cutter in shop.cutters.items()])
    for item in proposed:
        unit = f" {item.unit}" if item.unit else ""
        verdict = f"to change: {item.apply}" if item.worth_it else "nothing to change"
        click.echo(
            f"{item.what}: {item.now:.3f} now, {item.proposed:.3f} ± {item.band:.3f}{unit} found\n"
            f"   {item.because}\n   {verdict}"
        )
    if not proposed:
        click.echo("the log holds too little yet: three entries of a kind are the least")
    return 0


@log.command("export")
@click.argument("folder", type=click.Path(path_type=Path))
@_LOG
def export(folder: Path, log_file: Path | None) -> int:
    """Write the whole log into FOLDER as made.csv and measured.csv."""
    from newel.app.whole_files import write_results
    from newel.probing.log import made, measured, to_csv

    with _opened(log_file) as connection:
        texts = {"made.csv": to_csv(made(connection), "made"), "measured.csv": to_csv(measured(connection), "measured")}
    write_results(folder, {name: text.encode() for name, text in texts.items()}, stale=lambda name: False)
    click.echo(f"{folder}: {', '.join(texts)}")
    return 0


@log.command("import")
@click.argument("files", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="FILE...")
@_LOG
def import_files(files: tuple[Path, ...], log_file: Path | None) -> int:
    """Read exported CSV files in; what is in the log already is left alone."""
    from newel.app.inputs import read_text
    from newel.core.errors import BadInput
    from newel.probing.log import Entry, add, from_csv

    entries: list[Entry] = []
    for path in files:
        try:
            entries += from_csv(read_text(path, "exported log"))
        except BadInput as error:
            raise BadInput(error.what, where=f"{path}, {error.where}", remedy=error.remedy) from None
    with _opened(log_file) as connection:
        new = add(connection, entries)
    click.echo(f"{new} of {len(entries)} entries were new")
    return 0


def data_folder() -> Path:
    """Return the user's data folder for Newel, by the custom of the system."""
    import os
    import sys

    home = Path.home()
    if sys.platform == "win32":
        return Path(os.environ.get("APPDATA", home / "AppData" / "Roaming")) / "newel"
    if sys.platform == "darwin":
        return home / "Library" / "Application Support" / "newel"
    return Path(os.environ.get("XDG_DATA_HOME") or home / ".local" / "share") / "newel"


@contextmanager
def _opened(log_file: Path | None) -> Iterator[sqlite3.Connection]:
    """Open the log, which is made where there is none. Raises BadInput where it cannot be opened or written."""
    import sqlite3

    from newel.core.errors import BadInput
    from newel.probing.log import prepare

    path = log_file or data_folder() / "log.sqlite"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(path)
    except (OSError, sqlite3.Error) as error:
        raise BadInput(f"cannot open the log: {error}", where=str(path), remedy="name another place with --log") from None
    try:
        prepare(connection)
        yield connection
    except sqlite3.Error as error:
        raise BadInput(f"cannot write the log: {error}", where=str(path), remedy="free some room there, or use --log") from None
    finally:
        connection.close()


def _new_uid() -> str:
    import uuid

    return uuid.uuid4().hex


def _now() -> str:
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="seconds")


def _seal_text(seal: object) -> str:
    import json

    return seal if isinstance(seal, str) else json.dumps(seal, sort_keys=True)
