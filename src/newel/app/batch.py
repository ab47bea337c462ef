"""`newel batch`: many jobs on all cores or on a cluster, resumed where it stopped, with one summary.

The parent reads the jobs and writes the results; workers only work (batch_work). `batch.json` in the folder says what is
done: it is written after every job, so a batch that was killed goes on with the jobs that are missing.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from newel.app.batch_work import FAILED, Outcome, Row, Task, do, one_line
from newel.app.inputs import read_job_files, read_shop_texts
from newel.app.making import is_ours
from newel.app.whole_files import write_file, write_results
from newel.app.workers import Errand, Workers
from newel.core.errors import BadInput, NewelError

STATE = "batch.json"
FORMAT = 1
Told = Callable[[Row, int, int], None]  # a row as it comes, how many are done, of how many


@dataclass(frozen=True)
class Batch:
    """What came of all jobs, in the order they were named: rows, and how many of them were already done."""

    rows: tuple[Row, ...]
    kept: int


def tasks_of(paths: Sequence[Path], shop_files: Sequence[Path], *, pictures: bool = True) -> tuple[list[Task], list[Row]]:
    """Read jobs; a folder stands for the job files in it. What cannot be read comes back as refused rows.

    Raises BadInput where there is no job at all, or where two would write into one folder.
    """
    found: list[Path] = []
    for path in paths:
        found += sorted(path.glob("*.toml")) if path.is_dir() else [path]
    found = list(dict.fromkeys(found))
    if not found:
        raise BadInput("there is no job here", where=", ".join(map(str, paths)), remedy="name job files, or folders with some")
    names = [path.stem for path in found]
    for name in names:
        if names.count(name) > 1:
            raise BadInput(f"two jobs are called {name!r}: their results would lie in one folder", remedy="rename one of them")
    texts = read_shop_texts(shop_files)
    tasks, refused = [], []
    for path in found:
        try:
            tasks.append(Task(path.stem, read_job_files(path), texts, pictures))
        except NewelError as error:
            refused.append(Row(path.stem, "", "refused", one_line(error)))
    return tasks, refused


def run_batch(
    tasks: Sequence[Task],
    out: Path,
    workers: Workers,
    told: Told,
    *,
    again: bool = False,
) -> Batch:
    """Make what is not made yet, writing each job into `out`/NAME.out as it ends; `told` hears each row as it comes."""
    rows = {} if again else _known(out)
    kept = {task.name for task in tasks if _still_good(rows.get(task.name), task, out)}
    todo = [task for task in tasks if task.name not in kept]
    done = len(kept)
    for task, outcome in workers(JOBS, todo) if todo else ():
        folder = out / f"{task.name}.out"
        if outcome.files:
            write_results(folder, outcome.files, stale=is_ours, last="proof.json")
        rows[task.name] = outcome.row
        _remember(out, rows)
        done += 1
        told(outcome.row, done, len(tasks))
    return Batch(tuple(rows[task.name] for task in tasks), len(kept))


def _lost(task: Task, why: str) -> Outcome:
    return Outcome(Row(task.name, task.key(), FAILED, why))


JOBS = Errand(do, _lost)


def _known(out: Path) -> dict[str, Row]:
    """Return the rows that an earlier run of this folder remembers; none where there was none, or it is unreadable."""
    try:
        state = json.loads((out / STATE).read_text(encoding="utf-8"))
        return {row["name"]: _row(row) for row in state["rows"]} if state["format"] == FORMAT else {}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def _row(saved: dict[str, Any]) -> Row:
    row = Row(**saved)
    numbers = {name: float("nan") for name in ("minutes", "sawn_mm", "bar_mm3") if getattr(row, name) is None}
    return replace(row, size_mm=tuple(row.size_mm), cutters=tuple(row.cutters), **numbers)  # type: ignore[arg-type]


def _still_good(row: Row | None, task: Task, out: Path) -> bool:
    """Tell whether an earlier result belongs to the job as it is now and is still there."""
    if row is None or row.key != task.key() or row.end == FAILED:
        return False
    return row.end == "refused" or (out / f"{task.name}.out" / "proof.json").exists()


def _remember(out: Path, rows: dict[str, Row]) -> None:
    out.mkdir(parents=True, exist_ok=True)
    saved = [{k: None if v != v else v for k, v in asdict(rows[name]).items()} for name in sorted(rows)]
    write_file(out / STATE, (json.dumps({"format": FORMAT, "rows": saved}, indent=1) + "\n").encode())
