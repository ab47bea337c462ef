"""The worker process: it plans, makes and proves beside the server, so that the page never waits for a computation.

The server sends one task at a time over a pipe and hears ('progress', stage, share), then ('done', figures) or ('failed', what,
where, remedy). What the browser needs is written into the task's own folder. A task is stopped by ending the process.
"""

from __future__ import annotations

import json
import pickle
import signal
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from newel.core.errors import NewelError

Progress = Callable[[str, float], None]
IDLE_S = 1.0  # without a task for so long after the start, which belongs to the page


@dataclass(frozen=True)
class Task:
    """One thing to do: `what`, for which job file, with the shop files, writing into `folder`."""

    what: str
    job: str
    folder: str
    shop_files: tuple[str, ...] = ()
    given: dict[str, Any] = field(default_factory=dict)


def work(pipe: Connection) -> None:
    """Do tasks as they come until the server hangs up."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to the server, which ends this process
    signal.signal(signal.SIGTERM, _stopped)
    from newel.app.kernel_cache import use_kernel_cache

    use_kernel_cache()
    try:
        if not pipe.poll(IDLE_S):
            _warm_up()
        while True:
            task = pipe.recv()
            pipe.send(_outcome(task, lambda stage, share: pipe.send(("progress", stage, float(share)))))
    except (EOFError, BrokenPipeError, KeyboardInterrupt):
        return


def _warm_up() -> None:
    """Import what the first task will need: some two seconds that nobody then waits for."""
    import newel.app.new_job
    import newel.app.page.results  # noqa: F401


def _stopped(_signal: int, _frame: Any) -> None:
    raise KeyboardInterrupt


def _outcome(task: Task, progress: Progress) -> tuple[Any, ...]:
    try:
        return ("done", TASKS[task.what](task, progress))
    except NewelError as error:
        return ("failed", error.what, error.where, error.remedy)
    except MemoryError:
        return ("failed", "not enough memory for this job", "", "raise [proof] resolution_mm, or make the model smaller")
    except OSError as error:
        return ("failed", error.strerror or str(error), error.filename or "", "")
    except Exception as error:  # a fault of ours: the page says so, the server lives on
        return ("failed", f"Newel itself failed: {type(error).__name__}: {error}", "", "run the job with 'newel make --debug'")


def _new(task: Task, progress: Progress) -> dict[str, Any]:
    """Write a first job file for a model."""
    from newel.app.inputs import read_shop
    from newel.app.new_job import NewJobAsk, write_new_job

    shop = read_shop(tuple(Path(item) for item in task.shop_files))
    asked = NewJobAsk(fit=task.given["fit"], unit=task.given.get("unit"), material=task.given.get("material"), force=False)
    written = write_new_job(Path(task.given["model"]), Path(task.job), asked, shop, progress)
    return {"said": written.said.split("\n")[0]}


def _plan(task: Task, progress: Progress) -> dict[str, Any]:
    """Decide and explain."""
    from newel.app.page.results import planned

    return planned(task, progress)


def _make(task: Task, progress: Progress) -> dict[str, Any]:
    """Go the whole road, write the results, and what the page shows of them."""
    from newel.app.page.results import made

    return made(task, progress)


def _prove(task: Task, progress: Progress) -> dict[str, Any]:
    """Prove programs, whoever wrote them."""
    from newel.app.page.results import proved

    return proved(task, progress)


def _routine(task: Task, progress: Progress) -> dict[str, Any]:
    """Plan a probing routine and keep its bench for the fit."""
    from newel.app.page.touching import routine

    said, bench = routine(task.job, task.shop_files, task.given, progress)
    folder = Path(task.folder)
    (folder / "bench.pickle").write_bytes(pickle.dumps(bench))
    (folder / "routine.json").write_text(json.dumps(said), encoding="utf-8")
    return {"kind": task.given["kind"]}


def _fit(task: Task, progress: Progress) -> dict[str, Any]:
    """Fit the readings that were typed in."""
    from newel.app.page.touching import fitted

    progress("fit", 0.0)
    bench = pickle.loads((Path(task.given["bench"]) / "bench.pickle").read_bytes())  # our own, from a folder only we can write
    said = fitted(bench, task.given["values"])
    (Path(task.folder) / "fit.json").write_text(json.dumps(said), encoding="utf-8")
    return {}


TASKS: dict[str, Callable[[Task, Progress], dict[str, Any]]] = {
    "new": _new,
    "plan": _plan,
    "make": _make,
    "prove": _prove,
    "routine": _routine,
    "fit": _fit,
}
