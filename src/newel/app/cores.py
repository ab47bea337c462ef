"""How many cores this process may use: those it is bound to, where the system can say so, not those the machine has."""

from __future__ import annotations

import os


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
