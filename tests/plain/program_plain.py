"""Slow, obvious twins of the program kernels."""

from __future__ import annotations

import math
import re

import numpy as np

_WORD = re.compile(r"([a-z])([+-]?)(\d*)(\.?)(\d*)")


def split_line(text: str, *, semicolon: bool, most_n: int) -> list[tuple[str, float]] | None:
    """Return the words of a plain line; None where the fast road hands the line to the full reader."""
    out, rest = [], text
    while "(" in rest or (semicolon and ";" in rest):
        opens = rest.find("(")
        tail = rest.find(";") if semicolon else -1
        if tail >= 0 and (opens < 0 or tail < opens):
            rest = rest[:tail]
            break
        closes = rest.find(")", opens)
        inside = rest[opens + 1 : closes]
        if closes < 0 or "(" in inside or inside.strip(" \t")[:1] in ("m", "M") or not inside.isascii():
            return None
        rest = rest[:opens] + "\0" + rest[closes + 1 :]
    pieces = [piece.translate(str.maketrans("", "", " \t\r")).lower() for piece in rest.split("\0")]
    for piece in pieces:
        at = 0
        while at < len(piece):
            match = _WORD.match(piece, at)
            if match is None:
                return None
            letter, sign, whole, point, part = match.groups()
            if letter in "eouvw" or not (whole or part):
                return None
            digits = (whole + part).lstrip("0")
            if len(digits) > 15 or len(part) > 22 or float(f"{whole or 0}.{part or 0}") > 1e12:
                return None
            if letter == "n" and (out or piece is not pieces[0] or at or sign or point or len(whole) > most_n):
                return None
            if letter not in "gm" and letter in (word[0] for word in out):
                return None
            out.append((letter, float(f"{sign}{whole or 0}.{part or 0}")))
            at = match.end()
    if sum(word[0] == "m" for word in out) > 4:
        return None
    return out


def feed_minutes(length_mm: float, turn_deg: float, feed: float, feed_mode: int, unit_mm: float) -> float:
    """Minutes of a fed move."""
    if feed_mode == 930:
        return 1 / feed
    if length_mm > 1e-9:
        return length_mm / (feed * unit_mm)
    return turn_deg / feed


def arc_centres(start: complex, end: complex, radius: float) -> list[complex]:
    """Return both centres from which `start` and `end` are `radius` off."""
    half = (end - start) / 2
    away = math.sqrt(max(radius**2 - abs(half) ** 2, 0.0))
    normal = 1j * half / abs(half)
    return [start + half + away * normal, start + half - away * normal]


def arc_sweep_deg(start: complex, end: complex, centre: complex, clockwise: bool) -> float:
    """Signed sweep in degrees, a full turn where start and end are one."""
    turn = math.degrees(np.angle((end - centre) / (start - centre))) % 360.0
    if abs(end - start) < 1e-9:
        turn = 0.0
    if clockwise:
        return turn - 360.0
    return turn if turn > 0.0 else 360.0


def wrapped_target(value: float, here: float) -> float:
    """The place nearest to `here` that differs from `value` by whole turns; nan where two are equally near."""
    places = [value + 360.0 * k for k in range(int((here - value) // 360) - 2, int((here - value) // 360) + 4)]
    places.sort(key=lambda place: abs(place - here))
    return math.nan if abs(abs(places[0] - here) - abs(places[1] - here)) < 2e-6 else places[0]


def path_over_work_mm(y: float, z: float, dx: float, dy: float, dz: float, turn_rad: float, pieces: int = 20_000) -> float:
    """Length of the tip's path in the frame of the turning bar, as a polygon of many points."""
    s = np.linspace(0.0, 1.0, pieces + 1)
    py, pz, angle = y + dy * s, z + dz * s, -turn_rad * s
    by, bz = py * np.cos(angle) - pz * np.sin(angle), py * np.sin(angle) + pz * np.cos(angle)
    return float(np.sqrt((dx / pieces) ** 2 + np.diff(by) ** 2 + np.diff(bz) ** 2).sum())


def count_text(letter: str, count: int, decimals: int) -> str:
    """A letter and `count` last digits as a number, one decimal at least, trailing zeros dropped."""
    if decimals == 0:
        return f"{letter}{count}"
    sign = "-" if count < 0 else ""
    whole, part = divmod(abs(count), 10**decimals)
    text = f"{part:0{decimals}d}".rstrip("0") or "0"
    return f"{letter}{sign}{whole}.{text}"


def feed_text(feed: float) -> str:
    """F with five figures or more: as many decimals as 10000 last digits need, from one to nine."""
    decimals = 1
    while feed * 10.0**decimals < 10000.0 and decimals < 9:
        decimals += 1
    return count_text("F", max(round(feed * 10.0**decimals), 1), decimals)


def rows_text(counts, minutes, *, first, decimals, a_decimals, wrap, per_minute, drop) -> str:
    """Lines of moves from `first` (X Y Z A counts) on, only changed words, G0 for nan minutes."""
    now, code, last_feed = list(first), None, None
    lines = []
    for target, time in zip(counts.tolist(), minutes.tolist()):
        steps = [b - a for a, b in zip(now, target)]
        if not any(steps):
            continue
        rapid = math.isnan(time)
        hold = per_minute and not rapid and steps[3] != 0 and max(map(abs, steps[:3])) <= drop
        words = []
        if (0 if rapid else 1) != code:
            code = 0 if rapid else 1
            words.append(f"G{code}")
        for axis in range(4):
            if steps[axis] == 0 or (hold and axis < 3):
                continue
            value = target[3] % wrap if axis == 3 and wrap else target[axis]
            words.append(count_text("XYZA"[axis], value, a_decimals if axis == 3 else decimals))
            now[axis] = target[axis]
        if not rapid:
            length = math.sqrt(sum(float(step) ** 2 for step in steps[:3])) / 10.0**decimals
            feed = 1.0 / time
            if per_minute:
                feed = (length if length > 0.0 and not hold else abs(steps[3]) / 10.0**a_decimals) / time
            if not per_minute or feed_text(feed) != last_feed:
                words.append(feed_text(feed))
            last_feed = feed_text(feed)
        lines.append(" ".join(words))
    return "".join(line + "\n" for line in lines)
