"""One job for each row of a table."""

from pathlib import Path

import pytest

from newel.app.families import family, write_family
from newel.app.job_file import read_job
from newel.core.errors import BadInput

PATTERN = """# the pattern
format = 1
machine = "light benchtop mill"
[model]
file = "peg.stl"  # the peg
[bar]
section = "round"
size_mm = 16
material = "beech"
"""


def jobs(table: str, way: str = "") -> dict:
    members = family(table, PATTERN, "sizes.csv", way)
    return {member.name: read_job(member.text, name=member.name, where="job") for member in members}


def test_each_row_makes_a_job() -> None:
    made = jobs("name,model.scale,bar.size_mm,finish.cusp_mm\na,1.5,20,\nb,,1/2 in,0.02\n")
    assert made["a"].model.scale == 1.5
    assert made["a"].bar.size_mm == (20.0,)
    assert made["a"].finish.cusp_mm is None
    assert made["b"].model.scale == 1.0
    assert made["b"].bar.size_mm == (12.7,)  # derived: half of 25.4
    assert made["b"].finish.cusp_mm == 0.02


def test_comments_and_the_rest_of_the_pattern_stay() -> None:
    (member,) = family("name;bar.size_mm\na;18\n", PATTERN, "sizes.csv", "")
    assert member.text == PATTERN.replace("size_mm = 16", "size_mm = 18")


def test_models_are_found_from_the_new_folder(tmp_path: Path) -> None:
    (tmp_path / "like.toml").write_text(PATTERN)
    (tmp_path / "sizes.csv").write_text("name,model.file\na,\nb,other.stl\n")
    written = write_family(tmp_path / "sizes.csv", tmp_path / "like.toml", tmp_path / "jobs", force=False)
    files = [read_job(path.read_text(), name=path.stem, where="job").model.file for path in written]
    assert files == ["../peg.stl", "../other.stl"]


@pytest.mark.parametrize(
    ("table", "says", "line"),
    [
        ("size\n4\n", "'name'", 1),
        ("name,bar.size_mm\na,16,2\n", "3 cells under 2 columns", 2),
        ("name,bar.size_mm\na,16\na,18\n", "'a' cannot name", 3),
        ("name,bar.size_mm\n../a,16\n", "cannot name", 2),
        ("name,machine.x\na,16\n", "names no field", 2),
        ("name,bar.sise_mm\na,16\n", "sise_mm", 2),
        ("name,bar.size_mm\n", "no row", None),
    ],
)
def test_a_wrong_table_is_told_with_its_line(table: str, says: str, line: int | None) -> None:
    with pytest.raises(BadInput, match=says) as error:
        jobs(table)
    assert line is None or f"line {line}" in error.value.where


def test_nothing_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "like.toml").write_text(PATTERN)
    (tmp_path / "sizes.csv").write_text("name\na\n")
    write_family(tmp_path / "sizes.csv", tmp_path / "like.toml", tmp_path, force=False)
    with pytest.raises(BadInput, match="already there"):
        write_family(tmp_path / "sizes.csv", tmp_path / "like.toml", tmp_path, force=False)
