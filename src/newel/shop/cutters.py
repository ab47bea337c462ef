"""Cutters by their ISO 13399 symbols, and the outline each turns.

Form decides which symbols apply. All lengths in mm: DC cutting diameter, RE corner (or ball) radius, APMX usable flute
length, LPR protruding length (tip to holder face), DN neck diameter, LU usable length (tip to where the shank begins), DCONMS
shank diameter, ZEFP effective teeth, SIG point angle of V cutters and drills (whole angle, degrees), TP thread pitch (of a
thread mill with one row of teeth: the largest that it cuts). DC is the largest circle that cuts (MTConnect 2.3, CodeEnum):
of a V or a tapered ball, where its cone ends and a cylinder begins.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Form(StrEnum):
    """The form of a cutter's end."""

    FLAT = "flat"
    BALL = "ball"
    BULL_NOSE = "bull nose"
    TAPERED_BALL = "tapered ball"
    V = "V"
    DRILL = "drill"
    THREAD_MILL = "thread mill"


@dataclass(frozen=True)
class Holder:
    """Collet nut and holder above the cutter: (diameter, length) of each cylinder from the holder face upwards, in mm."""

    name: str
    steps_mm: tuple[tuple[float, float], ...]
    source: str


@dataclass(frozen=True)
class Cutter:
    """One cutter of the shop, in its holder; the row's source stands beside it."""

    name: str
    form: Form
    DC: float
    APMX: float
    LU: float
    LPR: float
    DCONMS: float
    ZEFP: int
    source: str
    RE: float = 0.0
    DN: float | None = None
    SIG: float | None = None
    taper_half_angle_deg: float | None = None
    tip_flat_mm: float = 0.0
    TP: float | None = None
    centre_cutting: bool = True
    substance: str = "carbide"
    holder: str = "ER11 nut"
    max_rpm: float | None = None
    inch: bool = False
