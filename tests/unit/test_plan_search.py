"""The search for the quickest proved plan: which ways are tried, and what is written down."""

from __future__ import annotations

import math
import pickle
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from newel.app import plan_search
from newel.app.inputs import read_job_files, read_shop
from newel.app.job_file import read_job
from newel.app.plan_search import TRIALS, Trial, Tried, Way, first_ways, searched_plan
from newel.app.workers import Errand
from newel.core.job import Work
from newel.geometry.meshes import write_stl
from newel.geometry.solids import turned_cylinder
from newel.pipeline import decide, read

JOB = """format = 1
machine = "light benchtop mill"
cutters = ["3 mm flat", "1/8 in flat", "4 mm flat", "3 mm ball", "2 mm ball"]
[model]
file = "peg.stl"
[place]
axis = "x"
[bar]
section = "round"
size_mm = 12
material = "medium tooling board"
[finish]
rest = false
cusp_mm = 0.1
[proof]
resolution_mm = 0.6
"""
SHOP = read_shop(())


def silent(stage: str, share: float) -> None:
    pass


@pytest.fixture
def files(tmp_path: Path):
    (tmp_path / "peg.stl").write_bytes(write_stl(turned_cylinder(0.0, 8.0, 4.0, 32)))
    (tmp_path / "peg.toml").write_text(JOB)
    return read_job_files(tmp_path / "peg.toml")


def test_each_first_way_differs_from_the_plan_in_one_thing(files) -> None:
    plan, _, _ = decide(files.job, read(files.job, files.model, SHOP), SHOP)
    ways = first_ways(files.job, plan, SHOP)
    assert ways[0] == Way()
    assert len(set(ways)) == len(ways)
    changed = [[name for name in ("work", "rough", "finish") if getattr(way, name) is not None] for way in ways[1:]]
    assert all(len(names) == 1 for names in changed)
    assert {names[0] for names in changed} == {"work", "rough", "finish"}
    planned = dict(plan.cutters)[plan.cuts[0].cutter]
    assert planned not in [way.rough for way in ways]


def test_what_the_job_file_says_is_not_searched(files) -> None:
    text = JOB.replace("[finish]", '[rough]\ncutter = "3 mm flat"\n[finish]\ncutter = "3 mm ball"').replace(
        "[model]", 'work = "around"\n[model]'
    )
    said = read_job(text, name="peg", where="peg.toml")
    plan, _, _ = decide(said, read(said, files.model, SHOP), SHOP)
    assert first_ways(said, plan, SHOP) == [Way()]


@pytest.mark.parametrize(
    "way",
    [
        Way(),
        Way(work=Work.AROUND, rough="4 mm flat", finish="3 mm ball", rest="2 mm ball"),
        Way(rough="3 mm flat", ap_mm=1.5, ae_mm=0.8),
    ],
)
def test_the_lines_to_write_down_make_the_job_that_was_tried(way: Way) -> None:
    plain = read_job(JOB.replace("[finish]\nrest = false\ncusp_mm = 0.1\n", ""), name="peg", where="peg.toml")
    lines = way.job_lines()
    top = [line for line in lines if line.startswith("work")]
    text = JOB.replace("[finish]\nrest = false\ncusp_mm = 0.1\n", "").replace("[model]", "\n".join([*top, "[model]"]))
    written = read_job(text + "\n".join(line for line in lines if line not in top), name="peg", where="peg.toml")
    assert written == way.applied(plain)


def test_the_quickest_way_that_is_proved_is_written_down(files, monkeypatch: pytest.MonkeyPatch) -> None:
    """Clock and proof are stood in for, so that the order is known: another roughing cutter is quicker, all else is refused."""
    plan, _, _ = decide(files.job, read(files.job, files.model, SHOP), SHOP)
    other = next(way.rough for way in first_ways(files.job, plan, SHOP) if way.rough)
    minutes = {"as planned": 10.0, f"rough with {other}": 8.0}
    asked: list[str] = []

    def workers(errand: Errand, trials: Sequence[Trial]) -> Iterator[tuple[Any, Any]]:
        assert errand is TRIALS
        for trial in reversed(trials):
            asked.append(trial.name)
            yield trial, Tried(minutes.get(trial.name, math.inf), "no time for it")

    proofs: list[str] = []

    class Proved:
        verdict, time_min, findings = "proved", 7.5, ()

    class Made:
        proof = Proved

    def make(job, *rest: object) -> type[Made]:
        proofs.append(job.rough.cutter)
        return Made

    monkeypatch.setattr(plan_search, "make", make)
    text = searched_plan(files, {}, workers, silent)
    assert proofs == [other]
    assert text.splitlines()[1].strip().startswith(f"rough with {other}: about 8 min")
    assert f'cutter = "{other}"' in text
    assert "refused: no time for it" in text
    assert len(asked) == len(set(asked))


def test_what_finishes_as_a_way_that_failed_is_not_made_again(files, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every way is quicker than the plan and none can be proved: of those that finish alike only the quickest is made."""
    made: list[tuple[object, object]] = []

    def workers(errand: Errand, trials: Sequence[Trial]) -> Iterator[tuple[Any, Any]]:
        yield from ((trial, Tried(10.0 if trial.way == Way() else 8.0)) for trial in trials)

    class Denied:
        verdict, time_min, findings = "not proved", 8.0, ()

    class Made:
        proof = Denied

    def make(job, *rest: object) -> type[Made]:
        made.append((job.work, job.finish.cutter))
        return Made

    monkeypatch.setattr(plan_search, "make", make)
    text = searched_plan(files, {}, workers, silent)
    assert 1 < len(made) <= plan_search.PROVED_AT_MOST
    assert len(set(made)) == len(made)
    assert text.endswith("keep the plan as it is")


def test_a_plan_that_nothing_beats_is_kept(files) -> None:
    def workers(errand: Errand, trials: Sequence[Trial]) -> Iterator[tuple[Any, Any]]:
        yield from ((trial, Tried(10.0 if trial.way == Way() else 9.95)) for trial in trials)

    assert "keep it" in searched_plan(files, {}, workers, silent)


@pytest.mark.slow
def test_a_trial_is_clocked_and_a_refusal_says_why(files) -> None:
    planned = TRIALS.do(pickle.loads(pickle.dumps(Trial(Way(), files, {}))))  # as a worker gets it
    assert 0.5 < planned.minutes < 60.0
    refused = TRIALS.do(Trial(Way(finish="3 mm flat", rough="no such"), files, {}))
    assert refused.minutes == math.inf
    assert "no such" in refused.says
