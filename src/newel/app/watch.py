"""`newel watch`: makes the jobs of a folder anew whenever their job file, model or shop file changes."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from newel.app.batch import Told, run_batch, tasks_of
from newel.app.workers import Workers
from newel.core.errors import BadInput

LOOK_EVERY_S = 1.0

Stamps = dict[Path, tuple[int, int]]


@dataclass(frozen=True)
class Watch:
    """What to watch and where results go."""

    folder: Path
    out: Path
    shop_files: tuple[Path, ...]


@dataclass(frozen=True)
class Seen:
    """What the last look found: each job's fingerprint, and the files that jobs name from outside the folder."""

    keys: dict[str, str]
    models: tuple[Path, ...] = ()


def look(watch: Watch, before: Seen, workers: Workers, told: Told) -> Seen:
    """Make every job whose inputs are not those that were seen before; return what is there now.

    A job that cannot be read is told once, until it changes.
    """
    try:
        tasks, refused = tasks_of([watch.folder], watch.shop_files)
    except BadInput:
        return Seen({})  # an empty folder is waited at
    keys = {task.name: task.key() for task in tasks} | {row.name: row.says for row in refused}
    for row in refused:
        if before.keys.get(row.name) != row.says:
            told(row, 0, 0)
    changed = [task for task in tasks if before.keys.get(task.name) != keys[task.name]]
    if changed:
        run_batch(changed, watch.out, workers, told)
    return Seen(keys, tuple(task.files.path.parent / task.files.job.model.file for task in tasks))


def keep_looking(watch: Watch, workers: Workers, told: Told) -> None:
    """Look again and again until stopped by Ctrl-C; a file that is still being written is taken once it stands still."""
    seen = Seen({})
    before: Stamps | None = None
    done: Stamps | None = None
    while True:
        now = stamps(watch, seen)
        if now == before and now != done:
            seen, done = look(watch, seen, workers, told), now
        before = now
        time.sleep(LOOK_EVERY_S)


def stamps(watch: Watch, seen: Seen) -> Stamps:
    """Return date and size of every file that may matter: those in the folder, models, and shop files; not results."""
    found = {}
    for path in [*watch.folder.rglob("*"), *seen.models, *watch.shop_files]:
        if watch.out in path.parents or any(part.endswith(".out") for part in path.parts):
            continue
        try:
            stat = path.stat()
        except OSError:
            continue  # gone between listing and looking
        found[path] = (stat.st_mtime_ns, stat.st_size)
    return found
