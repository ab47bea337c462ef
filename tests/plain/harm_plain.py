"""What harm a program does, slowly and plainly: its own tiny reader, a bar of loose points, a cutter stamped pose by pose.

Nothing here is shared with the prover but data (set-up, machine, outlines of cutters): not its reader, interpreter, frames,
blank, strikes or limits. It knows only the plain words that the mutated programs use; whatever else stands on a line that
would run is harm by itself, for what a control makes of it is not known. It sees harm of a tenth of a millimetre and more.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from newel.core.job import Section
from newel.core.setup import SetUp
from newel.shop.machines import Machine

STEP_MM, STEP_DEG = 0.2, 2.5  # between two stamps
SLACK_MM = 0.05  # what touches by less is no harm
DEEP_MM = 0.12  # a point so far inside the part is a gouge when it goes
HIGH_MM = 0.3  # a point so far outside the part is left-over when it stays, though the sound program takes it off
FEW = 0.2  # of the points that stand deep
WORD = re.compile(r"([A-Z])\s*([-+]?(?:\d+\.?\d*|\.\d+))")
MOTIONS = {0, 1, 2, 3, 80, 81}
GROUPS = (MOTIONS, {17, 18, 19}, {20, 21}, {90, 91}, {93, 94}, {43, 49}, {54, 55, 56, 57, 58, 59}, {98, 99}, {40}, {53})
PLAIN_G = set().union(*GROUPS)
PLAIN_M = {3, 4, 5, 6, 8, 9, 2, 30}


class StrangeError(Exception):
    """A line that a control may take in any way, or not at all."""


@dataclass
class Move:
    """One straight piece: poses (x, y, z of the spindle's face, A), nan where not known, and what was in force."""

    line: int
    begin: np.ndarray
    end: np.ndarray
    rapid: bool
    cutter: int
    rpm: float
    change: bool = False


@dataclass
class Reader:
    """The plain words in force. Z is kept as the height of the spindle's face, for that is what a machine moves."""

    setup: SetUp
    lengths: dict[int, float]
    at: np.ndarray = field(default_factory=lambda: np.full(4, math.nan))
    motion: int | None = None
    plane: int = 17
    inch: bool | None = None
    step: bool = False
    inverse: bool = False
    feed: float = math.nan
    system: int = 54
    offset: int = 0
    cutter: int = 0
    chosen: int = -1
    rpm: float = math.nan
    way: int = 0
    cycle: dict[str, float] = field(default_factory=dict)
    to_r: bool = False
    ended: bool = False

    def moves(self, text: str) -> Iterator[Move]:
        """Yield the moves of a text; StrangeError at a line that is not plain."""
        for number, raw in enumerate(text.splitlines(), start=1):
            if self.ended:
                return
            line = re.sub(r"\([^()]*\)", "", raw).split(";")[0].upper().strip()
            line = re.sub(r"\s", "", line)  # blanks count nowhere, inside a number either (NISTIR 6556, 3.3)
            if not line or line == "%":
                continue
            try:
                yield from self.block(line, number)
            except StrangeError as error:
                raise StrangeError(f"line {number}: {error}") from None

    def block(self, line: str, number: int) -> Iterator[Move]:
        """Carry out one line."""
        if WORD.sub("", line).strip():
            raise StrangeError(f"no plain words: {line}")
        g, m, words = self.sorted_words(line)
        if "F" in words:
            self.feed = words["F"]
        self.set_modes(g, words)
        if "S" in words:
            self.rpm = words["S"]
        if "T" in words:
            self.chosen = int(words["T"])
        if 6 in m:
            if self.chosen < 0:
                raise StrangeError("no cutter chosen")
            self.cutter, self.way = self.chosen, 0
            yield self.move(number, self.at.copy(), rapid=True, change=True)
        for code, way in ((3, 1), (4, -1), (5, 0)):
            if code in m:
                self.way = way
        axes = {axis: words[axis] for axis in "XYZA" if axis in words}
        asked = [code for code in g if code in MOTIONS]
        if asked:
            self.motion = asked[0]
        if axes:
            yield from self.go(axes, words, number, by_face=53 in g)
        elif asked and asked[0] not in (0, 1, 80):
            raise StrangeError("an arc or a cycle without its axes")
        self.ended = 2 in m or 30 in m

    def sorted_words(self, line: str) -> tuple[list[int], list[int], dict[str, float]]:
        """Return G numbers, M numbers and the other words of a line."""
        g, m, words = [], [], {}
        for letter, digits in WORD.findall(line):
            value = float(digits)
            if letter in "GM":
                if value != int(value) or int(value) not in (PLAIN_G if letter == "G" else PLAIN_M):
                    raise StrangeError(f"{letter}{digits}")
                (g if letter == "G" else m).append(int(value))
            elif letter not in "NXYZAFSTHIJR" or letter in words:
                raise StrangeError(f"{letter} twice, or not known")
            else:
                words[letter] = value
        if any(len([code for code in g if code in group]) > 1 for group in GROUPS):
            raise StrangeError("two codes of one group")
        if len([code for code in m if code in (3, 4, 5)]) > 1 or words.get("F", 1.0) <= 0.0 or words.get("S", 0.0) < 0.0:
            raise StrangeError("a feed of nothing, or two spindle words")
        return g, m, words

    def set_modes(self, g: list[int], words: dict[str, float]) -> None:
        """Put modes in force."""
        for code in g:
            if code in (17, 18, 19):
                self.plane = code
            elif code in (20, 21):
                if self.inch is not None and self.inch != (code == 20) and "F" not in words:
                    self.feed = math.nan
                self.inch = code == 20
            elif code in (90, 91):
                self.step = code == 91
            elif code in (93, 94):
                if self.inverse != (code == 93) and "F" not in words:
                    self.feed = math.nan
                self.inverse = code == 93
            elif code in (98, 99):
                self.to_r = code == 99
            elif code == 49:
                self.offset = 0
            elif code == 43:
                if "H" not in words:
                    raise StrangeError("G43 without H")
                self.offset = int(words["H"])
            elif 54 <= code <= 59:
                self.system = code
        if "H" in words and 43 not in g:
            raise StrangeError("H without G43")

    def move(self, line: int, end: np.ndarray, *, rapid: bool, change: bool = False) -> Move:
        """Return the move to `end` and stand there."""
        rpm = self.way * self.rpm if self.way else 0.0
        made = Move(line, self.at.copy(), end.copy(), rapid, self.cutter, rpm, change)
        self.at = end.copy()
        return made

    def go(self, axes: dict[str, float], words: dict[str, float], number: int, *, by_face: bool) -> Iterator[Move]:
        """Move as the axis words say."""
        if self.inch is None:
            raise StrangeError("a move before any units word")
        if self.motion is None or self.motion == 80:
            raise StrangeError("axis words and no motion in force")
        unit = 25.4 if self.inch else 1.0
        up = self.setup.machine_from_table_mm[2] if by_face else self.lengths.get(self.offset, math.nan)
        end = self.at.copy()
        for k, axis in enumerate("XYZA"):
            if axis not in axes:
                continue
            value = axes[axis] * (unit if axis != "A" else 1.0)
            if by_face:
                if self.motion not in (0, 1) or k == 3:
                    raise StrangeError("G53 with an arc, or of A")
                moved = np.array(self.setup.machine_from_table_mm)[k]
                shift = 0.0 if k == 2 else self.setup.table_from_program_mm[k]
                end[k] = value - moved - shift
                continue
            if self.system != int(self.setup.work_offset[1:]):
                raise StrangeError("a move in a work offset that nobody has set")
            end[k] = end[k] + value if self.step else value + (up + self.setup.table_from_program_mm[2] if k == 2 else 0.0)
        if (self.motion != 0 and math.isnan(self.feed)) or (self.inverse and self.motion != 0 and "F" not in words):
            raise StrangeError("a fed move without a feed")
        offsets = {letter: words[letter] * unit for letter in "IJR" if letter in words}
        if self.motion in (0, 1):
            if offsets:
                raise StrangeError("I, J or R without an arc")
            yield self.move(number, end, rapid=self.motion == 0)
        elif self.motion in (2, 3):
            yield from self.arc(end, offsets, number)
        else:
            yield from self.drill(end, axes, offsets, unit, number)

    def arc(self, end: np.ndarray, offsets: dict[str, float], number: int) -> Iterator[Move]:
        """An arc in the XY plane about its centre, in chords of two degrees."""
        if self.plane != 17 or not {"I", "J"} & offsets.keys() or "R" in offsets:
            raise StrangeError("an arc out of the XY plane, or without its centre")
        centre = self.at[:2] + np.array([offsets.get("I", 0.0), offsets.get("J", 0.0)])
        a, b = self.at[:2] - centre, end[:2] - centre
        if not abs(np.hypot(*a) - np.hypot(*b)) < 0.002:
            raise StrangeError("an arc whose end is not on its circle")
        sweep = math.atan2(a[0] * b[1] - a[1] * b[0], float(a @ b))
        sense = 1.0 if self.motion == 3 else -1.0
        if sense * sweep <= 1e-9:
            sweep += sense * 2.0 * math.pi
        begin, count = self.at.copy(), max(2, math.ceil(abs(math.degrees(sweep)) / 2.0))
        for k in range(1, count + 1):
            at = begin + (end - begin) * k / count
            turned = math.atan2(a[1], a[0]) + sweep * k / count
            at[:2] = centre + np.hypot(*a) * np.array([math.cos(turned), math.sin(turned)])
            yield self.move(number, at, rapid=False)

    def drill(
        self, end: np.ndarray, axes: dict[str, float], given: dict[str, float], unit: float, number: int
    ) -> Iterator[Move]:
        """A drilling cycle: across at rapid, down to R, fed to Z, back at rapid."""
        if {"I", "J"} & given.keys() or self.step or "A" in axes:
            raise StrangeError("a cycle of another kind")
        up = self.lengths.get(self.offset, math.nan) + self.setup.table_from_program_mm[2]
        self.cycle.update({"Z": axes["Z"] * unit + up} if "Z" in axes else {})
        self.cycle.update({"R": given["R"] + up} if "R" in given else {})
        if len(self.cycle) < 2 or not self.cycle["R"] >= self.cycle["Z"]:
            raise StrangeError("a cycle without Z and R, or R below Z")
        old = self.at[2]
        if old < self.cycle["R"]:
            yield self.move(number, self.with_z(self.at, self.cycle["R"]), rapid=True)
            old = self.cycle["R"]
        yield self.move(number, self.with_z(end, self.at[2]), rapid=True)
        yield self.move(number, self.with_z(self.at, self.cycle["R"]), rapid=True)
        yield self.move(number, self.with_z(self.at, self.cycle["Z"]), rapid=False)
        yield self.move(number, self.with_z(self.at, self.cycle["R"] if self.to_r else old), rapid=True)

    @staticmethod
    def with_z(place: np.ndarray, z: float) -> np.ndarray:
        """Return a place at another height."""
        return np.array([place[0], place[1], z, place[3]])


@dataclass(frozen=True)
class Scene:
    """A set-up on a machine and the part in the bar: `inside(points, margin)` tells points (n, 3) deeper than `margin` in it.

    A margin below nothing grows the part. `stands` (n,): points of part and stubs that must not go; `spare` (n,): points
    well outside both.
    """

    setup: SetUp
    machine: Machine
    points: np.ndarray
    stands: np.ndarray
    spare: np.ndarray
    safe_mm: float
    radii: dict[int, tuple[np.ndarray, ...]]
    coarse: float  # how many times further apart the stamps stand


def scene(
    setup: SetUp,
    machine: Machine,
    inside: Callable[[np.ndarray, float], np.ndarray],
    pitch_mm: float,
    coarse: float = 1.0,
) -> Scene:
    """Make a scene of a bar of points on a shaken grid (seeded)."""
    bar, rng = setup.bar, np.random.default_rng(11)
    size = bar.size_mm[0] / 2.0
    around = size if bar.section is Section.ROUND else size * math.sqrt(2.0)
    axes = [
        np.arange(low, high, pitch_mm) for low, high in ((bar.from_x_mm, bar.to_x_mm), (-around, around), (-around, around))
    ]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    grid += rng.uniform(-0.45, 0.45, grid.shape) * pitch_mm
    t = -math.radians(bar.turned_deg)
    y, z = math.cos(t) * grid[:, 1] - math.sin(t) * grid[:, 2], math.sin(t) * grid[:, 1] + math.cos(t) * grid[:, 2]
    if bar.section is Section.ROUND:
        held = np.hypot(y, z) <= size
    elif bar.section is Section.SQUARE:
        held = np.maximum(np.abs(y), np.abs(z)) <= size
    else:
        raise ValueError("this check knows round and square bars")
    points = grid[held & (grid[:, 0] >= bar.from_x_mm) & (grid[:, 0] <= bar.to_x_mm)]
    points = points[np.argsort(points[:, 0], kind="stable")]
    radius = np.hypot(points[:, 1], points[:, 2])
    stub, near = np.zeros(len(points), bool), np.zeros(len(points), bool)
    for thing in setup.stays_standing:
        x = points[:, 0]
        low, high, r = thing.from_x_mm, thing.to_x_mm, thing.radius_mm
        stub |= (x > low + DEEP_MM) & (x < high - DEEP_MM) & (radius < r - DEEP_MM)
        near |= (x > low - HIGH_MM) & (x < high + HIGH_MM) & (radius < r + HIGH_MM)
    stands = stub | inside(points, DEEP_MM)
    # No cutter comes into the depth but through the skin, so of what stands deep, or far from the part, few points will do.
    dull = inside(points, 4.0 * DEEP_MM + pitch_mm) | (near & ~inside(points, -HIGH_MM))
    kept = ~dull | (rng.random(len(points)) < FEW)
    points, stands, near = points[kept], stands[kept], near[kept]
    spare = ~near & ~inside(points, -HIGH_MM)
    safe = max([around, *(thing.radius_mm for thing in setup.keep_out)])
    return Scene(setup, machine, points, stands, spare, safe, {c.number: _radii(c) for c in setup.cutters}, coarse)


def _radii(cutter) -> tuple[np.ndarray, ...]:
    """Return heights and radii along edge and along body, arcs in small steps."""
    out: list[np.ndarray] = []
    for profile in (cutter.shape.edge, cutter.shape.body):
        h, r = [profile.h_mm[0]], [profile.r_mm[0]]
        for k in range(len(profile.r_mm) - 1):
            share = np.linspace(0.0, 1.0, 61)[1:]
            cr, ch = profile.centre_r_mm[k], profile.centre_h_mm[k]
            r0, h0, r1, h1 = profile.r_mm[k], profile.h_mm[k], profile.r_mm[k + 1], profile.h_mm[k + 1]
            if math.isnan(cr):
                h += list(h0 + share * (h1 - h0))
                r += list(r0 + share * (r1 - r0))
            else:
                a0, a1 = math.atan2(h0 - ch, r0 - cr), math.atan2(h1 - ch, r1 - cr)
                size = math.hypot(r0 - cr, h0 - ch)
                h += list(ch + size * np.sin(a0 + share * (a1 - a0)))
                r += list(cr + size * np.cos(a0 + share * (a1 - a0)))
        out += [np.array(h), np.array(r)]
    return tuple(out)


@dataclass(frozen=True)
class Harm:
    """What a program does wrong: the first thing that breaks something, or '', with its line; which points are left."""

    breaks: str
    line: int
    left: np.ndarray


def harm_of(text: str, bench: Scene) -> Harm:
    """Run a program until it breaks something."""
    lengths = {0: 0.0, **{c.number: c.gauge_length_mm for c in bench.setup.cutters}}
    reader = Reader(bench.setup, lengths)
    alive = np.ones(len(bench.points), bool)
    raised, line, tip = False, 0, math.nan
    try:
        for move in reader.moves(text):
            line = move.line
            said, raised, tip = _one_move(move, bench, lengths, alive, raised)
            if said:
                return Harm(said, line, alive)
    except StrangeError as error:
        return Harm(f"not known what a control does ({error})", 0, alive)
    if not tip >= bench.safe_mm - 1e-6:
        return Harm("ends low, or nobody knows how high", line, alive)
    return Harm("", 0, alive)


def _one_move(move: Move, bench: Scene, lengths: dict[int, float], alive: np.ndarray, raised: bool) -> tuple[str, bool, float]:
    """Return what the move breaks, whether the tip has been raised by now, and how high it stands."""
    longest = max(lengths.values())
    if move.cutter not in lengths:
        return "a cutter that nobody has", raised, math.nan
    hangs = lengths[move.cutter] if move.cutter else longest
    low, tip = move.begin[2] - hangs, move.end[2] - hangs
    if move.change:
        return ("a cutter changed low" if low < bench.safe_mm - 1e-6 else ""), raised, tip
    if not raised:
        others = [
            k for k in (0, 1, 3) if not (math.isnan(move.begin[k]) and math.isnan(move.end[k])) and move.begin[k] != move.end[k]
        ]
        if others or not tip >= bench.safe_mm - 1e-6:
            return "moves before the tip has been raised", raised, tip
        return _out_of_travel(move, bench), True, tip
    said = _out_of_travel(move, bench)
    if said or min(low, tip) >= bench.safe_mm - 1e-6:
        return said, True, tip
    if not move.cutter or not (np.isfinite(move.begin).all() and np.isfinite(move.end).all()):
        return "low with no cutter, or from a place that is not known", True, tip
    return _stamped(move, hangs, bench, alive), True, tip


def _out_of_travel(move: Move, bench: Scene) -> str:
    machine, setup = bench.machine, bench.setup
    for k, axis in enumerate((machine.x, machine.y, machine.z)):
        place = move.end[k] + setup.machine_from_table_mm[k] + (setup.table_from_program_mm[k] if k < 2 else 0.0)
        if place > axis.to_mm + 1e-6 or place < axis.from_mm - 1e-6:
            return "runs into the end of an axis"
    if machine.a.wind_up_deg is not None and abs(move.end[3]) > machine.a.wind_up_deg + 1e-6:
        return "A turns further than it may"
    return ""


def _stamped(move: Move, hangs: float, bench: Scene, alive: np.ndarray) -> str:
    """Stamp the cutter along a move; take its points off; return what it breaks."""
    setup, points = bench.setup, bench.points
    step = move.end - move.begin
    count = max(1, math.ceil(max(np.abs(step[:3]).max() / STEP_MM, abs(step[3]) / STEP_DEG) / bench.coarse))
    share = np.linspace(0.0, 1.0, count + 1)
    way = move.begin + share[:, None] * step
    way[:, :2] += setup.table_from_program_mm[:2]
    way[:, 2] -= hangs
    turns = np.radians(setup.a_sense * (way[:, 3] + setup.a_zero_deg))
    he, re_, hb, rb = bench.radii[move.cutter]
    if way[:, 2].min() <= -setup.table_below_axis_mm:
        return "strikes the table"
    said = _keep_outs(way, np.concatenate([he, hb]), np.concatenate([re_, rb]), setup)
    if said:
        return said
    cutter = next(c for c in setup.cutters if c.number == move.cutter)
    widest = max(re_.max(), rb.max())
    straight_down = step[2] < 0.0 and not step[[0, 1, 3]].any()
    for (x, y, z, _), turn in zip(way, turns):
        first, last = np.searchsorted(points[:, 0], (x - widest, x + widest))
        here = first + np.flatnonzero(alive[first:last])
        p = points[here]
        c, s = math.cos(turn), math.sin(turn)
        height = s * p[:, 1] + c * p[:, 2] - z
        above = height > 0.0
        here, p, height = here[above], p[above], height[above]
        away = np.hypot(p[:, 0] - x, c * p[:, 1] - s * p[:, 2] - y)
        cut = (height <= he[-1]) & (away < np.interp(height, he, re_))
        surely = cut & (height > SLACK_MM) & (away < np.interp(height - SLACK_MM, he, re_) - SLACK_MM)
        if surely.any():
            if move.rapid:
                return "a rapid through material"
            if not move.rpm > 0.0:
                return "cuts with the spindle standing or backward"
            if (
                not bench.machine.spindle.min_rpm * 0.999
                <= move.rpm
                <= min(bench.machine.spindle.max_rpm, cutter.max_rpm or 1e9) * 1.001
            ):
                return "cuts at a speed that spindle or cutter can't run"
            if straight_down and not cutter.centre_cutting:
                return "sent straight down though it does not cut at its centre"
        if bench.stands[here[cut]].any():
            return "takes off what must stand"
        alive[here[cut]] = False
        body = ~cut & (height > hb[0] + SLACK_MM) & (away < np.interp(height, hb, rb) - SLACK_MM)
        if body.any():
            return "its body ploughs through material"
    return ""


def _keep_outs(way: np.ndarray, h: np.ndarray, r: np.ndarray, setup: SetUp) -> str:
    """Tell whether a disc of the cutter, at any height, is inside what holds the bar (plane geometry of circle and strip)."""
    r = np.maximum(r - SLACK_MM, 0.0)
    for thing in setup.keep_out:
        off = np.maximum(0.0, np.maximum(thing.from_x_mm - way[:, 0], way[:, 0] - thing.to_x_mm))[:, None]
        half = np.sqrt(np.maximum(r**2 - off**2, 0.0))
        aside = np.maximum(0.0, np.abs(way[:, 1])[:, None] - half)
        touches = (off < r) & (np.hypot(aside, way[:, 2][:, None] + h) < thing.radius_mm - SLACK_MM)
        if touches.any():
            return f"strikes the {thing.name}"
    return ""


def left_over(sound: Harm, other: Harm, bench: Scene) -> int:
    """Return how many points the sound program takes off well outside the part and the other one leaves."""
    return int((bench.spare & ~sound.left & other.left).sum())
