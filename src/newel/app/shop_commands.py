"""`newel shop trial`, `fit` and `new-machine`: learn a material's cutting force, and describe a machine, at home."""

from __future__ import annotations

from pathlib import Path

import click

from newel.app.options import SHOP, Number

_MACHINE = click.option("--machine", default="light benchtop mill", show_default=True, metavar="NAME", help="The machine.")
_BAR = click.option("--bar", "bar_mm", type=Number(), default=30.0, show_default=True, help="Width of the square bar, mm.")


@click.command("trial")
@click.argument("material")
@click.argument("cutter")
@_MACHINE
@_BAR
@click.option("-o", "target", type=click.Path(path_type=Path), default=Path("trial.ngc"), metavar="FILE", show_default=True)
@SHOP
def shop_trial(material: str, cutter: str, machine: str, bar_mm: float, target: Path, shop_files: tuple[Path, ...]) -> int:
    """Write a short trial program for CUTTER in MATERIAL: a slot whose feed rises in steps, proved like any program."""
    from newel.app.inputs import read_shop
    from newel.app.shop_work import TrialAsk, write_trial

    said, verdict = write_trial(TrialAsk(material, cutter, machine, bar_mm), read_shop(shop_files), target)
    click.echo(said)
    return 0 if verdict == "proved" else 1


@click.command("fit")
@click.argument("material")
@click.argument("cutter")
@_MACHINE
@_BAR
@click.option("--idle", "idle_W", type=Number(), default=0.0, metavar="W", help="Power the spindle draws idling.")
@click.option(
    "--watts", multiple=True, metavar="STEP=W", help="Power it draws while cutting a step; may be given several times."
)
@click.option("--stalled-at", type=int, metavar="STEP", help="The first step at which the spindle stalled.")
@click.option("--slipped-at", type=int, metavar="STEP", help="The first step at which the rotary axis slipped.")
@click.option("--grams", multiple=True, metavar="STEP=G", help="A kitchen scale's reading under a lever on the bar.")
@click.option("--arm", "arm_mm", type=Number(), default=0.0, metavar="MM", help="Length of that lever, from the axis.")
@SHOP
def shop_fit(
    material: str,
    cutter: str,
    machine: str,
    bar_mm: float,
    watts: tuple[str, ...],
    grams: tuple[str, ...],
    shop_files: tuple[Path, ...],
    **read: float | int | None,
) -> int:
    """Read the result of a trial cut: the specific cutting force of MATERIAL, as a band with what it leaves uncertain."""
    from newel.app.inputs import read_shop
    from newel.app.shop_work import Readings, TrialAsk, fit_trial, step_readings

    readings = Readings(
        watts=step_readings(watts, "--watts"),
        grams=step_readings(grams, "--grams"),
        **read,  # type: ignore[arg-type]
    )
    click.echo(fit_trial(TrialAsk(material, cutter, machine, bar_mm), readings, read_shop(shop_files)))
    return 0


@click.command("new-machine")
@click.option("-o", "target", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The shop file to write.")
@click.option("--answer", "answers", multiple=True, metavar="KEY=TEXT", help="An answer given beforehand; see --questions.")
@click.option("--questions", is_flag=True, help="Only list the questions and how to measure each at home.")
@click.option("--defaults", is_flag=True, help="Ask nothing: what --answer does not say is taken from the demo's machine.")
def shop_new_machine(target: Path, answers: tuple[str, ...], questions: bool, defaults: bool) -> int:
    """Describe your machine in 15 questions, each with how to measure it at home, and write a shop file of it."""
    from newel.app.machine_questions import QUESTIONS, Question, answered, machine_text
    from newel.app.whole_files import write_file
    from newel.core.errors import BadInput

    if questions:
        for number, one in enumerate(QUESTIONS, start=1):
            click.echo(f"{number:2} {one.key}: {one.asks}\n   {one.measure}\n   such as: {one.default}")
        return 0
    given = {}
    for answer in answers:
        key, found, text = answer.partition("=")
        if not found:
            raise BadInput(f"{answer!r} is not KEY=TEXT", where="--answer", remedy="write it like --answer a-sense=-1")
        given[key.strip()] = text.strip()
    if target.exists():
        raise BadInput(f"{target} is there already", where="-o", remedy="name another file")

    def ask(one: Question) -> str:
        click.echo(f"\n{one.asks}\n  {one.measure}")
        return str(click.prompt(one.key, default=one.default))

    text = machine_text(answered(given, None if defaults else ask))
    write_file(target, text.encode())
    click.echo(f"{target} written and checked. See it: newel shop check {target}")
    return 0
