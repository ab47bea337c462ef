"""A machine with known faults, told by matrices of its own: what a probe would read on it, and what a program would cut.

Nothing here is shared with the package's own kinematics of a measured machine: tilts are turns about Z and then Y (the
package turns the short way; the two differ by less than a micrometre per metre at these angles), play is followed row by
row, and contact is found by walking toward the bar's exact section until the ball touches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from newel.core.dialect import ReadTraits
from newel.core.job import Section
from newel.core.motion import Motion, RowKind
from newel.core.setup import SetUp
from newel.program.interpreter import MachineFacts, interpret


@dataclass(frozen=True)
class TrueMachine:
    """Faults: axis at the jaws and its tilts (degrees), A's zero, scale and play, the bar's centre line, sizes, the ball.

    `bar_mm`: Y and Z of the bar's centre in the turning frame at the jaws; `bar_tilt_deg`: its tilts. `noise_mm`: of a touch.
    """

    axis_mm: tuple[float, float] = (0.0, 0.0)
    tilt_deg: tuple[float, float] = (0.0, 0.0)
    a_zero_deg: float = 0.0
    a_scale: float = 1.0
    play_deg: float = 0.0
    bar_mm: tuple[float, float] = (0.0, 0.0)
    bar_tilt_deg: tuple[float, float] = (0.0, 0.0)
    width_mm: float = 40.0
    height_mm: float = 40.0
    off_square_deg: float = 0.0
    ball_mm: float = 1.5
    noise_mm: float = 0.0

    def table_from_bar(self, turn_deg: float) -> np.ndarray:
        """Return the (4, 4) matrix that puts the bar's own points on the table while it stands turned by `turn_deg`."""
        return (
            shifted(self.axis_mm) @ tilted(self.tilt_deg) @ about_x(turn_deg) @ shifted(self.bar_mm) @ tilted(self.bar_tilt_deg)
        )

    def turn(self, a_followed_deg: float, setup: SetUp) -> float:
        """Return the bar's turn for the A that it follows."""
        return setup.a_sense * (self.a_scale * (a_followed_deg + setup.a_zero_deg) + self.a_zero_deg)


def shifted(yz: tuple[float, float]) -> np.ndarray:
    matrix = np.eye(4)
    matrix[1:3, 3] = yz
    return matrix


def about_x(deg: float) -> np.ndarray:
    c, s = math.cos(math.radians(deg)), math.sin(math.radians(deg))
    matrix = np.eye(4)
    matrix[1:3, 1:3] = [[c, -s], [s, c]]
    return matrix


def tilted(deg: tuple[float, float]) -> np.ndarray:
    """Tilt +X by deg[0] toward +Y (about Z) and by deg[1] toward +Z (about -Y)."""
    cz, sz = math.cos(math.radians(deg[0])), math.sin(math.radians(deg[0]))
    cy, sy = math.cos(math.radians(deg[1])), math.sin(math.radians(deg[1]))
    matrix = np.eye(4)
    matrix[:3, :3] = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]]) @ np.array([[cy, 0, -sy], [0, 1, 0], [sy, 0, cy]])
    return matrix


def corners(machine: TrueMachine, setup: SetUp) -> np.ndarray:
    """Return the corners of the bar's section in its own frame, counter-clockwise from +Y; none for a round bar."""
    bar = setup.bar
    if bar.section is Section.ROUND:
        return np.zeros((0, 2))
    if bar.section is Section.HEXAGON:
        normals, sizes = [90.0 - 60.0 * k for k in range(6)], [machine.width_mm] * 6
    else:
        off = machine.off_square_deg
        normals, sizes = [90.0, 0.0 - off, -90.0, -180.0 - off], [machine.height_mm, machine.width_mm] * 2
    order = sorted(zip(normals, sizes, strict=True))
    rows = [(math.cos(math.radians(n + bar.turned_deg)), math.sin(math.radians(n + bar.turned_deg)), s / 2) for n, s in order]
    found = []
    for one, other in zip(rows, rows[1:] + rows[:1], strict=True):
        found.append(np.linalg.solve([one[:2], other[:2]], [one[2], other[2]]))
    return np.array(found)


def distance_mm(p: np.ndarray, section: np.ndarray, radius: float) -> float:
    """Return how far a point (y, z) is outside a convex section (negative inside, there only by its nearest wall)."""
    if len(section) == 0:
        return float(np.hypot(*p)) - radius
    ends = np.roll(section, -1, axis=0)
    along = ends - section
    outward = np.column_stack([along[:, 1], -along[:, 0]]) / np.linalg.norm(along, axis=1)[:, None]
    depth = float(((p - section) * outward).sum(axis=1).max())
    if depth <= 0.0:
        return depth
    share = np.clip(((p - section) * along).sum(axis=1) / (along * along).sum(axis=1), 0.0, 1.0)
    return float(np.linalg.norm(p - section - share[:, None] * along, axis=1).min())


def readings(text: str, setup: SetUp, machine: TrueMachine, seed: int) -> dict[int, float]:
    """Run a probing program on the machine: what each parameter that keeps a touch would hold, nan where nothing was met."""
    rng = np.random.default_rng(seed)
    motion = interpret(text, ReadTraits(), work_offset=setup.work_offset, machine=MachineFacts()).motion
    keeps = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if line.startswith("#"):
            keeps[number - 1] = int(line[1:].split("=")[0])
    section = corners(machine, setup)
    offset = np.array(setup.table_from_program_mm)
    stood = np.array([math.nan] * 4)
    followed = math.nan
    found = {}
    for row in range(len(motion)):
        end = motion.xyza[row]
        if not math.isnan(end[3]):
            half = machine.play_deg / 2
            followed = end[3] - half if math.isnan(followed) else min(max(followed, end[3] - half), end[3] + half)
        if motion.kind[row] == RowKind.PROBE:
            way = end[:3] - stood[:3]
            length = float(np.linalg.norm(way))
            inverse = np.linalg.inv(machine.table_from_bar(machine.turn(followed, setup)))
            at = 0.0
            gap = 1.0
            while gap > 1e-9 and at <= length:
                centre = stood[:3] + offset + [0, 0, machine.ball_mm] + way / length * at
                p = inverse @ [*centre, 1.0]
                gap = distance_mm(p[1:3], section, machine.width_mm / 2) - machine.ball_mm
                at += max(gap, 0.0)
            axis = int(np.argmax(np.abs(way)))
            met = stood[axis] + way[axis] / length * at + rng.normal() * machine.noise_mm
            found[keeps[int(motion.line[row])]] = float(met) if at <= length else math.nan
        stood = np.where(np.isnan(end), stood, end)
    return found


def poses_to_the_bar(
    motion: Motion, setup: SetUp, machine: TrueMachine, step_deg: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """Return poses (m, 4) that carve a faultlessly held bar as the program carves this one, and the program row of each.

    Rows are taken apart at every `step_deg` of A. The cutter's lean along X is left out, as no pose of four axes has it:
    it turns about the centre of a ball, else about the tip.
    """
    balls = {cutter.number: float(np.nan_to_num(cutter.shape.edge.centre_h_mm[0])) for cutter in setup.cutters}
    offset = np.array(setup.table_from_program_mm)
    begins = motion.begins()
    followed = math.nan
    half = machine.play_deg / 2
    poses, owners = [], []
    for row in range(len(motion)):
        if not (np.isfinite(begins[row]).all() and np.isfinite(motion.xyza[row]).all()):
            if np.isfinite(motion.xyza[row, 3]):
                a = motion.xyza[row, 3]
                followed = a - half if math.isnan(followed) else min(max(followed, a - half), a + half)
            continue
        step = motion.xyza[row] - begins[row]
        pieces = max(1, math.ceil(abs(step[3]) / step_deg))
        if abs(step[3]) > 0.0:
            pieces = max(pieces, 8)  # so that play taken up inside a short move is seen
        for k in range(1, pieces + 1):
            at = begins[row] + step * k / pieces
            followed = at[3] - half if math.isnan(followed) else min(max(followed, at[3] - half), at[3] + half)
            inverse = np.linalg.inv(machine.table_from_bar(machine.turn(followed, setup)))
            ball = np.array([0.0, 0.0, balls.get(int(motion.cutter[row]), 0.0)])
            held = (inverse @ [*(at[:3] + offset + ball), 1.0])[:3]
            up = inverse[:3, 2]
            lean = math.degrees(math.atan2(up[1], up[2]))
            turn = machine.turn(followed, setup)
            turn += (lean - turn + 180.0) % 360.0 - 180.0
            poses.append([*(about_x(turn)[:3, :3] @ held - ball), turn])
            owners.append(row)
    return np.array(poses), np.array(owners)
