"""Time the carving of 30 m of mixed turning passes into a 40 mm square bar at a 0.1 mm pitch.

The part is a turned and waved shape, at most 38 mm across and 110 mm long. Roughing with a flat cutter in three levels
(around), then finishing along at indexed angles with a ball, around with a tapered ball and helical with a ball. Fixed
seed; tip moves of 0.2 to 1 mm. Prints cold (first call, compiling) and warm times, and the shares of the ray directions.

Run: python benchmarks/bench_blank.py [length in m]
"""

from __future__ import annotations

import resource
import sys
import time

import numba
import numpy as np

from newel.core.job import Section
from newel.core.profile import CutterShape, outline
from newel.geometry import blank as blanks
from newel.geometry.blank import bar_blank, carve, memory_bytes, volume_mm3

BODY = ((1.5875, 12.0), (1.5875, 28.0), (9.5, 28.0), (9.5, 40.0), (16.0, 40.0), (16.0, 60.0))
FLAT = CutterShape(outline((0, 0), (1.5875, 0), (1.5875, 12)), outline(*BODY))
BALL = CutterShape(outline((0, 0), (1.5, 1.5, 0, 1.5), (1.5, 12)), outline((1.5, 12), *BODY))
_TILT = np.radians(5.0)  # half angle of the tapered ball
_AT = (0.5 * np.cos(_TILT), 0.5 * (1 - np.sin(_TILT)))
TAPERED = CutterShape(
    outline((0, 0), (*_AT, 0, 0.5), (1.5, _AT[1] + (1.5 - _AT[0]) / np.tan(_TILT))),
    outline((1.5, _AT[1] + (1.5 - _AT[0]) / np.tan(_TILT)), (1.5875, 12.0), *BODY[1:]),
)


def part_radius(x: np.ndarray, turn_deg: np.ndarray) -> np.ndarray:
    """Radius of the part (mm): beads and coves along X, six shallow flutes around."""
    bead = 13.9 + 3.0 * np.sin(x / 9.0) + 1.5 * np.sin(x / 3.3 + 1.0)
    return bead + 0.6 * np.cos(np.radians(6.0 * turn_deg)) * np.sin(x / 14.0)


def poses(x: np.ndarray, z: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """Stack columns into poses with the tip over the axis."""
    return np.column_stack([x, np.zeros_like(x), z, turn])


def around(rng: np.random.Generator, radius: float, step_mm: float, helical: bool, length_mm: float) -> np.ndarray:
    """Passes around: stepped rings, or one helix."""
    chunks, x, done, turn = [], 20.0, 0.0, 0.0
    while done < length_mm:
        r = radius or 15.0
        step = rng.uniform(0.2, 1.0, 4 * int(2 * np.pi * r)) / r
        angles = np.concatenate([[0.0], np.cumsum(np.degrees(step))])
        angles = angles[angles <= 360.0]
        xs = x + step_mm * angles / 360.0 if helical else np.full(len(angles), x)
        z = np.full(len(angles), radius) if radius else part_radius(xs, angles)
        chunks.append(poses(xs, z, turn + angles))
        done += float(np.hypot(np.diff(xs), np.radians(np.diff(angles)) * z[1:]).sum())
        x = 20.0 + (x + step_mm - 20.0) % 110.0
        turn += 360.0 if helical else 0.0
    return np.vstack(chunks)


def along(rng: np.random.Generator, step_deg: float, length_mm: float) -> np.ndarray:
    """Passes along X at indexed angles, there and back."""
    chunks, turn, done, k = [], 0.0, 0.0, 0
    while done < length_mm:
        xs = 20.0 + np.cumsum(rng.uniform(0.2, 1.0, 600))
        xs = xs[xs <= 130.0]
        xs = xs if k % 2 == 0 else xs[::-1]
        z = part_radius(xs, np.full(len(xs), turn))
        chunks.append(poses(xs, z, np.full(len(xs), turn)))
        done += float(np.hypot(np.diff(xs), np.diff(z)).sum())
        turn, k = turn + step_deg, k + 1
    return np.vstack(chunks)


def prepared_bar() -> blanks.Blank:
    """Return the bar roughed to 2.5 mm over the part by a 12 mm flat cutter (not timed)."""
    wide = CutterShape(outline((0, 0), (6, 0), (6, 30)), outline((6, 30), (6, 60)))
    blank = bar_blank(Section.SQUARE, (40.0,), 0.0, 160.0, 0.0, 0.1)
    turn = np.arange(0.0, 361.0, 4.0)
    for x in np.arange(20.0, 131.0, 1.0):
        near = np.linspace(x - 6.0, x + 6.0, 25)
        z = np.array([part_radius(near, np.full(25, t)).max() for t in turn]) + 2.5
        carve(blank, wide, poses(np.full(len(turn), x), z, turn), np.zeros(len(turn), np.int32))
    return blank


def programme(metres: float) -> list[tuple[str, CutterShape, np.ndarray]]:
    """Return the passes: name, cutter, poses; a share of the length each."""
    rng = np.random.default_rng(7)
    mm = metres * 1000.0
    up = np.array([0.0, 0.0, 0.5, 0.0])
    return [
        ("rough around, flat", FLAT, around(rng, 0.0, 1.4, False, mm * 0.35) + up),
        ("rough along, flat", FLAT, along(rng, 5.0, mm * 0.15) + 0.5 * up),
        ("finish along, ball", BALL, along(rng, 1.7, mm * 0.2)),
        ("finish around, tapered ball", TAPERED, around(rng, 0.0, 0.5, False, mm * 0.15)),
        ("finish helical, ball", BALL, around(rng, 0.0, 0.6, True, mm * 0.15)),
    ]


def from_the_bar(metres: float) -> list[tuple[str, CutterShape, np.ndarray]]:
    """Return three rough levels into the bare square bar: deep cuts, the costly case."""
    rng = np.random.default_rng(8)
    return [(f"rough around at {r}, flat", FLAT, around(rng, r, 1.4, False, metres * 1000 / 3)) for r in (25.0, 22.0, 19.5)]


def run(blank: blanks.Blank, passes: list[tuple[str, CutterShape, np.ndarray]]) -> dict[str, float]:
    """Carve all passes once; return seconds by share."""
    spent = {"Y and Z rays": 0.0, "X rays": 0.0}
    inner = {"X rays": blanks._carve_x, "Y and Z rays": blanks._carve_yz}

    def timed(name: str):
        def call(*args):
            begin = time.perf_counter()
            result = inner[name](*args)
            spent[name] += time.perf_counter() - begin
            return result

        return call

    before = volume_mm3(blank)
    removed = 0.0
    blanks._carve_x, blanks._carve_yz = timed("X rays"), timed("Y and Z rays")
    try:
        begin, cpu = time.perf_counter(), time.process_time()
        for name, shape, rows in passes:
            at = time.perf_counter()
            carved = carve(blank, shape, rows, np.arange(len(rows), dtype=np.int32))
            removed += carved.removed_mm3.sum()
            print(
                f"  {name:30s} {len(rows):6d} rows {time.perf_counter() - at:6.2f} s"
                f"  removed {carved.removed_mm3.sum():9.1f} mm3"
                f"  deepest strike {carved.struck_mm.max():.3f} mm in {(carved.struck_mm > 0).sum()} rows"
            )
        spent["all carving"] = time.perf_counter() - begin
        spent["its CPU time"] = time.process_time() - cpu
    finally:
        blanks._carve_x, blanks._carve_yz = inner["X rays"], inner["Y and Z rays"]
    left = volume_mm3(blank)
    print(
        f"  left {left:.1f} mm3 of {before:.1f}; unaccounted"
        f" {removed - (before - left):.2e} mm3; {memory_bytes(blank) / 1e6:.0f} MB"
    )
    return spent


def main() -> None:
    metres = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    print(f"{metres:g} m, {numba.get_num_threads()} threads, numba {numba.__version__}")
    begin = time.perf_counter()
    bar = bar_blank(Section.SQUARE, (40.0,), 0.0, 160.0, 0.0, 0.1)
    carve(blanks.copy_of(bar), BALL, np.array([[50.0, 0.0, 15.0, 0.0], [51.0, 0.0, 15.0, 1.0]]), np.zeros(2, np.int32))
    print(f"first blank and first move (compiles, unless cached): {time.perf_counter() - begin:.2f} s")
    begin = time.perf_counter()
    bar_blank(Section.SQUARE, (40.0,), 0.0, 160.0, 0.0, 0.1)
    print(f"set-up of a blank, warm: {time.perf_counter() - begin:.2f} s")
    prepared = prepared_bar()
    for name, start, passes in (
        ("mixed passes into the prepared bar", prepared, programme(metres)),
        ("rough levels into the bare bar", bar, from_the_bar(metres)),
    ):
        print(f"{name}: {sum(len(rows) for _, _, rows in passes)} rows")
        for share, seconds in run(blanks.copy_of(start), passes).items():
            print(f"    {share:14s} {seconds:6.2f} s")
    print(f"peak memory of the process {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    main()
