"""ISO metric threads: the basic profile and its diameters, and which thread a bore is meant for.

Profile: ISO 68-1, H = (sqrt 3 / 2) P. Basic diameters as in ISO 724: d2 = d - 2 (3/8) H, D1 = d - 2 (5/8) H; the root of the
screw with its full radius d3 = d - (17/12) H. Coarse pitches: ISO 261 (M5 to M8 published in the table of ISO 1207, the others
from memory). Limits of an inside thread, class 6H of ISO 965-1: the pitch diameter's of coarse threads are published in tap
makers' catalogues (Yamawa, general catalogue of 2021, page 646; Iscar, reamers and taps, 2022, page 56, after UNI 4535); of
fine threads, and the bore's of all, by the standard's formulas from memory, whose results it rounds: its own limits differ
by up to 0.009 mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from newel.core.errors import BadInput

# ISO 261, coarse series: nominal diameter and pitch in mm. M5 to M8: published (ISO 1207, table 1); the rest from memory.
COARSE_PITCH_MM = {1.6: 0.35, 2.0: 0.4, 2.5: 0.45, 3.0: 0.5, 4.0: 0.7, 5.0: 0.8, 6.0: 1.0, 8.0: 1.25, 10.0: 1.5, 12.0: 1.75, 16.0: 2.0, 20.0: 2.5}  # fmt: skip  # noqa: E501
# Tolerance of the pitch diameter, class 6H, of coarse threads: micrometres by nominal diameter (see above; M20 from memory).
PITCH_6H_UM = {
    1.6: 85,
    2.0: 90,
    2.5: 95,
    3.0: 100,
    4.0: 118,
    5.0: 125,
    6.0: 150,
    8.0: 160,
    10.0: 180,
    12.0: 200,
    16.0: 212,
    20.0: 224,
}
_HALVES_UP_TO_MM = 6.0  # nominal diameters of ISO 261 stand on half millimetres up to here, on whole ones above (from memory)
_ASTRAY = 0.3  # a bore may differ from the basic one by this share of the pitch
_FLANK_RAD = math.radians(30.0)  # half the profile's angle, ISO 68-1
# Ends of the ranges of nominal diameter that share a tolerance, mm: ISO 965-1, from memory.
_RANGES_MM = (0.99, 1.4, 2.8, 5.6, 11.2, 22.4, 45.0)
_OVER_WALL_MM = 0.02  # kept by the tooth from the bore's wall on its way down the middle
_NECK_MM = 0.02  # kept between the neck and the bore's wall


@dataclass(frozen=True)
class ThreadSizes:
    """The basic diameters of an ISO metric thread, in mm: nominal `d`, pitch diameter `d2`, bore `D1`, screw's root `d3`."""

    d: float
    pitch: float
    d2: float
    D1: float
    d3: float

    @property
    def height_mm(self) -> float:
        """The height H of the profile's sharp triangle."""
        return 0.5 * math.sqrt(3.0) * self.pitch


def thread_sizes(nominal_mm: float, pitch_mm: float) -> ThreadSizes:
    """Return the basic diameters of a thread of ISO 68-1; BadInput where no bore is left inside it.

    >>> m6 = thread_sizes(6.0, 1.0)
    >>> round(m6.d2, 3), round(m6.D1, 3), round(m6.d3, 3)
    (5.35, 4.917, 4.773)
    """
    height = 0.5 * math.sqrt(3.0) * pitch_mm
    root = nominal_mm - 17.0 / 12.0 * height
    if not (pitch_mm > 0.0 and root > 0.0):
        raise BadInput(f"there is no metric thread of {nominal_mm:g} mm with a pitch of {pitch_mm:g} mm")
    return ThreadSizes(nominal_mm, pitch_mm, nominal_mm - 0.75 * height, nominal_mm - 1.25 * height, root)


def thread_for_bore(bore_mm: float, pitch_mm: float, *, where: str = "") -> ThreadSizes:
    """Return the thread that a modelled hole is meant for: its bore is D1 or d - P (the drill), rarely the nominal diameter.

    Nominal diameters are those of ISO 261's coarse series, and whole (half, when small) millimetres for fine pitches. Raises
    BadInput where the nearest thread is further off than three tenths of the pitch.
    """
    sizes = [d for d, pitch in COARSE_PITCH_MM.items() if abs(pitch - pitch_mm) < 1e-6]
    grid = 0.5 if bore_mm + pitch_mm <= _HALVES_UP_TO_MM else 1.0
    sizes += [grid * (math.floor((bore_mm + pitch_mm) / grid) + step) for step in (-1, 0, 1, 2)]
    found: list[tuple[float, ThreadSizes]] = []
    for nominal in sizes:
        if nominal <= 1.5 * pitch_mm:
            continue
        thread = thread_sizes(nominal, pitch_mm)
        # the sizes of the coarse series come first: others must fit better by a tenth of the pitch
        fine = 0.0 if COARSE_PITCH_MM.get(nominal) == pitch_mm else 0.1 * pitch_mm
        away = min(abs(bore_mm - thread.D1), abs(bore_mm - (nominal - pitch_mm)), abs(bore_mm - nominal) + fine)
        found.append((away + fine, thread))
    away, best = min((item[0], k) for k, item in enumerate(found)) if found else (math.inf, 0)
    if away > _ASTRAY * pitch_mm:
        raise BadInput(
            f"a hole of {bore_mm:g} mm is the bore of no metric thread with a pitch of {pitch_mm:g} mm",
            where=where,
            remedy="the bore should be the nominal diameter less about 1.08 pitches (ISO 724)",
        )
    return found[best][1]


@dataclass(frozen=True)
class ThreadLimits:
    """From where to where the diameters of an inside thread may lie, in mm."""

    minor_mm: tuple[float, float]
    pitch_mm: tuple[float, float]
    major_mm: tuple[float, float]


def inside_limits(sizes: ThreadSizes) -> ThreadLimits:
    """Return the limits of an inside thread of class 6H.

    Minor and pitch diameter: from the basic size up (ISO 965-1). The major diameter must reach the nominal one; above it lies,
    at most, the sharp corner of the basic triangle, H/4 further in diameter (plane geometry).

    >>> m6 = inside_limits(thread_sizes(6.0, 1.0))  # M6 6H: bore from memory 4.917 to 5.153, pitch diameter 5.350 to 5.500
    >>> [round(x, 2) for x in m6.minor_mm], [round(x, 3) for x in m6.pitch_mm]
    ([4.92, 5.15], [5.35, 5.5])
    """
    p = sizes.pitch
    bore = (433.0 * p - 190.0 * p**1.22 if p < 1.0 else 230.0 * p**0.7) * 1e-3
    return ThreadLimits(
        (sizes.D1, sizes.D1 + bore),
        (sizes.d2, sizes.d2 + 1e-3 * _pitch_6h_um(sizes)),
        (sizes.d, sizes.d + 0.25 * sizes.height_mm),
    )


def _pitch_6h_um(sizes: ThreadSizes) -> float:
    """Return the tolerance of the pitch diameter, class 6H: the published one of a coarse thread, else by formula."""
    if COARSE_PITCH_MM.get(sizes.d) == sizes.pitch:
        return float(PITCH_6H_UM[sizes.d])
    above = next((k for k, end in enumerate(_RANGES_MM) if sizes.d <= end), len(_RANGES_MM) - 1)
    middle = math.sqrt(_RANGES_MM[max(above, 1) - 1] * _RANGES_MM[max(above, 1)])
    return 1.32 * 90.0 * sizes.pitch**0.4 * middle**0.1


@dataclass(frozen=True)
class Tooth:
    """A thread mill's tooth: radius at its crest and of its neck, width of its flat, height of its middle over the end."""

    crest_mm: float
    neck_mm: float
    flat_mm: float
    middle_mm: float


def path_radius_mm(tooth: Tooth, sizes: ThreadSizes) -> float:
    """Return the radius of the tip's helix that gives the thread its basic pitch diameter.

    A tooth whose flat is P/8 reaches the nominal diameter; a sharper one goes deeper until its flanks lie on the profile's
    (plane geometry): at most to the sharp corner of the basic triangle, H/8 beyond.
    """
    sharper = (sizes.pitch / 8.0 - tooth.flat_mm) / (2.0 * math.tan(_FLANK_RAD))
    return 0.5 * sizes.d + sharper - tooth.crest_mm


def misfit(tooth: Tooth, sizes: ThreadSizes) -> str:
    """Say why a tooth cannot make a thread: too blunt for the pitch, too shallow, or too wide for the bore; '' where it can."""
    name = thread_name(sizes)
    if tooth.flat_mm > sizes.pitch / 8.0 + 1e-9:
        return f"the tooth's flat of {tooth.flat_mm:g} mm is wider than an eighth of the pitch of {name}"
    if 2.0 * tooth.crest_mm > sizes.D1 - 2.0 * _OVER_WALL_MM:
        return f"a thread mill of {2.0 * tooth.crest_mm:g} mm does not go into the bore of {name}"
    if tooth.neck_mm + path_radius_mm(tooth, sizes) > 0.5 * sizes.D1 - _NECK_MM:
        return f"the tooth does not stand out far enough for {name}: its neck would rub in the bore"
    return ""


def thread_name(sizes: ThreadSizes) -> str:
    """Name a thread: 'M6 x 1'."""
    return f"M{sizes.d:g} x {sizes.pitch:g}"
