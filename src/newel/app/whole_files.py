"""Write results whole or not at all: into a folder beside the target first, then moved over in one step each."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

from newel.core.errors import BadInput


def write_results(folder: Path, files: Mapping[str, bytes], *, stale: Callable[[str], bool], last: str | None = None) -> None:
    """Write `files` (path inside `folder`: bytes) so that a full disk or Ctrl-C leaves nothing half written.

    Files of an earlier run whose relative path is `stale` and that are not written anew are removed. `last` names the
    file that vouches for the others (proof.json): it is taken away first and put back last, so that it never stands
    beside files it does not belong to. Raises BadInput where the folder cannot be written.
    """
    if folder.exists() and not folder.is_dir():
        raise BadInput(f"{folder} is a file, not a folder", remedy="choose another folder with --out")
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        waiting = Path(tempfile.mkdtemp(prefix=".being-written-", dir=folder))
    except OSError as error:
        raise BadInput(f"cannot write into {folder}: {error.strerror}", remedy="choose another folder with --out") from None
    try:
        for name, content in files.items():
            _write_through(waiting / name, content)
        if last is not None:
            (folder / last).unlink(missing_ok=True)
        for path in sorted(folder.rglob("*")):
            relative = path.relative_to(folder).as_posix()
            if path.is_file() and waiting not in path.parents and relative not in files and stale(relative):
                path.unlink()
        for name in sorted(files, key=lambda name: (name == last, name)):
            target = folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            os.replace(waiting / name, target)
    except OSError as error:
        raise BadInput(
            f"cannot write into {folder}: {error.strerror or error}", remedy="free some room there, or use --out"
        ) from None
    finally:
        shutil.rmtree(waiting, ignore_errors=True)
        if made and not any(folder.iterdir()):
            folder.rmdir()


def write_file(target: Path, content: bytes) -> None:
    """Write one file whole or not at all. Raises BadInput where it cannot be written."""
    try:
        handle, name = tempfile.mkstemp(prefix=".being-written-", dir=target.parent)
        os.close(handle)
    except OSError as error:
        raise BadInput(f"cannot write {target}: {error.strerror}", remedy="choose another place with -o") from None
    waiting = Path(name)
    try:
        _write_through(waiting, content)
        waiting.chmod(0o644)
        os.replace(waiting, target)
    except OSError as error:
        raise BadInput(f"cannot write {target}: {error.strerror}", remedy="choose another place with -o") from None
    finally:
        waiting.unlink(missing_ok=True)


def _write_through(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with open(path, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
