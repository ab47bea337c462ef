"""The progress bar: how far the job is and how long it may still take, on stderr of a terminal, from two seconds on."""

from __future__ import annotations

import os
import sys
import threading
import time
from types import TracebackType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

WAIT_S = 2.0

# Stages in the order they come, what they are called in front of people, and their usual share of the time (as measured on
# the finial; only the bar's evenness depends on it).
STAGES: dict[str, tuple[str, float]] = {
    "read": ("reading the model", 0.05),
    "plan": ("deciding", 0.15),
    "cut": ("making the passes", 0.30),
    "write": ("writing the program", 0.03),
    "reading": ("reading the program back", 0.07),
    "carving": ("carving the bar", 0.20),
    "measuring": ("measuring the result", 0.10),
    "report": ("drawing sheet and pictures", 0.10),
}
CHOOSING = {"choose": ("choosing a bar", 1.0)}  # of `newel new`
COMPILING = {"compile": ("compiling, this once", 0.0)}  # of the first job on a machine
_ALL = {**STAGES, **CHOOSING, **COMPILING}


class ProgressLine:
    """A bar that takes (stage, fraction of that stage) and shows the whole; silent when quiet or not on a terminal."""

    def __init__(self, *, quiet: bool, stages: tuple[str, ...] = tuple(STAGES)) -> None:
        """`stages`: those that this command goes through, in order."""
        self._shown = not quiet and sys.stderr.isatty() and os.environ.get("TERM") != "dumb"
        self._stages = stages
        self._begin = time.monotonic()
        self._lock = threading.Lock()
        self._fraction, self._says = 0.0, ""
        self._bar: Progress | None = None
        self._task: TaskID | None = None
        self._timer: threading.Timer | None = None

    def __enter__(self) -> ProgressLine:
        """Begin to count the two seconds after which the bar appears."""
        if self._shown:
            self._timer = threading.Timer(WAIT_S, self._appear)
            self._timer.daemon = True
            self._timer.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Take the bar away."""
        with self._lock:
            self._shown = False
            if self._timer is not None:
                self._timer.cancel()
            if self._bar is not None:
                self._bar.stop()
                self._bar = None

    def __call__(self, stage: str, fraction: float) -> None:
        """Note that `stage` is done to `fraction`."""
        with self._lock:
            self._fraction = max(self._fraction, whole_fraction(stage, fraction, self._stages))
            self._says = _ALL.get(stage, (stage, 0.0))[0]
            self._show()

    def _appear(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

        with self._lock:
            if not self._shown:
                return
            columns = (
                TextColumn("{task.description:<26}"),
                BarColumn(),
                TextColumn("{task.percentage:>3.0f} %  {task.fields[left]}"),
            )
            self._bar = Progress(*columns, console=Console(stderr=True), transient=True)
            self._task = self._bar.add_task("", total=1.0, left="")
            self._show()
            self._bar.start()

    def _show(self) -> None:
        if self._bar is not None and self._task is not None:
            left = time_left(time.monotonic() - self._begin, self._fraction)
            self._bar.update(self._task, completed=self._fraction, description=self._says, left=left)


def whole_fraction(stage: str, fraction: float, stages: tuple[str, ...]) -> float:
    """Return how much of the whole is done when `stage` is done to `fraction`; 0 for a stage that is not known."""
    if stage not in stages:
        return 0.0
    shares = [_ALL[name][1] for name in stages]
    at = stages.index(stage)
    return (sum(shares[:at]) + shares[at] * min(max(fraction, 0.0), 1.0)) / sum(shares)


def time_left(elapsed_s: float, fraction: float) -> str:
    """Say how long it may still take, judged by what is done: '' before anything can be said."""
    if fraction < 0.03:
        return ""
    left = round(elapsed_s * (1.0 - fraction) / fraction)
    return f"about {left} s left" if left < 90 else f"about {left // 60} min {left % 60:02d} s left"
