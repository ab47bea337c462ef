"""Removed volumes against closed forms of solid geometry; every expected number here is derived, its form beside it."""

import numpy as np
import pytest

from newel.core.job import Section
from newel.core.profile import CutterShape, outline
from newel.geometry.blank import Blank, bar_blank, carve, volume_mm3

BALL = CutterShape(outline((0, 0), (3, 3, 0, 3), (3, 20)), outline((3, 20), (3, 30)))
FLAT = CutterShape(outline((0, 0), (3, 0), (3, 20)), outline((3, 20), (3, 30)))
V90 = CutterShape(outline((0, 0), (4, 4), (4, 20)), outline((4, 20), (4, 30)))


def taken(blank: Blank, shape: CutterShape, poses: list[list[float]]) -> float:
    """Carve and return all that was removed, having checked it against the volumes before and after."""
    before = volume_mm3(blank)
    removed = carve(blank, shape, np.array(poses, dtype=float), np.arange(len(poses), dtype=np.int32)).removed_mm3.sum()
    assert removed == pytest.approx(before - volume_mm3(blank), rel=1e-9)
    return removed


def cap(pitch: float) -> float:
    """Spherical cap: pi a^2 (3 R - a) / 3 with R 3, a 1."""
    return taken(bar_blank(Section.SQUARE, (20.0,), 0, 20, 0, pitch), BALL, [[10.03, 0.02, 12, 0], [10.03, 0.02, 9, 0]])


def slot(pitch: float) -> float:
    """Half-round slot: pi R^2 / 2 times L, R 3, L 10."""
    return taken(bar_blank(Section.SQUARE, (20.0,), 0, 10, 30, pitch), BALL, [[-10, 0, 7, -30], [20, 0, 7, -30]])


def flat(pitch: float) -> float:
    """Flat at h 8 on a round bar R 10: (R^2 acos(h/R) - h sqrt(R^2 - h^2)) L, L 30."""
    poses = [[-5, -5, 8, 20], [35, -5, 8, 20], [35, 0, 8, 20], [-5, 0, 8, 20], [-5, 5, 8, 20], [35, 5, 8, 20]]
    return taken(bar_blank(Section.ROUND, (20.0,), 0, 30, 0, pitch), FLAT, poses)


def square(pitch: float) -> float:
    """Square 14 across flats from round 20, 10 long: (100 pi - 196) L."""
    there_and_up = ((-5, 20), (-5, 7), (15, 7), (15, 20))
    poses = [[x, y, z, turn] for turn in (10, 100, 190, 280) for y in (-7.5, -2.5, 2.5, 7.5) for x, z in there_and_up]
    return taken(bar_blank(Section.ROUND, (20.0,), 0, 10, 0, pitch), FLAT, poses)


def groove(pitch: float) -> float:
    """Turned groove: a flat end of DC 6 over the axis touches radius 8 all across its width: pi (R^2 - r^2) DC."""
    return taken(bar_blank(Section.ROUND, (20.0,), 0, 20, 0, pitch), FLAT, [[10, 0, 8, a] for a in np.arange(0, 361, 5)])


def hole(pitch: float) -> float:
    """Drilled through the axis: common volume of bar R 10 and hole r 3, by quadrature of 4 sqrt((R^2 - y^2)(r^2 - y^2))."""
    return taken(bar_blank(Section.ROUND, (20.0,), 0, 20, 0, pitch), FLAT, [[10.02, 0, 11, 45], [10.02, 0, -11, 45]])


def v_groove(pitch: float) -> float:
    """V groove of 90 degrees, depth 2, along a square bar: depth^2 L, L 20."""
    return taken(bar_blank(Section.SQUARE, (20.0,), 0, 20, 0, pitch), V90, [[-6, 0.3, 8, 90], [26, 0.3, 8, 90]])


def helix(pitch: float) -> float:
    """Ball groove round a bar at 10 mm a turn, two turns, clear of the bar's ends: see `helix_expected`."""
    poses = [[5 + 20 * t, 0, 9, 720 * t] for t in np.linspace(0, 1, 241)]
    return taken(bar_blank(Section.ROUND, (20.0,), 0, 30, 0, pitch), BALL, poses)


def hole_expected() -> float:
    y = 3 * np.sin(np.linspace(-np.pi / 2, np.pi / 2, 20001))
    return float(np.trapezoid(4 * np.sqrt((100 - y**2) * (9 - y**2)), y))


def helix_expected() -> float:
    """Ball of radius 3 whose centre runs at radius 12 on a helix (10 mm a turn, two turns): the volume inside R 10.

    At cylinder radius rho, a point (x, angle) is swept if its distance to the helix is at most 3: with the helix unrolled
    at angle 0, distance^2 = (x - x(a))^2 + rho^2 + 144 - 24 rho cos(angle - a). Integrated on a fine (rho, x, angle) grid.
    """
    rho = np.linspace(9, 10, 41)
    rho = (rho[1:] + rho[:-1]) / 2
    x = np.arange(0.0125, 30, 0.025)
    a = np.linspace(0, 4 * np.pi, 2881)  # the helix's parameter
    total = 0.0
    for r in rho:
        for k in range(72):
            angle = (k + 0.5) * 2 * np.pi / 72
            left = 9 - r**2 - 144 + 24 * r * np.cos(angle - a)
            some = left > 0
            centre, half = 5 + 10 * a[some] / (2 * np.pi), np.sqrt(left[some])
            covered = np.zeros(len(x), bool)
            order = np.argsort(centre)
            for low, high in zip((centre - half)[order][::4], (centre + half)[order][::4], strict=True):
                covered[np.searchsorted(x, low) : np.searchsorted(x, high)] = True
            total += covered.sum() * 0.025 * r * (2 * np.pi / 72) * (1 / 40)
    return total


CASES = {
    "cap": (cap, 8.37758041),
    "half-round slot": (slot, 141.37166941),
    "flat on a round bar": (flat, 490.50332638),
    "square from round": (square, 10 * 118.15926536),
    "turned groove": (groove, np.pi * 36 * 6),
    "drilled hole": (hole, hole_expected()),
    "V groove": (v_groove, 80.0),
}


@pytest.mark.parametrize("name", CASES)
def test_removed_volume_is_the_closed_form(name: str) -> None:
    make, expected = CASES[name]
    assert make(0.1) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("name", CASES)
def test_error_falls_as_the_pitch_is_halved(name: str) -> None:
    """Midpoint rays: first order at least, where walls stand across the rays, second where the surface is smooth."""
    make, expected = CASES[name]
    errors = [abs(make(pitch) - expected) / expected for pitch in (0.8, 0.4, 0.2, 0.1)]
    floor = 3e-4  # chords of rings and turns
    order = np.polyfit(np.log([0.8, 0.4, 0.2, 0.1]), np.log(np.maximum(errors, floor)), 1)[0]
    assert order > 0.8 or max(errors) < 2 * floor, errors


def test_ball_groove_on_a_helix() -> None:
    assert helix(0.1) == pytest.approx(helix_expected(), rel=5e-3)
