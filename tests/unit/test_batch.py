"""Many jobs: resuming, rows and prices with stand-in workers; real workers and a real scheduler in test_batch_workers."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from newel.app.batch import run_batch, tasks_of
from newel.app.batch_summary import Rates, batch_csv, batch_text, cut_list_csv, cut_list_of, rates, stock_of
from newel.app.batch_work import Outcome, Row, Task
from newel.app.watch import Seen, Watch, look, stamps
from newel.app.workers import Errand
from newel.core.errors import BadInput
from newel.planning.cut_list import Stock

JOB = """format = 1
machine = "light benchtop mill"
[model]
file = "peg.stl"
[bar]
section = "round"
size_mm = 16
material = "beech"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "peg.stl").write_bytes(b"a model")
    for name in ("a", "b", "c"):
        (tmp_path / f"{name}.toml").write_text(JOB)
    return tmp_path


def row(task: Task, end: str = "proved") -> Row:
    return Row(task.name, task.key(), end, "", 30.0, "round", (16.0,), "beech", 100.0, 20_000.0, ("3 mm ball",))


class Worker:
    """Stands in for workers: says 'proved', or stops after so many as a killed batch does."""

    def __init__(self, stops_after: int = 99, end: str = "proved") -> None:
        self.did: list[str] = []
        self.stops_after, self.end = stops_after, end

    def __call__(self, errand: Errand, tasks: Sequence[Task]) -> Iterator[tuple[Task, Outcome]]:
        for task in tasks:
            if len(self.did) == self.stops_after:
                raise KeyboardInterrupt
            self.did.append(task.name)
            yield task, Outcome(row(task, self.end), {"proof.json": b"{}", "program.ngc": b"M30\n"})


def ran(folder: Path, worker: Worker, *, again: bool = False) -> list[str]:
    tasks, _ = tasks_of([folder], [])
    run_batch(tasks, folder / "out", worker, lambda *_: None, again=again)
    return worker.did


def test_a_batch_that_was_stopped_goes_on(folder: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        ran(folder, Worker(stops_after=2))
    assert ran(folder, Worker()) == ["c"]
    assert ran(folder, Worker()) == []
    assert ran(folder, Worker(), again=True) == ["a", "b", "c"]


def test_what_has_changed_is_made_again(folder: Path) -> None:
    ran(folder, Worker())
    (folder / "b.toml").write_text(JOB.replace("16", "20"))
    assert ran(folder, Worker()) == ["b"]
    (folder / "peg.stl").write_bytes(b"another model")
    assert ran(folder, Worker()) == ["a", "b", "c"]


def test_results_that_were_taken_away_are_made_again(folder: Path) -> None:
    ran(folder, Worker())
    (folder / "out" / "b.out" / "proof.json").unlink()
    assert ran(folder, Worker()) == ["b"]


def test_what_failed_is_tried_again(folder: Path) -> None:
    ran(folder, Worker(end="failed"))
    assert ran(folder, Worker()) == ["a", "b", "c"]


def test_a_broken_job_is_a_refused_row_and_not_the_end(folder: Path) -> None:
    (folder / "b.toml").write_text("format = ")
    tasks, refused = tasks_of([folder], [])
    assert [task.name for task in tasks] == ["a", "c"]
    assert [(line.name, line.end) for line in refused] == [("b", "refused")]
    assert "line 1" in refused[0].says


def test_jobs_of_one_name_are_refused(folder: Path) -> None:
    (folder / "more").mkdir()
    (folder / "more" / "a.toml").write_text(JOB)
    with pytest.raises(BadInput, match="two jobs"):
        tasks_of([folder, folder / "more"], [])
    with pytest.raises(BadInput, match="no job"):
        (folder / "none").mkdir()
        tasks_of([folder / "none"], [])


def test_prices_come_from_hours_and_litres(folder: Path) -> None:
    tasks, _ = tasks_of([folder], [])
    rows = [row(task) for task in tasks]
    cost = rates(40.0, ["beech = 5"])
    # derived: half an hour at 40, and 0.02 litres at 5
    assert cost.price(rows[0]) == pytest.approx(20.1)
    table = list(csv.DictReader(io.StringIO(batch_csv(rows, cost))))
    assert [line["price"] for line in table] == ["20.10"] * 3
    cut_list = cut_list_of(rows, [Stock(250.0)], 2.0)
    text = batch_text(rows, cost, cut_list, 2.0)
    assert "price 60.30 in all" in text
    assert "from 2 bars (2 of 250 mm), 60 % used; no way takes less" in text
    assert math.isnan(Rates().price(rows[0]))
    with pytest.raises(BadInput, match="no rate"):
        rates(None, ["beech"])


def test_a_refused_job_has_no_figures_in_the_summary(folder: Path) -> None:
    tasks, _ = tasks_of([folder], [])
    rows = [row(tasks[0]), Row("z", "", "refused", "it is too long")]
    text = batch_text(rows, Rates(), cut_list_of(rows, (), 2.0), 2.0)
    assert "2 jobs: 1 proved, 1 refused" in text
    assert "it is too long" in text


def test_stock_is_read_and_the_cut_list_tells_where_each_piece_begins(folder: Path) -> None:
    assert stock_of(["1000", "2x640", "3 x 12.5"]) == (Stock(1000.0), Stock(640.0, 2), Stock(12.5, 3))
    for wrong in ("", "long", "0", "0x100", "-5", "nan", "1e9", "2x", "1000x1000"):
        with pytest.raises(BadInput, match="no stock length"):
            stock_of([wrong])
    tasks, _ = tasks_of([folder], [])
    rows = [row(task) for task in tasks]  # three pieces of 100 mm
    cut_list = cut_list_of(rows, stock_of(["250", "1x103"]), 2.0)
    lines = list(csv.DictReader(io.StringIO(cut_list_csv(cut_list, 2.0))))
    assert [(line["bar"], line["stock_mm"], line["from_mm"]) for line in lines] == [
        ("1", "103", "0.0"),
        ("2", "250", "0.0"),
        ("2", "250", "102.0"),
    ]  # derived: 100 in the bar at hand, 100 + 2 + 100 in one that is bought
    assert "not from this stock: a needs 100 mm of bar" in batch_text(
        rows, Rates(), cut_list_of(rows, stock_of(["90"]), 2.0), 2.0
    )


def test_watching_makes_only_what_changed(folder: Path) -> None:
    watch, worker = Watch(folder, folder / "made", ()), Worker()
    seen = look(watch, Seen({}), worker, lambda *_: None)
    assert worker.did == ["a", "b", "c"]
    (folder / "c.toml").write_text(JOB.replace("16", "18"))
    seen = look(watch, seen, worker, lambda *_: None)
    assert worker.did == ["a", "b", "c", "c"]
    assert look(watch, seen, worker, lambda *_: None) == seen


def test_a_job_that_cannot_be_read_is_told_once(folder: Path) -> None:
    watch, told = Watch(folder, folder / "made", ()), []
    (folder / "b.toml").write_text("format = ")
    seen = look(watch, Seen({}), Worker(), lambda *said: told.append(said[0].name))
    look(watch, seen, Worker(), lambda *said: told.append(said[0].name))
    assert told == ["b", "a", "c"]


def test_results_are_not_watched(folder: Path) -> None:
    watch = Watch(folder, folder / "made", ())
    before = stamps(watch, Seen({}))
    ran(folder, Worker())
    (folder / "made").mkdir()
    (folder / "made" / "batch.json").write_text("{}")
    after = stamps(watch, Seen({}))
    assert {path for path in after if folder / "made" in path.parents or path.suffix == ".ngc"} == set()
    assert set(before) <= set(after)


def test_rows_come_back_as_they_were_kept(folder: Path) -> None:
    tasks, _ = tasks_of([folder], [])

    def workers(errand: Errand, asked: Sequence[Task]) -> Iterator[tuple[Task, Outcome]]:
        for task in asked:
            yield task, Outcome(replace(row(task), end="refused", minutes=math.nan, cutters=()))

    first = run_batch(tasks, folder / "out", workers, lambda *_: None)
    kept = run_batch(tasks, folder / "out", workers, lambda *_: None)
    assert kept.kept == 3
    assert str(kept.rows) == str(first.rows)


def test_a_job_made_without_pictures_is_another_one(folder: Path) -> None:
    with_them, _ = tasks_of([folder], [])
    without, _ = tasks_of([folder], [], pictures=False)
    assert [task.pictures for task in without] == [False] * 3
    assert {task.key() for task in with_them}.isdisjoint(task.key() for task in without)
