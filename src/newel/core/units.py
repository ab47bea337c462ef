"""Units at the border: parse what people write, print what people read. Inside: mm, degrees, minutes, N, W."""

from __future__ import annotations

import math
import re
from decimal import ROUND_HALF_UP, Decimal

from newel.core.errors import BadInput

MM_PER_INCH = 25.4
_EXACT = 1e15  # floats further out have no decimals to round

_LENGTH = re.compile(
    r"^\s*(?:(?P<whole>\d+)[\s-]+)?(?:(?P<num>\d+)\s*/\s*(?P<den>\d+)|(?P<dec>[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?))\s*"
    r"(?P<unit>mm|cm|m|in|inch|\"|″)?\s*$"
)
_MM_PER = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH, "inch": MM_PER_INCH, '"': MM_PER_INCH, "″": MM_PER_INCH}


def length_mm(text: str | float | int, *, where: str = "") -> float:
    """Return a length in mm from a number (mm) or a text such as '40', '1.5 in', '1/8 in', '1 1/2"'.

    Raises BadInput for anything else, for nan and for infinity.
    """
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        value = float(text)
    else:
        match = _LENGTH.match(str(text))
        if match is None or (match["whole"] and match["dec"]):
            raise BadInput(
                f"{text!r} is not a length", where=where, remedy="write a number of mm, or a length such as '1/8 in'"
            )
        if match["num"]:
            if int(match["den"]) == 0:
                raise BadInput(f"{text!r} divides by zero", where=where)
            value = int(match["whole"] or 0) + int(match["num"]) / int(match["den"])
        else:
            value = float(match["dec"])
        value *= _MM_PER[match["unit"] or "mm"]
    if not math.isfinite(value):
        raise BadInput(f"{text!r} is not a finite length", where=where)
    return value


def mm(value_mm: float, decimals: int = 2) -> str:
    """Print a length for people: '12.5 mm' (trailing zeros dropped)."""
    return f"{_trim(value_mm, decimals)} mm"


def degrees(value_deg: float, decimals: int = 2) -> str:
    """Print an angle for people: '45°'."""
    return f"{_trim(value_deg, decimals)}°"


def percent(value_pct: float, decimals: int = 1) -> str:
    """Print a share for people: '12.5 %'. What is there is never told as none of it, nor what lacks something as all."""
    step = 10.0**-decimals
    if 0.0 < value_pct < step / 2.0:
        return f"under {step:.{decimals}f} %"
    if 100.0 - step / 2.0 <= value_pct < 100.0:
        return f"over {100.0 - step:.{decimals}f} %"
    return f"{value_pct:.{decimals}f} %"


def fixed(value: float, decimals: int) -> str:
    """Print a number with so many decimals; one that lies halfway goes away from zero, as on the page (ECMA-262, toFixed)."""
    if not abs(value) < _EXACT:
        return f"{value:.{decimals}f}"
    rounded = Decimal(float(value)).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
    return f"{rounded:f}"


def duration(value_min: float) -> str:
    """Print a time for people: '48 s', '12 min 05 s', '2 h 03 min'."""
    if not math.isfinite(value_min):
        return "unknown time"
    seconds = round(value_min * 60.0)
    if seconds < 60:
        return f"{seconds} s"
    if seconds < 3600:
        return f"{seconds // 60} min {seconds % 60:02d} s"
    return f"{seconds // 3600} h {seconds % 3600 // 60:02d} min"


def _trim(value: float, decimals: int) -> str:
    text = fixed(value, decimals)
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
