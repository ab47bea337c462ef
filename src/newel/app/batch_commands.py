"""The commands for many jobs: `newel batch`, `newel family`, `newel watch`."""

from __future__ import annotations

from pathlib import Path

import click

from newel.app.options import QUIET, SCHEDULER, SHOP, WORKERS, NumberIn

_PATH = click.Path(path_type=Path)
BATCH_OUT, WATCH_OUT = Path("newel-batch"), "made"


@click.command()
@click.argument("jobs", type=_PATH, nargs=-1, required=True)
@click.option("--out", type=_PATH, default=BATCH_OUT, metavar="DIR", show_default=True, help="Where all results go.")
@WORKERS
@SCHEDULER
@click.option("--again", is_flag=True, help="Make what is already made, too.")
@click.option("--no-pictures", is_flag=True, help="Draw no pictures: of small parts they take most of the time.")
@click.option("--per-hour", type=NumberIn(min=0.0), metavar="MONEY", help="What an hour of the machine costs.")
@click.option("--per-litre", multiple=True, metavar="MATERIAL=MONEY", help="What a litre of a material costs; several.")
@click.option(
    "--stock-mm",
    multiple=True,
    metavar="[COUNTx]MM",
    help="Length of bars you buy (1000), or have so many of (2x640); several. Plans the sawing.",
)
@click.option("--kerf-mm", type=NumberIn(min=0.0), default=2.0, show_default=True, help="What a saw cut takes.")
@SHOP
@QUIET
def batch(
    jobs: tuple[Path, ...],
    out: Path,
    workers: int | None,
    scheduler: str | None,
    again: bool,
    no_pictures: bool,
    per_hour: float | None,
    per_litre: tuple[str, ...],
    stock_mm: tuple[str, ...],
    kerf_mm: float,
    shop_files: tuple[Path, ...],
    quiet: bool,
) -> int:
    """Make many jobs: JOBS are job files, or folders with some in them.

    What is already made and unchanged is kept, so a batch that was stopped goes on where it stopped. The folder gets
    one NAME.out a job, batch.csv with a line for each, and with --stock-mm cut-list.csv for the saw. Exit status 1
    where any job is not proved or was refused.
    """
    from newel.app.batch import run_batch, tasks_of
    from newel.app.batch_summary import batch_csv, batch_text, cut_list_csv, cut_list_of, rates, stock_of
    from newel.app.whole_files import write_file
    from newel.app.workers import workers_of

    cost, stock = rates(per_hour, per_litre), stock_of(stock_mm)
    tasks, refused = tasks_of(jobs, shop_files, pictures=not no_pictures)
    hands = workers_of(workers, scheduler)
    made = run_batch(tasks, out, hands, lambda *row: None if quiet else click.echo(_told(*row), err=True), again=again)
    rows = sorted([*made.rows, *refused], key=lambda row: row.name)
    out.mkdir(parents=True, exist_ok=True)
    write_file(out / "batch.csv", batch_csv(rows, cost).encode("utf-8"))
    cut_list = cut_list_of(rows, stock, kerf_mm)
    if stock:
        write_file(out / "cut-list.csv", cut_list_csv(cut_list, kerf_mm).encode("utf-8"))
    if not quiet:
        if made.kept:
            click.echo(f"{made.kept} of them were made already and have not changed")
        click.echo(batch_text(rows, cost, cut_list, kerf_mm))
        click.echo(f"\nresults and batch.csv lie in {out}")
    return 0 if all(row.end == "proved" for row in rows) else 1


@click.command()
@click.argument("table", type=_PATH)
@click.option("--like", "pattern", type=_PATH, required=True, metavar="JOB", help="The job file that all are made after.")
@click.option("-o", "folder", type=_PATH, metavar="DIR", help="Where the job files go; else beside the table.")
@click.option("--force", is_flag=True, help="Write over job files that are already there.")
@QUIET
def family(table: Path, pattern: Path, folder: Path | None, force: bool, quiet: bool) -> int:
    """Write one job file for each row of TABLE, a CSV file.

    Its first row names the columns: name, and fields of the job file such as model.scale, model.file, bar.size_mm. An
    empty cell leaves what JOB says.
    """
    from newel.app.families import write_family

    written = write_family(table, pattern, folder or table.parent, force=force)
    if not quiet:
        click.echo(f"wrote {len(written)} job files, from {written[0]} to {written[-1]}; next: newel batch {written[0].parent}")
    return 0


@click.command()
@click.argument("folder", type=_PATH)
@click.option("--out", type=_PATH, metavar="DIR", help=f"Where results go; else {WATCH_OUT}/ in the folder.")
@WORKERS
@SHOP
def watch(folder: Path, out: Path | None, workers: int | None, shop_files: tuple[Path, ...]) -> int:
    """Make the jobs in FOLDER whenever one of them, its model or a shop file changes. Ctrl-C ends it."""
    from newel.app.watch import Watch, keep_looking
    from newel.app.workers import workers_of
    from newel.core.errors import BadInput

    if not folder.is_dir():
        raise BadInput(f"there is no folder {folder}", remedy="check the name")
    click.echo(f"watching {folder}; Ctrl-C ends it", err=True)
    hands = workers_of(workers, None)
    keep_looking(Watch(folder, out or folder / WATCH_OUT, shop_files), hands, lambda *row: click.echo(_told(*row)))
    return 0


def _told(row: object, done: int, of: int) -> str:
    from newel.app.batch_summary import row_text
    from newel.app.batch_work import Row

    assert isinstance(row, Row)
    return f"{f'{done} of {of}  ' if of else ''}{row.name}: {row_text(row)}"
