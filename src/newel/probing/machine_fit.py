"""The joint fit: readings of every kind at once give the axis, A, the bar, the ball, and how surely each is known.

`suggest` says which extra reading would help most: of many candidates, the ones that narrow down what is not yet known
well enough (the sum of the logarithms of spread over what is good enough; one update of rank one for each candidate).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.job import Section
from newel.core.setup import SetUp
from newel.probing.fits import Fit, Unknown, fit, jacobian_of
from newel.probing.measured import MeasuredMachine
from newel.probing.touches import BarAsMeasured, Feature, Touch, contacts_mm, readings_of, table_of

Floats = NDArray[np.float64]

PROBE_NOISE_MM = 0.01  # a light machine's probing or gauging, one standard deviation (common practice)
BALL_KNOWN_MM = 0.002  # a ball's radius as bought (common practice)
# name: (unit, how far a machine may be off, what is good enough for carving to 0.05 mm); from common practice
_MACHINE: Mapping[str, tuple[str, float, float]] = {
    "axis_y_mm": ("mm", 3.0, 0.01),
    "axis_z_mm": ("mm", 3.0, 0.01),
    "slope_y": ("mm/mm", 0.03, 1.5e-4),
    "slope_z": ("mm/mm", 0.03, 1.5e-4),
    "a_zero_deg": ("deg", 6.0, 0.05),
    "a_scale": ("deg/deg", 0.02, 2e-4),
    "backlash_deg": ("deg", 1.0, 0.03),
    "bar_y_mm": ("mm", 2.0, 0.02),
    "bar_z_mm": ("mm", 2.0, 0.02),
    "bar_slope_y": ("mm/mm", 0.03, 3e-4),
    "bar_slope_z": ("mm/mm", 0.03, 3e-4),
}
_BAR: Mapping[str, tuple[str, float, float]] = {
    "width_mm": ("mm", 3.0, 0.05),
    "height_mm": ("mm", 3.0, 0.05),
    "out_of_square_deg": ("deg", 2.0, 0.1),
    "ball_radius_mm": ("mm", 0.5, 0.01),
    "jaw_face_mm": ("mm", 5.0, 0.05),
    "block_mm": ("mm", 5.0, 0.01),
}
GAUGE_REACH_MM = 200.0
ZERO = "zero of "  # and the gauge's name: the unknown that a gauge brings along


@dataclass(frozen=True)
class Reading:
    """One touch with what was read there, in mm."""

    touch: Touch
    value_mm: float


@dataclass(frozen=True)
class MachineFit:
    """What the readings say: the machine and the bar with what is told put in, and the fit with all its uncertainty.

    `not_told`: unknowns that the readings are silent on, left at the planned value. `readings`: what was fitted.
    """

    measured: MeasuredMachine
    bar: BarAsMeasured
    fit: Fit
    not_told: tuple[str, ...]
    readings: tuple[Reading, ...]


@dataclass(frozen=True)
class Suggestion:
    """An extra reading that would help: the touch, the unknown it narrows most, its spread now and after."""

    touch: Touch
    about: str
    unit: str
    spread_now: float
    spread_then: float


def fit_machine(
    readings: Sequence[Reading],
    setup: SetUp,
    planned_bar: BarAsMeasured,
    *,
    noise_mm: float = PROBE_NOISE_MM,
    ball_known_mm: float = BALL_KNOWN_MM,
) -> MachineFit:
    """Fit all readings at once. `planned_bar`: sizes to start from; its ball is taken as known within `ball_known_mm`."""
    if not readings:
        raise BadInput("there is no reading to fit", remedy="fill in the table that came with the routine")
    unknowns = unknowns_of([reading.touch for reading in readings], setup, planned_bar, ball_known_mm)
    read = np.array([reading.value_mm for reading in readings])
    touches = [reading.touch for reading in readings]
    unknowns = _gauges_started(unknowns, touches, read, setup, planned_bar)

    predicted = prediction(touches, unknowns, setup, planned_bar)
    found = fit(unknowns, lambda values: predicted(values) - read, [touch.name for touch in touches], noise_mm)
    told = {item.name: item.value for item in found.estimates if item.told}
    not_told = tuple(item.name for item in found.estimates if not item.told)
    machine = MeasuredMachine(**{name: _kept(name, value) for name, value in told.items() if name in _MACHINE})
    bar = replace(planned_bar, **{name: value for name, value in told.items() if name in _BAR})
    return MachineFit(machine, bar, found, not_told, tuple(readings))


def suggest(found: MachineFit, candidates: Sequence[Touch], setup: SetUp, count: int = 3) -> tuple[Suggestion, ...]:
    """Return the candidate touches that would help most, the best first, each one counted with those before it taken."""
    touches = [reading.touch for reading in found.readings]
    names = [item.name for item in found.fit.estimates]
    unknowns = [item for item in unknowns_of(touches, setup, found.bar, BALL_KNOWN_MM) if item.name in names]
    unknowns = [replace(_by_name(unknowns, name), start=found.fit.value(name)) for name in names]
    reach = np.array([item.reach for item in unknowns])
    values = np.array([found.fit.value(name) for name in names])
    good = np.array([item.good_enough for item in unknowns])
    usable = [touch for touch in candidates if not touch.gauge or ZERO + touch.gauge in names]
    if not usable:
        return ()
    rows = jacobian_of(prediction(usable, unknowns, setup, found.bar), values, reach)
    covariance = found.fit.covariance
    chosen: list[Suggestion] = []
    for _ in range(count):
        then = [_updated(covariance, row, found.fit.reading_spread) for row in rows]
        merits = [_open(covariance, good) - _open(after, good) for after in then]
        best = int(np.argmax(merits))
        if merits[best] < 0.02:
            break
        now, after = np.sqrt(np.diag(covariance)), np.sqrt(np.diag(then[best]))
        k = int(np.argmax(np.where(now > good, now / np.maximum(after, good), 0.0)))
        chosen.append(Suggestion(usable[best], names[k], unknowns[k].unit, float(now[k]), float(after[k])))
        covariance = then[best]
    return tuple(chosen)


def unknowns_of(touches: Sequence[Touch], setup: SetUp, bar: BarAsMeasured, ball_known_mm: float) -> list[Unknown]:
    """Return the unknowns that the kinds of touches at hand have to do with."""
    features = {touch.feature for touch in touches}
    on_bar = [touch for touch in touches if touch.feature not in (Feature.JAW_FACE, Feature.BLOCK)]
    flats = any(touch.feature is not Feature.ROUND for touch in on_bar)
    names: list[str] = []
    if on_bar:
        names += [name for name in _MACHINE if flats or name not in ("a_zero_deg", "a_scale", "backlash_deg")]
        names += ["width_mm", *(["height_mm"] if flats and setup.bar.section is not Section.HEXAGON else [])]
        if flats and setup.bar.section in (Section.SQUARE, Section.RECTANGLE):
            names.append("out_of_square_deg")
    if on_bar or Feature.JAW_FACE in features:
        names.append("ball_radius_mm")
    names += ["jaw_face_mm"] if Feature.JAW_FACE in features else []
    names += ["block_mm"] if Feature.BLOCK in features else []
    found = [_unknown(name, bar, ball_known_mm) for name in names]
    zeros = dict.fromkeys(touch.gauge for touch in touches if touch.gauge)
    return found + [Unknown(ZERO + gauge, "mm", 0.0, GAUGE_REACH_MM, math.inf) for gauge in zeros]


def prediction(
    touches: Sequence[Touch], unknowns: Sequence[Unknown], setup: SetUp, planned: BarAsMeasured
) -> Callable[[Floats], Floats]:
    """Return a function from values of the unknowns to what would be read at each touch (n,)."""
    table, names = table_of(touches), [item.name for item in unknowns]

    def read(values: Floats) -> Floats:
        held = dict(zip(names, values.tolist(), strict=True))
        machine = _Loose(**{name: held.get(name, 1.0 if name == "a_scale" else 0.0) for name in _MACHINE})
        bar = replace(planned, **{name: held[name] for name in _BAR if name in held})
        zeros = {name[len(ZERO) :]: value for name, value in held.items() if name.startswith(ZERO)}
        return readings_of(contacts_mm(table, setup, machine, bar), touches, zeros)

    return read


class _Loose(MeasuredMachine):
    """A machine on the way to being found: not checked, so that the search may pass through odd values."""

    def __post_init__(self) -> None:
        """Check nothing."""


def _unknown(name: str, bar: BarAsMeasured, ball_known_mm: float) -> Unknown:
    if name in _MACHINE:
        unit, reach, good = _MACHINE[name]
        return Unknown(name, unit, 1.0 if name == "a_scale" else 0.0, reach, good)
    unit, reach, good = _BAR[name]
    if name == "ball_radius_mm":
        return Unknown(name, unit, bar.ball_radius_mm, ball_known_mm, good, known=True)
    return Unknown(name, unit, getattr(bar, name), reach, good)


def _gauges_started(
    unknowns: list[Unknown], touches: Sequence[Touch], read: Floats, setup: SetUp, bar: BarAsMeasured
) -> list[Unknown]:
    """Start each gauge's zero from the mean of its readings, so that its wide guess does not stretch the search."""
    start = np.array([item.start for item in unknowns])
    off = prediction(touches, unknowns, setup, bar)(start) - read
    means = {
        gauge: float(np.mean([o for o, touch in zip(off, touches) if touch.gauge == gauge]))
        for gauge in {t.gauge for t in touches}
    }
    return [replace(item, start=means[item.name[len(ZERO) :]]) if item.name.startswith(ZERO) else item for item in unknowns]


def _kept(name: str, value: float) -> float:
    return max(value, 0.0) if name == "backlash_deg" else value


def _by_name(unknowns: Sequence[Unknown], name: str) -> Unknown:
    return next(item for item in unknowns if item.name == name)


def _updated(covariance: Floats, row: Floats, noise: float) -> Floats:
    gain = covariance @ row
    return covariance - np.outer(gain, gain) / (noise**2 + float(row @ gain))


def _open(covariance: Floats, good: Floats) -> float:
    """Say how much is not yet known well enough: 0 when everything is."""
    spread = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return float(np.log(np.maximum(spread / good, 1.0)).sum())
