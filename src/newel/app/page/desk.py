"""The desk: the one job that is open, the runs of this session, and the worker that does them. All tabs see the same desk."""

from __future__ import annotations

import asyncio
import dataclasses
import re
import shutil
import tempfile
import threading
import time
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from newel.app.job_file import read_job
from newel.app.page.hand import Hand
from newel.app.page.worker import Task
from newel.app.progress import CHOOSING, COMPILING, STAGES, time_left, whole_fraction
from newel.app.result_names import is_ours
from newel.core.errors import BadInput, NewelError

WATCHING = {"watching": ("carving it once more to watch", 0.15)}
_SAYS = {name: says for name, (says, _) in {**STAGES, **CHOOSING, **COMPILING, **WATCHING}.items()}
_STAGES_OF = {
    "new": ("choose",),
    "plan": ("read", "plan"),
    "make": ("read", "plan", "cut", "write", "reading", "carving", "measuring", "report"),
    "prove": ("read", "plan", "reading", "carving", "measuring"),
    "routine": ("read", "plan"),
    "fit": ("plan",),
}
RUNS_KEPT = 12
SAFE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._+()-]{0,98}")


@dataclass
class Run:
    """One task and what became of it. `state`: running, done, failed or stopped."""

    number: int
    what: str
    label: str
    folder: Path
    began: float
    state: str = "running"
    stage: str = ""
    share: float = 0.0
    took_s: float = 0.0
    figures: dict[str, Any] = field(default_factory=dict)
    error: dict[str, str] = field(default_factory=dict)

    def told(self) -> dict[str, Any]:
        """Return the run as the page hears of it."""
        elapsed = self.took_s if self.state != "running" else time.monotonic() - self.began
        return {
            "number": self.number,
            "what": self.what,
            "label": self.label,
            "state": self.state,
            "says": _SAYS.get(self.stage, self.stage),
            "share": round(self.share, 4),
            "left": time_left(elapsed, self.share) if self.state == "running" else "",
            "took_s": round(elapsed, 1),
            "figures": self.figures,
            "error": self.error,
        }


class Desk:
    """The open job and its runs. Made on the server's event loop; a thread listens to the worker."""

    def __init__(self, folder: Path, job: Path | None, shop_files: tuple[Path, ...]) -> None:
        """Lay a desk for the jobs of one folder."""
        self.folder, self.job, self.shop_files = folder.resolve(), job.resolve() if job else None, shop_files
        self.data = Path(tempfile.mkdtemp(prefix="newel-page-"))
        self.runs: list[Run] = []
        self.closed = False  # once true, the tabs' lines of news end with the next that is heard
        self._count = 0
        self._listeners: set[Callable[[], None]] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._hand = Hand()
        self._allowed = _named_in(self.job) if self.job else set()

    def begin(self) -> None:
        """Start the worker; left in peace it has its imports done when the first task comes."""
        self._loop = asyncio.get_running_loop()
        self._hand.hire()

    def end(self) -> None:
        """End the worker and take the session's data away."""
        self._hand.dismiss()
        shutil.rmtree(self.data, ignore_errors=True)

    # what the page sees

    def listen(self, hear: Callable[[], None]) -> Callable[[], None]:
        """Call `hear` whenever something changed; returns what ends it."""
        self._listeners.add(hear)
        return lambda: self._listeners.discard(hear)

    def changed(self) -> None:
        """Tell every tab, from whatever thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(lambda: [hear() for hear in list(self._listeners)])

    def told(self) -> dict[str, Any]:
        """Return everything that a tab needs to show where things stand."""
        return {
            "folder": self.folder.name,
            "job": self.told_job(),
            "jobs": sorted(path.name for path in self.folder.glob("*.toml") if path.is_file()),
            "runs": [run.told() for run in self.runs],
            "results": self.results(),
        }

    def told_job(self) -> dict[str, Any] | None:
        """Return the open job's name and text, and what is wrong with it."""
        if self.job is None:
            return None
        try:
            text = self.job_text()
        except OSError as error:
            return {"name": self.job.name, "text": "", "error": {"what": str(error.strerror), "where": "", "remedy": ""}}
        try:
            self.check(text)
        except NewelError as error:
            fault = {"what": error.what, "where": error.where, "remedy": error.remedy}
            return {"name": self.job.name, "text": text, "error": fault}
        return {"name": self.job.name, "text": text, "error": None, "asked": tomllib.loads(text)}

    def job_text(self) -> str:
        """Return the open job file's text."""
        assert self.job is not None
        return self.job.read_text(encoding="utf-8")

    def check(self, text: str) -> None:
        """Refuse a job that can't be read, or that names files outside of its folder (unless it was opened so)."""
        assert self.job is not None
        job = read_job(text, name=self.job.stem, where=self.job.name)
        for name in files_named(job) - self._allowed:
            if not (self.job.parent / name).resolve().is_relative_to(self.folder):
                raise BadInput(f"{name} lies outside of the job's folder", where="file", remedy="put it beside the job file")

    def results(self) -> list[str]:
        """Return the results that lie beside the job."""
        out = self.out()
        if out is None or not out.is_dir():
            return []
        found = (path.relative_to(out).as_posix() for path in sorted(out.rglob("*")) if path.is_file())
        return [name for name in found if is_ours(name)]

    def out(self) -> Path | None:
        """Return the folder that the open job's results go to."""
        return self.job.with_suffix(".out") if self.job else None

    # what the page may do

    def open_job(self, name: str) -> None:
        """Open a job file of the folder."""
        path = self.inside(name)
        if path.suffix != ".toml" or not path.is_file():
            raise BadInput(f"there is no job {name}", remedy="choose one of the folder's jobs")
        self.job = path
        self._allowed = _named_in(self.job)
        self.changed()

    def inside(self, name: str) -> Path:
        """Return the path of a plain file name in the job's folder. Raises BadInput for anything else."""
        if not SAFE_NAME.fullmatch(name) or name.endswith((".", " ")):
            raise BadInput(f"{name[:60]!r} is no plain file name", remedy="use letters, digits, dots and dashes")
        path = (self.folder / name).resolve()
        if path.parent != self.folder:
            raise BadInput(f"{name[:60]!r} leads out of the job's folder", remedy="put the file itself there")
        return path

    def fresh(self, name: str) -> Path:
        """Return a path in the folder under that name, numbered where it is taken."""
        path = self.inside(name)
        for number in range(2, 1000):
            if not path.exists():
                return path
            path = self.inside(f"{Path(name).stem}-{number}{Path(name).suffix}")
        raise BadInput(f"there are too many files called {name}", remedy="clear the folder")

    def start(self, what: str, label: str, given: dict[str, Any] | None = None, job: Path | None = None) -> Run:
        """Give the worker a task. Raises BadInput where it is busy."""
        if any(run.state == "running" for run in self.runs):
            raise BadInput("something is running already", remedy="wait for it, or stop it")
        target = job or self.job
        if target is None:
            raise BadInput("no job is open", remedy="drop a model, or open a job")
        self._count += 1
        folder = self.data / f"run-{self._count}"
        folder.mkdir()
        run = Run(self._count, what, label, folder, time.monotonic())
        self.runs.append(run)
        while len(self.runs) > RUNS_KEPT:
            shutil.rmtree(self.runs.pop(0).folder, ignore_errors=True)
        task = Task(what, str(target), str(folder), tuple(map(str, self.shop_files)), given or {})
        threading.Thread(target=self._follow, args=(run, task), daemon=True).start()
        self.changed()
        return run

    def stop(self, number: int) -> None:
        """Stop a run that is on its way."""
        for run in self.runs:
            if run.number == number and run.state == "running":
                run.state, run.took_s = "stopped", time.monotonic() - run.began
                threading.Thread(target=self._hand.replace, args=(self._tidy,), daemon=True).start()
        self.changed()

    def run(self, number: int) -> Run:
        """Return a run by its number. Raises BadInput where it is not there any more."""
        for run in self.runs:
            if run.number == number:
                return run
        raise BadInput(f"there is no run {number}", remedy="start one")

    # the worker

    def _follow(self, run: Run, task: Task) -> None:
        def hear(message: tuple[Any, ...]) -> bool:
            self._hear(run, message)
            return run.state == "running"

        if not self._hand.do(task, hear) and run.state == "running":
            run.state = "failed"
            run.error = {"what": "the worker process died", "where": "", "remedy": "try again; watch the memory"}
        if run.state != "done" and task.what == "new":
            Path(task.given["model"]).unlink(missing_ok=True)  # a model that was not taken leaves no copy behind
        if run.state == "done" and task.what == "new":
            self.job = Path(task.job)
            self._allowed = set()
        self.changed()

    def _tidy(self) -> None:
        out = self.out()
        if out is not None and out.is_dir():
            for left in out.glob(".being-written-*"):
                shutil.rmtree(left, ignore_errors=True)

    def _hear(self, run: Run, message: tuple[Any, ...]) -> None:
        if message[0] == "progress":
            stages = _STAGES_OF[run.what]
            run.stage = message[1]
            whole = whole_fraction(message[1], message[2], stages) * 0.85
            run.share = max(run.share, 0.85 + 0.15 * message[2] if message[1] == "watching" else whole)
        else:
            run.took_s = time.monotonic() - run.began
            if message[0] == "done":
                run.state, run.figures, run.share = "done", message[1], 1.0
            else:
                run.state, run.error = "failed", {"what": message[1], "where": message[2], "remedy": message[3]}
        self.changed()


def _named_in(job: Path) -> set[str]:
    try:
        return files_named(read_job(job.read_text(encoding="utf-8"), name=job.stem, where=job.name))
    except (NewelError, OSError, UnicodeDecodeError):
        return set()


def files_named(record: Any) -> set[str]:
    """Return every file that a job names, wherever in it: the fields called file and font."""
    if dataclasses.is_dataclass(record):
        found = set()
        for item in dataclasses.fields(record):
            value = getattr(record, item.name)
            found |= {value} if item.name in ("file", "font") and isinstance(value, str) else files_named(value)
        return found
    if isinstance(record, (list, tuple)):
        return set().union(*map(files_named, record))
    return set()
