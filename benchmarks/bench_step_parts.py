"""STEP parts made by others: read, meshed, told by feature, volumes compared; or made. The repository keeps none of them.

    python benchmarks/bench_step_parts.py [folder to keep the files in] [--make [name ...]]

With --make the parts go the whole road, each from a bar of beech that it fits: to a proved program, or to a refusal.

The parts come from test data that open CAD packages carry: the npm package occt-import-js (test files of the CAx
Implementor Forum, which CAD makers exchange to test their STEP translators) and the Debian package gmsh-doc (a bracket of its
tutorial). They are fetched with npm and apt-get; where either is missing, its parts are left out.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import tempfile
import time
from pathlib import Path

import numpy as np

from newel.app.inputs import read_job_files
from newel.app.making import make_and_write
from newel.core.errors import NewelError
from newel.geometry.meshes import mesh_bounds, mesh_volume_mm3, read_mesh
from newel.geometry.step_files import exact_volumes_mm3
from newel.shop.catalogue import load_shop, shipped_texts

NPM, NPM_FOLDER = "occt-import-js@0.0.23", "package/test/testfiles"
NPM_PARTS = (
    "cube-units/cube-in.step",
    "cube-units/cube-m.step",
    "conical-surface/conical-surface.step",
    "rounded-cube/rounded-cube.step",
    "cax-if/io1-cm-214.stp",
    "cax-if/s1-c5-214/FOOT_BACK_000.stp",
    "cax-if/s1-c5-214/MAINBODY_BACK.stp",
    "cax-if/s1-c5-214/TAIL_MIDDLE_PART.stp",
    "cax-if/s1-c5-214/TAIL_TURBINE.stp",
    "cax-if/dm1-oc-214.stp",
)
DEBIAN, DEBIAN_PART = "gmsh-doc", "usr/share/doc/gmsh-doc/doc/gmsh/tutorial/t20_data.step"


def fetch(folder: Path) -> list[Path]:
    """Fetch the packages into the folder and return the parts that came."""
    found = []
    kept = [folder / NPM_FOLDER / part for part in NPM_PARTS] + [folder / DEBIAN_PART]
    if all(part.exists() for part in kept):
        return kept
    if run(["npm", "pack", NPM, "--silent"], folder):
        with tarfile.open(next(folder.glob("occt-import-js-*.tgz"))) as packed:
            packed.extractall(folder, filter="data")
        found += [folder / NPM_FOLDER / part for part in NPM_PARTS]
    if run(["apt-get", "download", DEBIAN], folder) and run(
        ["dpkg", "-x", next(folder.glob("gmsh-doc*.deb")).name, "."], folder
    ):
        packed_part = folder / (DEBIAN_PART + ".gz")
        if packed_part.exists():
            run(["gunzip", "-f", DEBIAN_PART + ".gz"], folder)
        found.append(folder / DEBIAN_PART)
    return [part for part in found if part.exists()]


def run(command: list[str], folder: Path) -> bool:
    try:
        done = subprocess.run(command, cwd=folder, capture_output=True, timeout=300, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0


def measure(part: Path) -> str:
    data = part.read_bytes()
    start = time.process_time()
    try:
        model = read_mesh(data, "step", "mm", part.name)
    except NewelError as error:
        return f"refused: {error.what}"
    took = time.process_time() - start
    features, size = model.features, np.ptp(mesh_bounds(model.mesh), axis=0)
    exact = sum(exact_volumes_mm3(data, part.name))
    volume = mesh_volume_mm3(model.mesh)
    return (
        f"{model.bodies} bodies, {' x '.join(f'{s:.1f}' for s in size)} mm, {len(model.mesh.faces)} triangles; "
        f"{len(features.flats)} flats, {len(features.rounds)} rounds, {len(features.edges)} sharp edges; "
        f"volume {exact:.6g} mm3, mesh {100 * (volume / exact - 1):+.4f} %; {took:.2f} s of CPU"
    )


JOB = """format = 1
machine = "light benchtop mill"
[model]
file = "{file}"
[bar]
section = "{section}"
size_mm = {size}
material = "beech"
[proof]
resolution_mm = 0.3
"""


def made(part: Path, out: Path) -> str:
    """Go the whole road with a part, from the least bar of whole millimetres that lets 1.5 mm stand all round.

    A square one, or a rectangle for a part that is much flatter than wide.
    """
    start, clock = time.process_time(), time.perf_counter()
    name = f"{part.stem}.step"
    out.mkdir(parents=True, exist_ok=True)
    try:
        data = part.read_bytes()
        extent = np.sort(np.ptp(mesh_bounds(read_mesh(data, "step", "mm", name).mesh), axis=0))
        (out / name).write_bytes(data)
        high, wide = (float(np.ceil(side + 3.0)) for side in extent[:2])
        bar = ("rectangle", [wide, high]) if high < 0.9 * wide else ("square", wide)
        (out / "part.toml").write_text(JOB.format(file=name, section=bar[0], size=bar[1]))
        files = read_job_files(out / "part.toml")
        results = make_and_write(files, load_shop(shipped_texts()), files.out, lambda stage, share: None)
    except NewelError as error:
        return f"refused: {error.what}; to do: {error.remedy}; {time.process_time() - start:.0f} s of CPU"
    proof = results.proof
    d = proof.deviation
    how = f"{len(results.plan.sides)} sides" if results.plan.sides else "around"
    return (
        f"{proof.verdict}, {how}, {proof.time_min:.1f} min on the machine; gouge {d.gouge_max_mm:.3f} mm, "
        f"{d.within_tolerance_pct:.1f} % within {d.tolerance_mm} mm, {d.unreachable_pct:.1f} % out of reach; "
        f"{time.process_time() - start:.0f} s of CPU, {time.perf_counter() - clock:.0f} s"
    )


def main() -> None:
    words = [word for word in sys.argv[1:] if word != "--make"]
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(words[0]) if words else Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        for part in fetch(folder):
            if words[1:] and part.stem not in words[1:]:
                continue
            told = made(part, Path(scratch) / part.stem) if "--make" in sys.argv else measure(part)
            print(f"{part.name}: {told}", flush=True)


if __name__ == "__main__":
    main()
