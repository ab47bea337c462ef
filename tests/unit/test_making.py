"""A small job through the whole road, as the command line goes it: files, exit status, the same bytes, the seal."""

import json

import numpy as np
import pytest
import trimesh

from newel.app.cli import run
from newel.geometry.meshes import Mesh, write_stl

JOB = """format = 1
machine = "light benchtop mill"

[model]
file = "egg.stl"

[bar]
section = "square"
size_mm = 16
material = "medium tooling board"

[rough]
cutter = "1/8 in flat"
direction = "along"

[finish]
cutter = "1/8 in ball"
direction = "helical"
rest_cutter = "tapered ball R0.25, 1/8 in shank"
cusp_mm = 0.1
tolerance_mm = 0.2

[proof]
resolution_mm = 0.3
gouge_limit_mm = 0.1
"""

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("egg")
    egg = trimesh.creation.icosphere(subdivisions=3, radius=6.0)
    (folder / "egg.stl").write_bytes(write_stl(Mesh(np.asarray(egg.vertices) * [1, 1, 1.4], np.asarray(egg.faces))))
    (folder / "egg.toml").write_text(JOB, encoding="utf-8")
    return folder, run(["make", str(folder / "egg.toml"), "--quiet"])


def contents(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_a_job_is_made_and_its_files_are_there(made):
    folder, status = made
    proof = json.loads((folder / "egg.out" / "proof.json").read_text(encoding="utf-8"))
    assert status == (0 if proof["verdict"] == "proved" else 1)
    assert proof["verdict"] == "proved", proof["findings"]
    assert set(contents(folder / "egg.out")) == {
        "program.ngc", "setup.json", "plan.json", "proof.json", "sheet.pdf", "development.svg", "blank-after.stl",
        "pictures/part-in-bar.png", "pictures/deviation.png",
    }  # fmt: skip


def test_the_same_inputs_give_the_same_bytes(made):
    folder, _ = made
    assert run(["make", str(folder / "egg.toml"), "--out", str(folder / "again"), "--quiet"]) == 0
    first, again = contents(folder / "egg.out"), contents(folder / "again")
    assert [name for name in first if first[name] != again[name]] == []


def test_what_is_left_is_the_bar_less_the_egg_s_surroundings(made):
    folder, _ = made
    left = trimesh.load(folder / "egg.out" / "blank-after.stl")
    egg = trimesh.load(folder / "egg.stl")
    assert left.is_watertight
    plan = json.loads((folder / "egg.out" / "plan.json").read_text(encoding="utf-8"))
    bar = 16.0**2 * plan["bar"]["sawn_length_mm"]
    assert egg.volume < left.volume < bar


def test_the_seal_fits_until_something_changes(made, capfd, monkeypatch):
    def no_proof(*_):
        raise AssertionError("a seal is compared without proving")

    monkeypatch.setattr("newel.app.making.prove_case", no_proof)
    folder, _ = made
    program, job = folder / "egg.out" / "program.ngc", folder / "egg.toml"
    assert run(["prove", str(program), "--job", str(job), "--sealed"]) == 0
    assert "the seal fits" in capfd.readouterr().out
    words = program.read_text(encoding="utf-8")
    program.write_text(words.replace("\nG", "\n(edited)\nG", 1), encoding="utf-8")
    assert run(["prove", str(program), "--job", str(job), "--sealed"]) == 1
    assert "changed since the proof: programs" in capfd.readouterr().out
    program.write_text(words, encoding="utf-8")


def test_a_program_that_strikes_is_not_proved(made, capfd, tmp_path):
    folder, _ = made
    bad = tmp_path / "bad.ngc"
    words = (folder / "egg.out" / "program.ngc").read_text(encoding="utf-8")
    assert "M30" in words
    bad.write_text(words.replace("M30", "G0 X-5 Z0\nM30"), encoding="utf-8")  # a rapid through bar and jaws to the axis
    assert run(["prove", str(bad), "--job", str(folder / "egg.toml"), "--out", str(tmp_path / "out")]) == 1
    out = capfd.readouterr().out
    assert "NOT PROVED" in out and "obstacle" in out
    proof = json.loads((tmp_path / "out" / "proof.json").read_text(encoding="utf-8"))
    assert proof["verdict"] == "not proved"
