"""The rows of a program as they are found: columns that grow."""

from __future__ import annotations

import numpy as np

from newel.core.motion import Motion
from newel.program.interpreter_kernels import RunRows


class Rows:
    """Growing columns of Motion; `n` rows are filled. Kernels write the first four columns, the rest is filled after them."""

    def __init__(self, room: int) -> None:
        """Make room for `room` rows to begin with."""
        self.n = 0
        room = max(room, 64)
        self.xyza = np.empty((room, 4))
        self.minutes = np.empty(room)
        self.line = np.empty(room, dtype=np.int32)
        self.kind = np.empty(room, dtype=np.uint8)
        self.spindle_rpm = np.empty(room, dtype=np.float32)
        self.cutter = np.empty(room, dtype=np.int32)
        self.length_offset = np.empty(room, dtype=np.int32)
        self.coolant = np.empty(room, dtype=np.uint8)
        self.exact_stop = np.empty(room, dtype=np.uint8)
        self.clamp = np.empty(room, dtype=np.uint8)

    _COLUMNS = ("xyza", "minutes", "line", "kind", "spindle_rpm", "cutter", "length_offset", "coolant", "exact_stop", "clamp")

    def make_room(self, more: int) -> None:
        """See that `more` rows fit behind those that are filled."""
        room = len(self.minutes)
        if self.n + more <= room:
            return
        wanted = max(self.n + more, room + room // 2)
        for name in self._COLUMNS:
            old = getattr(self, name)
            new = np.empty((wanted, *old.shape[1:]), dtype=old.dtype)
            new[: self.n] = old[: self.n]
            setattr(self, name, new)

    def for_run(self) -> RunRows:
        """Return the columns that a kernel fills."""
        return RunRows(self.xyza, self.minutes, self.line, self.kind)

    def label(self, begin: int, labels: tuple[float, int, int, int, int, int]) -> None:
        """Fill spindle, cutter, length offset, coolant, exact stop and clamp of rows `begin` to the last."""
        rows = slice(begin, self.n)
        names = ("spindle_rpm", "cutter", "length_offset", "coolant", "exact_stop", "clamp")
        for name, value in zip(names, labels, strict=True):
            getattr(self, name)[rows] = value

    def motion(self, start: np.ndarray) -> Motion:
        """Return the filled rows as Motion."""
        columns = {name: np.ascontiguousarray(getattr(self, name)[: self.n]) for name in self._COLUMNS}
        return Motion(start=np.array(start, dtype=float), **columns)
