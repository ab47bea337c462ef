"""`newel probe` and `newel log` from the command line: files in, files out, exit status."""

import csv
import io
import json
import subprocess
import sys

import numpy as np
import pytest

from faults.proof_bench import lathe
from newel.app.log_commands import log
from newel.app.probe_commands import KINDS, probe
from newel.app.probe_work import bench_of, measured_text, prove_routine, read_measured
from newel.core.errors import BadInput
from newel.geometry.meshes import Mesh, write_stl
from newel.probing.measured import MeasuredMachine
from newel.probing.routine_program import routine_program
from newel.probing.routines import Kind, Probe, plan_routine
from plain.true_machine import TrueMachine, readings

JOB = """format = 1
machine = "light benchtop mill"

[model]
file = "spool.stl"
unit = "mm"

[bar]
section = "square"
size_mm = 30
material = "medium tooling board"

[proof]
resolution_mm = 0.5

[finish]
tolerance_mm = 0.4
"""
TRUE = TrueMachine((0.09, -0.12), (0.06, -0.08), 0.4, 1.0002, 0.08, (0.05, 0.0866), (0.01, -0.02), 30.1, 29.95, 0.1, 1.5, 0.005)


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    """A spool of 50 mm, 11 to 13 in radius, to be made from a 30 mm square bar."""
    folder = tmp_path_factory.mktemp("spool")
    vertices, faces = lathe(((0.0, 13.0), (15.0, 11.0), (35.0, 11.0), (50.0, 13.0)), 48)
    (folder / "spool.stl").write_bytes(write_stl(Mesh(np.asarray(vertices, float), np.asarray(faces))))
    (folder / "spool.toml").write_text(JOB)
    return folder / "spool.toml"


@pytest.fixture(scope="module")
def shop_bench(job):
    from newel.app.inputs import read_job_files, read_shop

    return bench_of(read_job_files(job), read_shop(()), lambda stage, share: None)


def run(group, *arguments):
    return group.main([str(word) for word in arguments], prog_name="newel", standalone_mode=False)


def filled(table: str, held: dict[int, float]) -> str:
    rows = list(csv.reader(io.StringIO(table)))
    k = rows[0].index("parameter")
    for row in rows[1:]:
        row[1] = f"{held[int(row[k])]:.3f}"
    return "\n".join(",".join(row) for row in rows) + "\n"


@pytest.fixture(scope="module")
def measured(job, shop_bench):
    """The whole loop up to the fit: write the routine, run it on the true machine, fill in the table, fit it."""
    assert run(probe, "write", "everything", "--job", job, "-q") == 0
    folder = job.with_suffix(".out")
    text = (folder / "probe-everything.ngc").read_text()
    held = readings(text, shop_bench.setup, TRUE, 3)
    table = folder / "filled.csv"
    table.write_text(filled((folder / "probe-everything.csv").read_text(), held))
    assert run(probe, "fit", table, "--job", job, "-o", folder / "measured.toml") == 0
    return folder / "measured.toml"


def test_kinds_of_the_command_are_those_of_the_room():
    assert tuple(Kind) == KINDS


def test_fit_writes_a_machine_that_reads_back(measured):
    found = read_measured(measured)
    assert found.axis_y_mm == pytest.approx(0.09, abs=0.03) and found.a_zero_deg == pytest.approx(0.4, abs=0.06)
    assert read_measured(measured) == found
    text = measured_text(found, ["a remark"])
    measured.write_text(text)
    assert read_measured(measured) == found


def test_fit_says_all_a_person_needs(measured, job, capsys):
    assert run(probe, "fit", measured.with_name("filled.csv"), "--job", job, "--leave-out", "E3") == 0
    said = capsys.readouterr().out
    assert "53 readings" in said and "backlash of A" in said and "± 95 % for all together" in said and "run-out" in said
    with pytest.raises(BadInput, match="no reading 'Q1'"):
        run(probe, "fit", measured.with_name("filled.csv"), "--job", job, "--leave-out", "Q1")


def test_bad_tables_are_refused_with_every_row(job, tmp_path, measured):
    good = measured.with_name("filled.csv").read_text().splitlines()
    bad = tmp_path / "bad.csv"
    bad.write_text("\n".join([good[0], good[1].replace("E1,", "E1,x"), good[2].replace("E2,-", "E2,"), *good[3:]]))
    with pytest.raises(BadInput) as caught:
        run(probe, "fit", bad, "--job", job)
    assert "line 2 (E1)" in caught.value.where and "sign" in caught.value.what


def test_corrected_program_is_proved_against_the_machine_as_measured(job, measured, shop_bench, capsys):
    top = 35.0
    lines = ["G21", "G90 G94", "G54", f"T{shop_bench.setup.cutters[0].number} M6", f"G43 H{shop_bench.setup.cutters[0].number}"]
    lines += [
        f"G0 Z{top + 20}",
        "S12000 M3",
        "G0 X40 Y0 A0",
        "G0 Z25",
        "G1 Z19.5 F200",
        "G93 G1 A90 X50 F4",
        "G94 G0 Z55",
        "M5",
        "M30",
    ]
    program = job.with_name("groove.ngc")
    program.write_text("\n".join(lines) + "\n")
    status = run(probe, "correct", program, "--job", job, "--machine-as-measured", measured)
    said = capsys.readouterr().out
    fixed = job.with_name("groove-corrected.ngc").read_text()
    assert status == 1 and "left" in said  # a groove alone leaves the spool uncut: the proof is of the part, and says so
    assert "corrected for the machine" in fixed and "G93" in fixed
    with pytest.raises(BadInput, match="say what was measured"):
        run(probe, "correct", program, "--job", job)


def test_routine_that_would_strike_is_not_handed_over(shop_bench):
    """A planted fault: the probe is sent down where the jaws are."""
    tool = Probe()
    routine = plan_routine(Kind.AXIS, shop_bench.setup, tool)
    text = routine_program(routine, shop_bench.setup, tool, shop_bench.machine.dialect.writes)
    assert prove_routine(text, shop_bench, tool, "good.ngc", lambda stage, share: None) == ()
    x = f"X{routine.touches[0].at_mm[0]:.3f}"
    found = prove_routine(text.replace(x, "X2.000"), shop_bench, tool, "bad.ngc", lambda stage, share: None)
    assert "strikes-keep-out" in {item.code for item in found}
    found = prove_routine(text.replace("G0 Z19.000", "G0 Z13.000"), shop_bench, tool, "bad.ngc", lambda stage, share: None)
    assert found


def test_steps_by_hand_are_written_with_their_table(job):
    assert run(probe, "write", "axis-tilt", "--job", job, "--by-hand", "dial gauge", "-q") == 0
    folder = job.with_suffix(".out")
    assert "dial gauge" in (folder / "probe-axis-tilt.md").read_text()
    assert "gauge Z-" in (folder / "probe-axis-tilt.csv").read_text()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("axis_y_mm = 0.1\n", "format"),
        ("format = 1\naxis = 2\n", "unknown field"),
        ('format = 1\naxis_y_mm = "a"\n', "number"),
        ("format = 1\naxis_y_mm = 900\n", "more than any machine"),
        ("format = ", "TOML"),
    ],
)
def test_measured_files_that_are_wrong_are_told(tmp_path, text, says):
    (tmp_path / "m.toml").write_text(text)
    with pytest.raises(BadInput, match=says):
        read_measured(tmp_path / "m.toml")


def test_measured_file_keeps_every_digit_that_matters(tmp_path):
    machine = MeasuredMachine(0.123456789, -0.2, 1e-7, -2e-4, 0.4, 1.00012345, 0.08)
    (tmp_path / "m.toml").write_text(measured_text(machine, []))
    assert read_measured(tmp_path / "m.toml") == machine


def test_next_part_from_a_table(tmp_path, capsys):
    (tmp_path / "checks.csv").write_text("feature,planned_mm,found_mm\nslot width,6,5.9\n")
    assert run(probe, "next-part", tmp_path / "checks.csv") == 0
    assert "diameter DC" in capsys.readouterr().out


def test_log_from_run_to_lesson_and_back(tmp_path, capsys):
    out = tmp_path / "spool.out"
    out.mkdir()
    (out / "proof.json").write_text(json.dumps({"time_min": 10.0, "seal": "newel-seal-1 abc", "verdict": "proved"}))
    book = tmp_path / "log.sqlite"
    for minutes in (11.0, 11.2, 10.9):
        assert run(log, "add", tmp_path / "spool.toml", "--taken", minutes, "--log", book) == 0
    uid = capsys.readouterr().out.split()[2]
    assert run(log, "measure", uid[:8], "diameter", "1.0", "--planned", "0.99", "--unit", "inch", "--log", book) == 0
    assert run(log, "list", "--log", book) == 0
    assert "diameter : 25.400 mm" in capsys.readouterr().out
    assert run(log, "learn", "--log", book) == 0
    assert "minutes taken" in capsys.readouterr().out
    assert run(log, "export", tmp_path / "csv", "--log", book) == 0
    other = tmp_path / "other.sqlite"
    files = [tmp_path / "csv" / "made.csv", tmp_path / "csv" / "measured.csv"]
    capsys.readouterr()
    assert run(log, "import", *files, "--log", other) == 0 and "4 of 4" in capsys.readouterr().out
    assert run(log, "import", *files, "--log", other) == 0 and "0 of 4" in capsys.readouterr().out
    assert run(log, "export", tmp_path / "again", "--log", other) == 0
    for path in files:
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes()
    with pytest.raises(BadInput, match="no run"):
        run(log, "measure", "zz", "depth", "1", "--log", book)


def test_help_needs_no_numpy():
    code = "import sys, newel.app.probe_commands, newel.app.log_commands; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
