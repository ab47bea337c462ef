"""The hand: the worker process that the desk gives its tasks to, hired before it is needed and hired anew after a stop."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Callable
from typing import Any

from newel.app.page.worker import Task, work

SOFT_STOP_S = 4.0  # a worker that is told to stop gets so long to tidy up before it is ended


class Hand:
    """One worker process and the pipe to it."""

    def __init__(self) -> None:
        """No one is hired yet."""
        self._hired: tuple[Any, Any] | None = None
        self._busy = threading.Lock()

    def hire(self) -> tuple[Any, Any]:
        """Start a process, unless one is there."""
        if self._hired is None:
            context = multiprocessing.get_context("spawn")
            ours, theirs = context.Pipe()
            process = context.Process(target=work, args=(theirs,), daemon=True)
            process.start()
            theirs.close()
            self._hired = (process, ours)
        return self._hired

    def do(self, task: Task, hear: Callable[[tuple[Any, ...]], bool]) -> bool:
        """Have a task done, passing on every message until `hear` says it was the last; False where the process died."""
        with self._busy:
            try:
                _, pipe = self.hire()
                pipe.send(task)
                while hear(pipe.recv()):
                    pass
            except (EOFError, OSError):
                self._hired = None
                return False
            return True

    def replace(self, tidy: Callable[[], None]) -> None:
        """End the process in the middle of its task, tidy up after it, and hire another."""
        self.dismiss()
        with self._busy:  # the one who listened has let go
            tidy()
            self.hire()

    def dismiss(self) -> None:
        """End the process: softly, then by force."""
        if self._hired is None:
            return
        process, pipe = self._hired
        process.terminate()
        process.join(SOFT_STOP_S)
        if process.is_alive():
            process.kill()
            process.join()
        pipe.close()
        self._hired = None
