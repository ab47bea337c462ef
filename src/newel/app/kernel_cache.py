"""Where compiled kernels are kept: a folder named after every kernel source, so that no stale one is ever used.

numba decides by one file's date whether a compiled kernel still fits, and was measured to miss edits in other files
(style.md, section 3). Here the folder's name is the fingerprint of all kernel sources, so an edit anywhere starts afresh.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
from importlib.util import find_spec
from pathlib import Path

_VARIABLE = "NUMBA_CACHE_DIR"


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
