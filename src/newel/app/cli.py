"""The command `newel`. Each command reads, calls the pipeline, writes and says what came of it; nothing is decided here.

Exit status: 0 done and proved; 1 done and not proved; 2 the input was refused; 130 stopped by Ctrl-C. Heavy imports stand
inside the commands, so that help comes at once.
"""

from __future__ import annotations

import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

import click

from newel import __version__
from newel.app.batch_commands import batch, family, watch
from newel.app.log_commands import log
from newel.app.options import QUIET, SCHEDULER, SHOP, WORKERS
from newel.app.probe_commands import probe
from newel.app.shop_commands import shop_fit, shop_new_machine, shop_trial
from newel.core.errors import NewelError

PROVED, NOT_PROVED, REFUSED, STOPPED = 0, 1, 2, 130
_PROVING = ("read", "plan", "reading", "carving", "measuring")

_JOB = click.argument("job", type=click.Path(path_type=Path))
_OUT = click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Write the results into this folder.")


@click.group(context_settings={"max_content_width": 100})
@click.version_option(__version__, prog_name="newel")
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
def newel(debug: bool) -> None:
    """From a model and a bar to a proved program, for a small mill with a rotary axis.

    Exit status: 0 done and proved, 1 done and not proved, 2 the input was refused.
    """


@newel.command()
@_OUT
@QUIET
def demo(out: Path | None, quiet: bool) -> int:
    """Make and prove the shipped jobs, and say where the results lie.

    They are a barley-twist finial, carved all round from a square bar, and a bracket of beech, cut side by side. Their models
    and job files are written too, so that you can change them and make the jobs again.
    """
    from newel.app.demo import run_demo
    from newel.app.inputs import read_shop

    return _made(run_demo(out or Path("newel-demo"), read_shop(()), _progress(quiet)), quiet)


@newel.command()
@click.argument("model", type=click.Path(path_type=Path))
@click.option("--fit", is_flag=True, help="Scale the model down where it fits no bar that the machine can hold.")
@click.option("--unit", type=click.Choice(["mm", "inch"]), help="What one unit of the model's numbers means.")
@click.option("--material", metavar="NAME", help="The bar's material, see: newel shop list.")
@click.option("--machine", metavar="NAME", help="The machine, see: newel shop list.")
@click.option("-o", "job", type=click.Path(path_type=Path), metavar="JOB", help="The job file to write; else MODEL.toml.")
@click.option("--force", is_flag=True, help="Write over a job file that is already there.")
@SHOP
@QUIET
def new(model: Path, job: Path | None, shop_files: tuple[Path, ...], quiet: bool, **asked: Any) -> int:
    """Write a job file for MODEL, with every default spelled out and explained.

    The smallest bar that holds the part is chosen. A model that fits no bar the machine can hold is refused with the
    scale that would fit; --fit takes that scale.
    """
    from newel.app.inputs import read_shop
    from newel.app.new_job import NewJobAsk, write_new_job

    target, shop = job or model.with_suffix(".toml"), read_shop(shop_files)
    with _progress(quiet, ("choose",)) as progress:
        written = write_new_job(model, target, NewJobAsk(**asked), shop, progress)
    _say(written.said, quiet)
    return PROVED


@newel.command()
@_JOB
@click.option("--explain", is_flag=True, help="Make the passes too, and say what limits each cut and what would be quicker.")
@click.option("--search", is_flag=True, help="Try other cutters, depths, widths and work by the clock; prove the best (slow).")
@WORKERS
@SCHEDULER
@SHOP
@QUIET
def plan(
    job: Path,
    explain: bool,
    search: bool,
    workers: int | None,
    scheduler: str | None,
    shop_files: tuple[Path, ...],
    quiet: bool,
) -> int:
    """Decide everything about JOB and say why. Writes nothing."""
    from newel.app.inputs import read_job_files, read_shop
    from newel.app.making import plan_only
    from newel.reports.summary import plan_text

    files, shop = read_job_files(job), read_shop(shop_files)
    said: list[str] = []
    stages = ("read", "plan", "cut") if explain else ("read", "plan")
    with _progress(quiet, None if search else stages) as progress:
        if explain:
            from newel.app.explaining import explained_plan

            decided, machine, why = explained_plan(files, shop, progress)
            said.append(why)
        else:
            decided, machine = plan_only(files, shop, progress)
        if search:
            from newel.app.inputs import read_shop_texts
            from newel.app.plan_search import searched_plan
            from newel.app.workers import workers_of

            said.append(searched_plan(files, read_shop_texts(shop_files), workers_of(workers, scheduler), progress))
    _say("\n\n".join([plan_text(decided, machine), *said]), quiet)
    return PROVED


@newel.command()
@_JOB
@_OUT
@SHOP
@QUIET
def make(job: Path, out: Path | None, shop_files: tuple[Path, ...], quiet: bool) -> int:
    """Go the whole road for JOB: plan, passes, program, proof, sheet and pictures.

    A job finial.toml writes into finial.out/ unless --out names a folder. The program is proved before it is handed
    over; where it can't be, the findings say why and the exit status is 1.
    """
    from newel.app.inputs import read_job_files, read_shop
    from newel.app.kernel_cache import filled_first
    from newel.app.making import make_and_write
    from newel.reports.summary import summary_text

    shop, files = read_shop(shop_files), read_job_files(job)
    folder = out or files.out
    with _progress(quiet) as progress:
        results = make_and_write(files, shop, folder, filled_first(progress))
    _say(summary_text(results, folder=str(folder)), quiet)
    return _status(results.proof.verdict)


@newel.command()
@click.argument("programs", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="PROGRAM...")
@click.option("--job", type=click.Path(path_type=Path), required=True, metavar="JOB", help="The job the program is for.")
@click.option("--sealed", is_flag=True, help="Only check that the seal of an earlier proof still fits.")
@_OUT
@SHOP
@QUIET
def prove(
    programs: tuple[Path, ...], job: Path, sealed: bool, out: Path | None, shop_files: tuple[Path, ...], quiet: bool
) -> int:
    """Prove PROGRAM, whoever wrote it, for the set-up of JOB.

    Several files are run one after the other, in the order given. With --out the proof is written as proof.json.
    """
    from newel.app.inputs import read_job_files, read_shop
    from newel.app.making import prove_files, seal_still_fits
    from newel.reports.summary import proof_text

    files, shop = read_job_files(job), read_shop(shop_files)
    if sealed:
        with _progress(quiet, _PROVING) as progress:
            fits, said = seal_still_fits(files, programs, out or files.out, shop, progress)
        _say(said, quiet)
        return PROVED if fits else NOT_PROVED
    with _progress(quiet, _PROVING) as progress:
        proof = prove_files(files, programs, out, shop, progress)
    _say(proof_text(proof, tolerance_mm=files.job.finish.tolerance_mm), quiet)
    return _status(proof.verdict)


@newel.command("open")
@click.argument("job", type=click.Path(path_type=Path), required=False)
@click.option("--port", type=click.IntRange(0, 65535), default=0, metavar="N", help="The port; else a free one near 8390.")
@click.option("--host", default="127.0.0.1", show_default=True, help="Listen elsewhere too; a token is then asked for.")
@click.option("--no-browser", is_flag=True, help="Only say the address.")
@SHOP
def open_page(job: Path | None, port: int, host: str, no_browser: bool, shop_files: tuple[Path, ...]) -> int:
    """Open the local page: look at JOB, plan it, make and prove it, and watch the bar being cut.

    Without JOB, drop a model on the page; its job file is written into the folder that you are in. The page is served to
    this machine only, and asks nothing from any other.
    """
    from newel.app.page.serve import OpenAsk, serve

    serve(OpenAsk(job, host, port, not no_browser, shop_files), lambda text: click.echo(text))
    return PROVED


@newel.group()
def shop() -> None:
    """List, show and check what stands in the workshop: cutters, materials, machines, bars."""


@shop.command("list")
@click.argument("kind", type=click.Choice(["cutters", "materials", "machines", "bars"]), required=False)
@SHOP
def shop_list(kind: str | None, shop_files: tuple[Path, ...]) -> int:
    """List the names that a job file may use."""
    from newel.app.inputs import read_shop
    from newel.app.shop_texts import list_text

    click.echo(list_text(read_shop(shop_files), kind))
    return PROVED


@shop.command("show")
@click.argument("name")
@SHOP
def shop_show(name: str, shop_files: tuple[Path, ...]) -> int:
    """Show one thing of the shop with all its figures and where they come from."""
    from newel.app.inputs import read_shop
    from newel.app.shop_texts import show_text

    click.echo(show_text(read_shop(shop_files), name))
    return PROVED


@shop.command("check")
@click.argument("files", type=click.Path(path_type=Path), nargs=-1)
def shop_check(files: tuple[Path, ...]) -> int:
    """Check shop files of your own (and the shipped ones): every row complete, plausible and with its source."""
    from newel.app.inputs import read_shop
    from newel.app.shop_texts import count_text

    click.echo(count_text(read_shop(files)))
    return PROVED


for _command in (shop_trial, shop_fit, shop_new_machine):
    shop.add_command(_command)
newel.add_command(probe)
newel.add_command(log)
for command in (batch, family, watch):
    newel.add_command(command)


def main() -> NoReturn:
    """Run the command line and leave with its exit status."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run one command line; return the exit status. Errors go to stderr as one block."""
    debug = "--debug" in arguments
    if debug:  # it may stand anywhere
        arguments = ["--debug", *(word for word in arguments if word != "--debug")]
    if not {"--help", "--version"} & set(arguments):
        from newel.app.kernel_cache import use_kernel_cache

        use_kernel_cache()
    return _guarded(lambda: newel.main(arguments, prog_name="newel", standalone_mode=False), debug)


def _guarded(command: Callable[[], Any], debug: bool) -> int:
    try:
        status = command()
        sys.stdout.flush()
        return status if isinstance(status, int) else PROVED
    except NewelError as error:
        if debug:
            traceback.print_exc()
        click.echo(error.block(), err=True)
    except click.ClickException as error:
        error.show()
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except (KeyboardInterrupt, click.Abort):
        click.echo("stopped: nothing half written is left", err=True)
        return STOPPED
    except BrokenPipeError:
        sys.stderr.close()  # the reader went away: nothing to say, and no one to say it to
        return PROVED
    except MemoryError:
        if debug:
            traceback.print_exc()
        click.echo(
            "error: not enough memory for this job\n   do: raise [proof] resolution_mm, or make the model smaller", err=True
        )
    except OSError as error:
        if debug:
            traceback.print_exc()
        click.echo(f"error: {error.strerror or error}\n   at: {error.filename or 'the system'}", err=True)
    except Exception as error:  # a fault of ours: say so in one block too
        if debug:
            traceback.print_exc()
        click.echo(f"error: Newel itself failed: {type(error).__name__}: {error}", err=True)
        click.echo("   do: run again with --debug and report what it shows", err=True)
    return REFUSED


def _progress(quiet: bool, stages: tuple[str, ...] | None = None) -> Any:
    from newel.app.progress import STAGES, ProgressLine

    return ProgressLine(quiet=quiet, stages=stages or tuple(STAGES))


def _say(text: str, quiet: bool) -> None:
    if not quiet:
        click.echo(text)


def _status(verdict: str) -> int:
    return PROVED if verdict == "proved" else NOT_PROVED


def _made(outcome: tuple[str, str], quiet: bool) -> int:
    text, verdict = outcome
    _say(text, quiet)
    return _status(verdict)


if __name__ == "__main__":
    main()
