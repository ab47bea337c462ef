"""`newel batch`: many jobs on all cores or on a cluster, resumed where it stopped, with one summary.

The parent reads the jobs and writes the results; workers only work (batch_work). `batch.json` in the folder says what is
done: it is written after every job, so a batch that was killed goes on with the jobs that are missing.
"""

from __future__ import annotations

import json
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from newel.app.batch_work import FAILED, Outcome, Row, Task, do, one_core, one_line
from newel.app.inputs import read_job_files, read_text
from newel.app.making import is_ours
from newel.app.whole_files import write_file, write_results
from newel.core.errors import BadInput, NewelError

STATE = "batch.json"
FORMAT = 1
Ends = Callable[[Sequence[Task]], Iterator[tuple[Task, Outcome]]]  # works through tasks, in any order
Told = Callable[[Row, int, int], None]  # a row as it comes, how many are done, of how many

TRIES = 3  # a job whose worker dies is given to another one; a job that kills every worker is not asked for ever


@dataclass(frozen=True)
class Batch:
    """What came of all jobs, in the order they were named: rows, and how many of them were already done."""

    rows: tuple[Row, ...]
    kept: int


def tasks_of(paths: Sequence[Path], shop_files: Sequence[Path]) -> tuple[list[Task], list[Row]]:
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
    texts = {str(path): read_text(path, "shop file") for path in shop_files}
    tasks, refused = [], []
    for path in found:
        try:
            tasks.append(Task(path.stem, read_job_files(path), texts))
        except NewelError as error:
            refused.append(Row(path.stem, "", "refused", one_line(error)))
    return tasks, refused


def run_batch(
    tasks: Sequence[Task],
    out: Path,
    ends: Ends,
    told: Told,
    *,
    again: bool = False,
) -> Batch:
    """Make what is not made yet, writing each job into `out`/NAME.out as it ends; `told` hears each row as it comes."""
    rows = {} if again else _known(out)
    kept = {task.name for task in tasks if _still_good(rows.get(task.name), task, out)}
    todo = [task for task in tasks if task.name not in kept]
    done = len(kept)
    for task, outcome in ends(todo) if todo else ():
        folder = out / f"{task.name}.out"
        if outcome.files:
            write_results(folder, outcome.files, stale=is_ours, last="proof.json")
        rows[task.name] = outcome.row
        _remember(out, rows)
        done += 1
        told(outcome.row, done, len(tasks))
    return Batch(tuple(rows[task.name] for task in tasks), len(kept))


def on_this_machine(workers: int) -> Ends:
    """Return a way of working through tasks on so many processes of this machine, one core each."""

    def ends(tasks: Sequence[Task]) -> Iterator[tuple[Task, Outcome]]:
        left, tries = list(tasks), dict.fromkeys((task.name for task in tasks), 0)
        while left:
            done: set[str] = set()
            context = multiprocessing.get_context("spawn")
            with ProcessPoolExecutor(min(workers, len(left)), mp_context=context, initializer=one_core) as pool:
                asked: dict[Future[Outcome], Task] = {pool.submit(do, task): task for task in left}
                try:
                    for future in as_completed(asked):
                        outcome = future.result()
                        done.add(asked[future].name)
                        yield asked[future], outcome
                except BrokenProcessPool:
                    # The pool cannot say which job its worker died of: those that were not done are tried again.
                    pass
                except GeneratorExit:
                    pool.shutdown(wait=False, cancel_futures=True)
                    raise
            left = [task for task in left if task.name not in done]
            for task in left:
                tries[task.name] += 1
            for task in [task for task in left if tries[task.name] >= TRIES]:
                left.remove(task)
                yield task, Outcome(Row(task.name, task.key(), FAILED, f"its worker died {TRIES} times (memory?)"))

    return ends


def on_a_cluster(address: str) -> Ends:
    """Return a way of working through tasks on the workers of the Dask scheduler at `address`; needs the extra 'cluster'."""
    try:
        from distributed import Client
        from distributed import as_completed as as_ended
    except ImportError:
        raise BadInput("a cluster needs one more package", remedy="install Newel with its extra 'cluster'") from None

    def ends(tasks: Sequence[Task]) -> Iterator[tuple[Task, Outcome]]:
        try:
            client = Client(address, timeout=20)
        except (OSError, TimeoutError) as error:
            raise BadInput(f"no scheduler answers at {address}: {error}", remedy="check the address and that it runs") from None
        with client:
            asked = {client.submit(do, task, key=f"{task.name}-{task.key()}", retries=TRIES): task for task in tasks}
            for future in as_ended(list(asked)):
                task = asked[future]
                try:
                    outcome = future.result()
                except Exception as error:  # the scheduler gave it up: its workers kept dying
                    outcome = Outcome(
                        Row(task.name, task.key(), FAILED, f"its workers failed: {type(error).__name__}: {error}")
                    )
                future.release()
                yield task, outcome

    return ends


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


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
