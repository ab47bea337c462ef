"""The loop between plan and machine, measured: fits over many seeds, corrected programs, a log under kills.

python benchmarks/bench_probing.py fits [SEEDS]      routines run on a machine with known faults, fitted, bands counted
python benchmarks/bench_probing.py correct [PITCH]   deviation of carved bars, uncorrected and corrected, three programs
python benchmarks/bench_probing.py speed [ROWS]      correcting a long program
python benchmarks/bench_probing.py kills [KILLS]     a writer of the log killed at arbitrary moments
"""

from __future__ import annotations

import os
import platform
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))
sys.path.insert(0, str(ROOT / "tests" / "unit"))

from newel.core.dialect import WriteTraits  # noqa: E402
from newel.core.job import FeedWords, Section  # noqa: E402
from newel.core.setup import SetUp, SetUpBar  # noqa: E402
from newel.probing.correct import correct_program  # noqa: E402
from newel.probing.machine_fit import BALL_KNOWN_MM, MachineFit, Reading, fit_machine  # noqa: E402
from newel.probing.routine_program import routine_program  # noqa: E402
from newel.probing.routines import Kind, Probe, plan_routine  # noqa: E402
from newel.probing.touches import bar_as_planned  # noqa: E402
from plain.measured_programs import by_hand, by_newel, carved, dialect, motion_of, set_up, surface  # noqa: E402
from plain.true_machine import TrueMachine, poses_to_the_bar, readings, tilted  # noqa: E402

# Axis off by 0.15 mm, tilted by 0.1 degrees, A zero off 0.4, run-out 0.2 mm (0.1 off the axis), backlash 0.08 degrees
TRUE = TrueMachine((0.09, -0.12), (0.06, -0.08), 0.4, 1.0002, 0.08, (0.05, 0.0866), (0.01, -0.02), 40.1, 39.95, 0.1, 1.5, 0.01)


def bench() -> SetUp:
    """A 40 mm square bar of 140 mm between jaws and centre."""
    setup = set_up()
    tail = replace(setup.keep_out[1], from_x_mm=140.0, to_x_mm=172.0)
    return replace(setup, bar=SetUpBar(Section.SQUARE, (40.0,), -18.0, 140.0, 0.0), keep_out=(setup.keep_out[0], tail))


def truth(machine: TrueMachine) -> dict[str, float]:
    m, e = tilted(machine.tilt_deg)[:3, 0], tilted(machine.bar_tilt_deg)[:3, 0]
    values = [
        *machine.axis_mm,
        m[1] / m[0],
        m[2] / m[0],
        machine.a_zero_deg,
        machine.a_scale,
        machine.play_deg,
        *machine.bar_mm,
    ]
    values += [e[1] / e[0], e[2] / e[0], machine.width_mm, machine.height_mm, machine.off_square_deg, machine.ball_mm]
    names = "axis_y_mm axis_z_mm slope_y slope_z a_zero_deg a_scale backlash_deg bar_y_mm bar_z_mm bar_slope_y bar_slope_z"
    return dict(zip([*names.split(), "width_mm", "height_mm", "out_of_square_deg", "ball_radius_mm"], values, strict=True))


def one_fit(kinds: list[Kind], setup: SetUp, machine: TrueMachine, seed: int) -> MachineFit:
    probe, found = Probe(), []
    for k, kind in enumerate(kinds):
        routine = plan_routine(kind, setup, probe)
        held = readings(routine_program(routine, setup, probe, WriteTraits()), setup, machine, 1000 * k + seed)
        found += [Reading(touch, held[touch.parameter]) for touch in routine.touches]
    return fit_machine(found, setup, bar_as_planned(setup.bar, 1.5))


def fits(seeds: int) -> None:
    setup = bench()
    tables = {
        "everything": [Kind.EVERYTHING],
        "five routines": [Kind.AXIS, Kind.TILT, Kind.LEVEL, Kind.BAR, Kind.STEPS],
    }
    for label, kinds in tables.items():
        single: dict[str, list[int]] = {}
        together, clean, took, fit = 0, 0, [], None
        for seed in range(seeds):
            ball = 1.5 + np.random.default_rng(10_000 + seed).normal() * BALL_KNOWN_MM
            machine = replace(TRUE, ball_mm=float(ball))
            fit = one_fit(kinds, setup, machine, seed)
            began = time.perf_counter()
            fit_machine(fit.readings, setup, bar_as_planned(setup.bar, 1.5))
            took.append(time.perf_counter() - began)
            all_in = True
            for name, value in truth(machine).items():
                item = fit.fit.of(name)
                off = abs(item.value - value)
                counts = single.setdefault(name, [0, 0])
                counts[0] += off <= item.band
                counts[1] += off <= item.band_all
                all_in &= bool(off <= item.band_all)
            together += all_in
            clean += not fit.fit.outliers
        assert fit is not None
        print(
            f"{label}: {len(fit.readings)} readings, {seeds} seeds, noise 10 um; "
            f"fit warm median {np.median(took) * 1000:.0f} ms"
        )
        print(f"  every value at once within its stated band: {together} of {seeds}; no reading named an outlier: {clean}")
        for name, (own, stated) in single.items():
            item = fit.fit.of(name)
            print(f"  {name:18s} stated band {stated:4d}, its own 95 % band {own:4d}; band +- {item.band_all:.5f} {item.unit}")


def correct(pitch_mm: float) -> None:
    import igl

    setup = bench()
    fit = one_fit([Kind.EVERYTHING], setup, TRUE, 7)
    work = set_up()
    texts = {
        "by Newel, inverse time": (by_newel(work), dialect()),
        "by Newel, per minute": (by_newel(work, FeedWords.PER_MINUTE), dialect(FeedWords.PER_MINUTE)),
        "by hand": (by_hand(), dialect()),
    }
    print(
        f"measured by one run of the routine with 10 um noise, carved at {pitch_mm} mm; largest, 99.9 % and rms deviation in um"
    )
    for label, (text, how) in texts.items():
        fixed = correct_program(text, work, fit.measured, how).text
        blanks = []
        for program, machine in ((text, TrueMachine()), (text, TRUE), (fixed, TRUE)):
            motion = motion_of(program, work)
            blanks.append(surface(carved(work, motion, *poses_to_the_bar(motion, work, machine), pitch_mm)))
        off = [np.sqrt(igl.point_mesh_squared_distance(points, *blanks[0])[0]) * 1000 for points, _ in blanks[1:]]
        rows = [(d.max(), np.quantile(d, 0.999), np.sqrt(np.mean(d**2))) for d in off]
        shares = ", ".join(f"{100 * b / a:.1f} %" for a, b in zip(*rows, strict=True))
        said = " -> ".join("/".join(f"{value:.0f}" if value >= 10 else f"{value:.1f}" for value in row) for row in rows)
        print(f"  {label:24s} {said}  ({shares})")


def speed(rows: int) -> None:
    setup = set_up()
    k = np.arange(rows)
    lines = [f"X{20 + 60 * i / rows:.4f} Z{13 + np.sin(i / 40):.3f} A{0.4 * i:.3f} F{900:g}" for i in k]
    text = (
        "G21 G90 G94\nT1 M6\nG43 H1\nG0 Z40\nS9000 M3\nG0 X20 Y0 A0\nG93 G1 Z13 F60\n"
        + "\n".join(lines)
        + "\nG94 G0 Z40\nM30\n"
    )
    machine = one_fit([Kind.EVERYTHING], bench(), TRUE, 7).measured
    took = []
    for _ in range(2):
        began = time.perf_counter()
        done = correct_program(text, setup, machine, dialect())
        took.append(time.perf_counter() - began)
    print(
        f"{rows} lines of turning moves corrected in {min(took):.2f} s warm ({max(took):.2f} s first), "
        f"{len(done.text) / 1e6:.1f} MB"
    )


def kills(count: int) -> None:
    from test_log import WRITER

    from newel.probing.log import made, measured, prepare

    rng = np.random.default_rng(1)
    lost = broken = said = 0
    caught = 0
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.sqlite"
        for _ in range(count):
            process = subprocess.Popen(
                [sys.executable, "-c", WRITER, str(path), str(said + 1000)],
                stdout=subprocess.PIPE,
                env={**os.environ, "PYTHONPATH": str(ROOT / "src")},
            )
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(float(rng.uniform(0.0, 0.04)))
            os.kill(process.pid, signal.SIGKILL)
            lines = process.stdout.read().split(b"\n")[:-1]
            process.wait()
            log = sqlite3.connect(path)
            prepare(log)
            runs, found = made(log), measured(log)
            numbers = {int(run.uid[1:]) for run in runs}
            told = {int(line) for line in lines}
            said = max([said, *told])
            lost += len(told - numbers)
            broken += log.execute("PRAGMA integrity_check").fetchone()[0] != "ok" or len(found) != 3 * len(runs)
            caught += bool(numbers) and max(numbers) > said  # written, killed before it could say so
            said = max([said, *numbers])
            log.execute("DELETE FROM made WHERE uid NOT IN (SELECT uid FROM made ORDER BY at DESC LIMIT 50)")
            log.execute("DELETE FROM measured WHERE made_uid NOT IN (SELECT uid FROM made)")
            log.close()
    print(f"{count} kills in {time.perf_counter() - began:.0f} s: {lost} entries lost, {broken} logs broken or half written")
    print(f"  {caught} kills came after a commit was written and before it was said (it is there, whole)")


def main() -> None:
    print(f"{platform.python_version()}, numpy {np.__version__}, {os.cpu_count()} cores")
    what = sys.argv[1] if len(sys.argv) > 1 else "fits"
    given = sys.argv[2:3]
    {
        "fits": lambda: fits(int(given[0]) if given else 100),
        "correct": lambda: correct(float(given[0]) if given else 0.2),
        "speed": lambda: speed(int(given[0]) if given else 100_000),
        "kills": lambda: kills(int(given[0]) if given else 1000),
    }[what]()


if __name__ == "__main__":
    main()
