"""Where compiled kernels are kept: a folder named after every kernel source, so that no stale one is ever used.

numba decides by one file's date whether a compiled kernel still fits, and was measured to miss edits in other files
(style.md, section 3). Here the folder's name is the fingerprint of all kernel sources, so an edit anywhere starts afresh.

Compiling takes longer than making a part, and numba compiles one function at a time in a process. So the first run on a
machine has two more processes compile what carves and what measures, side by side, before it plans.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

from newel.app.cores import cores

Progress = Callable[[str, float], None]

_VARIABLE = "NUMBA_CACHE_DIR"
COMPILING = "compile"  # the stage's name, for progress
_FIRST_THAT_COMPILES = "plan"  # the first stage of `make` that calls kernels
_PARTS = "carves", "measures"


def use_kernel_cache(part: str = "kernels") -> Path:
    """Point numba at the cache folder of exactly these kernel sources; call it before numba is imported.

    A folder that is set in the environment already is left alone. `part` keeps, say, the tests' kernels apart.
    """
    already = os.environ.get(_VARIABLE)
    if already:
        return Path(already)
    folder = _user_cache() / "newel" / f"{part}-{fingerprint()}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not os.access(folder, os.W_OK):
            raise PermissionError(folder)
    except OSError:
        folder = Path(tempfile.mkdtemp(prefix="newel-kernels-"))  # private to this run: kernels are compiled anew
    os.environ[_VARIABLE] = str(folder)
    return folder


def filled_first(progress: Progress) -> Progress:
    """Return `progress` with one more stage, COMPILING, before the first that calls kernels, where this machine has not yet.

    With one core nothing would be gained, and nothing is added; nor where numba is told not to compile.
    """
    if cores() < 2 or os.environ.get("NUMBA_DISABLE_JIT", "0") != "0" or _stamp().exists():
        return progress
    tried = False

    def filling(stage: str, share: float) -> None:
        nonlocal tried
        if stage == _FIRST_THAT_COMPILES and not tried:
            tried = True
            progress(COMPILING, 0.0)
            _fill_side_by_side()
        progress(stage, share)

    return filling


def _fill_side_by_side() -> None:
    """Compile each part in a process of its own; what fails is compiled when it is called."""
    words = [sys.executable, "-m", "newel.app.kernel_cache"]
    processes = [subprocess.Popen([*words, part], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) for part in _PARTS]
    try:
        ended = [process.wait() for process in processes]
        if not any(ended):
            _stamp().touch()
    finally:
        for process in processes:
            process.kill()  # of no effect on one that has ended; else this run was stopped


def fill(part: str) -> None:
    """Compile what carves, or what measures, by doing it to a thumb of a bar."""
    use_kernel_cache()
    from newel.app.first_proof import carve_thumb, measure_thumb

    dict(zip(_PARTS, (carve_thumb, measure_thumb), strict=True))[part]()


def _stamp() -> Path:
    return use_kernel_cache() / f"filled-{fingerprint()}"


def fingerprint() -> str:
    """Return the fingerprint of all kernel sources, of numba and of Python's version (16 hex digits)."""
    digest = hashlib.sha256()
    root = Path(__file__).resolve().parent.parent
    for source in sorted(root.rglob("*_kernels.py")):
        digest.update(source.relative_to(root).as_posix().encode())
        digest.update(source.read_bytes())
    digest.update(_numba_stamp().encode())
    digest.update(sys.version.encode())
    return digest.hexdigest()[:16]


def _numba_stamp() -> str:
    """Return what tells numba's builds apart, without importing it (0.5 s) or reading all packages' records."""
    spec = find_spec("numba")
    if spec is None or spec.origin is None:
        return "no numba"
    version = Path(spec.origin).with_name("_version.py")
    return version.read_text(encoding="utf-8") if version.exists() else spec.origin


def _user_cache() -> Path:
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")


if __name__ == "__main__":
    fill(sys.argv[1])
