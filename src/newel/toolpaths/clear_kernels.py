"""Kernels of clearing: the engaged angle measured on a field of what was cut, and marches that keep it at what is asked.

The field `far` holds at every point of a grid how far the nearest place of the cutter's axis has been (or, before the first
cut, the cutter's radius plus the depth inside the stock): stock stands where it is more than the radius. Between points it
is read bilinearly, so that the edge of the stock lies where it is to a small part of a cell. `room` holds the signed distance
to the edge of where the axis may be, positive inside.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit


class Field(NamedTuple):
    """Grid of one level: `far` and `room` (nx, ny) in mm, place of point (0, 0), step, the cutter's radius, and `tall`.

    `tall` (nx, ny): how much of the level's depth the stock has at each point, 0 to 1.
    """

    far: np.ndarray
    room: np.ndarray
    x0: float
    y0: float
    step: float
    radius: float
    tall: np.ndarray


class March(NamedTuple):
    """How to march: way a step, most engaged angle (rad), what counts as stock, side of the stock, and when to stop.

    Angles to the share of the level's depth that stands there: half the depth counts half.
    """

    way: float
    most_rad: float
    spread_rad: float  # stock may meet the rim no further from its side of the heading than this (pi: anywhere)
    widest_rad: float  # the same, however thin the stock is there
    area: float  # most that is taken off over a way, as a share of the cutter's radius times the level's depth
    thin: float  # stock thinner than this is air
    side: float  # 1: stock on the right (climb with a spindle that turns clockwise), -1: on the left
    idle: float  # way without stock that ends the march
    longest: float
    wide: float  # room at which a march ends (once it is under way); infinite for none
    cuts: bool
    met_rad: float  # less than this is not met
    beside_rad: float  # stock that begins no further than this from square to the heading lies beside the cutter


@njit(cache=True, error_model="numpy")
def _read(values, x0, y0, step, x, y, beyond):
    """Read a grid bilinearly; `beyond` outside."""
    u = (x - x0) / step
    v = (y - y0) / step
    i = int(np.floor(u))
    j = int(np.floor(v))
    if i < 0 or j < 0 or i + 1 >= values.shape[0] or j + 1 >= values.shape[1]:
        return beyond
    p = u - i
    q = v - j
    low = values[i, j] * (1.0 - p) + values[i + 1, j] * p
    high = values[i, j + 1] * (1.0 - p) + values[i + 1, j + 1] * p
    return low * (1.0 - q) + high * q


@njit(cache=True, error_model="numpy")
def _rim(radius, side, samples):
    """Places (samples + 1, 2) on half a rim about the origin, heading along X: square on the stock's side first."""
    out = np.empty((samples + 1, 2))
    for k in range(samples + 1):
        a = k * np.pi / samples
        out[k, 0] = radius * np.sin(a)
        out[k, 1] = -side * radius * np.cos(a)
    return out


@njit(cache=True, error_model="numpy")
def _met(field, x, y, heading, rim, thin, how):
    """Engaged angle, spread and gap at a place; ends as soon as one is over its limit, which what it returns then is too.

    Angle and spread count stock by its share of the depth, the spread also the air before it as if it were whole. Gap: from
    square to the heading to the first stock. `how`: most angle, most spread, furthest stock, and the width over the radius
    that the stock met by its shares may come to.
    """
    total, spread, gone, gap, wide = 0.0, 0.0, 0.0, -1.0, 0.0
    most, furthest, widest, area = how
    samples = rim.shape[0] - 1
    part = np.pi / samples
    before = 0.0
    cos, sin = np.cos(heading), np.sin(heading)
    far, edge = field.far, field.radius + thin
    inverse = 1.0 / field.step
    nx, ny = far.shape[0] - 1, far.shape[1] - 1
    for k in range(samples + 1):
        u = (x + cos * rim[k, 0] - sin * rim[k, 1] - field.x0) * inverse
        v = (y + sin * rim[k, 0] + cos * rim[k, 1] - field.y0) * inverse
        i, j = int(np.floor(u)), int(np.floor(v))
        now, share = -edge, 1.0
        if i >= 0 and j >= 0 and i < nx and j < ny:
            p, q = u - i, v - j
            low = far[i, j] * (1.0 - p) + far[i + 1, j] * p
            high = far[i, j + 1] * (1.0 - p) + far[i + 1, j + 1] * p
            now = low * (1.0 - q) + high * q - edge
            if now > 0.0 or before > 0.0:
                share = field.tall[i + (p > 0.5), j + (q > 0.5)]
        if k > 0:
            some = 0.0
            if now > 0.0 and before > 0.0:
                some = part
            elif now > 0.0:
                some = part * now / (now - before)
            elif before > 0.0:
                some = part * before / (before - now)
                spread = gone + share * some
            total += share * some
            wide += share * some * np.sin((k - 0.5) * part)
            gone += part - (1.0 - share) * some
        if now > 0.0:
            spread = gone
            if gap < 0.0:
                gap = k * part
            if k * part > widest:
                spread = np.inf
        if wide > area:
            total = np.inf
        if total > most or spread > furthest:
            break
        before = now
    return total, spread, max(gap, 0.0)


@njit(cache=True, error_model="numpy")
def engaged(field, x, y, heading, side, thin, samples):
    """Engaged angle and spread (rad) of a cutter at a place, over the half of its rim that looks where it is heading.

    The spread is the angle from square to the heading on the stock's side (1: right, -1: left) to the furthest stock met. Both
    count stock by its share of the level's depth.
    """
    total, spread, _ = _met(field, x, y, heading, _rim(field.radius, side, samples), thin, (np.inf, np.inf, np.inf, np.inf))
    return total, spread


@njit(cache=True, error_model="numpy")
def pass_over(field, ax, ay, bx, by):
    """Note in the field that the axis went straight from one place to another."""
    reach = field.radius + 3.0 * field.step
    nx, ny = field.far.shape
    i0 = max(0, int(np.ceil((min(ax, bx) - reach - field.x0) / field.step)))
    i1 = min(nx - 1, int(np.floor((max(ax, bx) + reach - field.x0) / field.step)))
    j0 = max(0, int(np.ceil((min(ay, by) - reach - field.y0) / field.step)))
    j1 = min(ny - 1, int(np.floor((max(ay, by) + reach - field.y0) / field.step)))
    dx, dy = bx - ax, by - ay
    length2 = dx * dx + dy * dy
    for i in range(i0, i1 + 1):
        px = field.x0 + i * field.step - ax
        for j in range(j0, j1 + 1):
            py = field.y0 + j * field.step - ay
            t = 0.0
            if length2 > 0.0:
                t = min(1.0, max(0.0, (px * dx + py * dy) / length2))
            ex, ey = px - t * dx, py - t * dy
            d2 = ex * ex + ey * ey
            old = field.far[i, j]
            if d2 < old * old:
                field.far[i, j] = np.sqrt(d2)


@njit(cache=True, error_model="numpy")
def pass_along(field, path):
    """Note in the field that the axis went along a path (n, 2)."""
    if len(path) == 1:
        pass_over(field, path[0, 0], path[0, 1], path[0, 0], path[0, 1])
    for k in range(len(path) - 1):
        pass_over(field, path[k, 0], path[k, 1], path[k + 1, 0], path[k + 1, 1])


@njit(cache=True, error_model="numpy")
def engaged_along(field, path, thin, samples):
    """Engaged angle (n,) met at the end of every piece of a path (n, 2), cutting as it goes; row 0 is 0."""
    out = np.zeros(len(path))
    for k in range(1, len(path)):
        ax, ay, bx, by = path[k - 1, 0], path[k - 1, 1], path[k, 0], path[k, 1]
        heading = np.arctan2(by - ay, bx - ax)
        out[k] = engaged(field, bx, by, heading, 1.0, thin, samples)[0]
        pass_over(field, ax, ay, bx, by)
    return out


@njit(cache=True, error_model="numpy")
def _fits(field, x, y, heading, how, rim):
    """Engaged angle and gap of a step that ends at a place; -1 where the axis may not be, -2 where it would meet too much."""
    if _read(field.room, field.x0, field.y0, field.step, x, y, -1.0) < 0.0:
        return -1.0, 0.0
    limits = (how.most_rad, how.spread_rad, how.widest_rad, how.area)
    angle, spread, gap = _met(field, x, y, heading, rim, how.thin, limits)
    return (angle, gap) if angle <= how.most_rad and spread <= how.spread_rad else (-2.0, 0.0)


@njit(cache=True, error_model="numpy")
def _outwards(field, x, y, heading, how, rim, between):
    """Engaged angle, turn and gap of the heading furthest in between two turns at which what is met lies beside."""
    low, high = between
    best, best_gap = 0.0, 0.0
    for k in range(8):
        turn = high if k == 0 else 0.5 * (low + high)
        th = heading + how.side * turn
        e, gap = _fits(field, x + how.way * np.cos(th), y + how.way * np.sin(th), th, how, rim)
        if k == 0 or (e > how.met_rad and gap <= how.beside_rad):
            high, best, best_gap = turn, e, gap
        else:
            low = turn
    return best, high, best_gap


@njit(cache=True, error_model="numpy")
def march(field, x, y, heading, how, samples, path, angle):
    """March along stock: at every step the heading that turns into it as far as the engaged angle allows.

    Writes places to `path` (n, 2) and engaged angles to `angle` (n,), row 0 being the start. Returns how many rows are worth
    keeping and the heading at the last: what follows the last stock met is left off.
    """
    sharp, fine = np.pi / 2.5, np.pi / 36.0
    turns = int((sharp + np.pi) / fine) + 1
    rim = _rim(field.radius, how.side, samples)
    path[0, 0], path[0, 1], angle[0] = x, y, 0.0
    kept, kept_heading = 1, heading
    idle, gone = 0.0, 0.0
    for n in range(1, len(path)):
        best, best_turn, best_gap = -1.0, 0.0, 0.0
        touched = False
        for k in range(turns):
            turn = -sharp + k * fine
            th = heading + how.side * turn
            e, gap = _fits(field, x + how.way * np.cos(th), y + how.way * np.sin(th), th, how, rim)
            if e < -1.5:
                touched = True
            if e < 0.0:
                continue
            if best >= 0.0:
                # further out: where less is taken than stands up to the rim's side, the rest would be left as a strip
                if e <= how.met_rad:
                    break
                if gap <= how.beside_rad:
                    best, best_turn, best_gap = _outwards(field, x, y, heading, how, rim, (turn - fine, turn))
                    break
            else:
                best, best_turn, best_gap = e, turn, gap
                if k > 0:
                    low, high = turn - fine, turn
                    for _ in range(7):
                        mid = 0.5 * (low + high)
                        th = heading + how.side * mid
                        e, gap = _fits(field, x + how.way * np.cos(th), y + how.way * np.sin(th), th, how, rim)
                        if e < 0.0:
                            low = mid
                        else:
                            high, best, best_turn, best_gap = mid, e, mid, gap
            if not how.cuts or best <= how.met_rad or best_gap <= how.beside_rad:
                break
        if best < 0.0:
            break
        heading += how.side * best_turn
        nx, ny = x + how.way * np.cos(heading), y + how.way * np.sin(heading)
        if how.cuts:
            pass_over(field, x, y, nx, ny)
        x, y = nx, ny
        path[n, 0], path[n, 1], angle[n] = x, y, best
        gone += how.way
        met = best > how.met_rad if how.cuts else touched
        if met:
            idle = 0.0
            kept, kept_heading = n + 1, heading
        else:
            idle += how.way
        if idle > how.idle or gone > how.longest:
            break
        if gone > field.radius and _read(field.room, field.x0, field.y0, field.step, x, y, -1.0) > how.wide:
            break
        if not how.cuts and n > 12 and np.hypot(x - path[0, 0], y - path[0, 1]) < how.way:
            break
    return kept, kept_heading


@njit(cache=True, error_model="numpy")
def is_clear(field, x, y, least):
    """Tell whether a cutter at a place stands in no stock thicker than `least`."""
    nx, ny = field.far.shape
    r = field.radius
    i0 = max(0, int(np.ceil((x - r - field.x0) / field.step)))
    i1 = min(nx - 1, int(np.floor((x + r - field.x0) / field.step)))
    j0 = max(0, int(np.ceil((y - r - field.y0) / field.step)))
    j1 = min(ny - 1, int(np.floor((y + r - field.y0) / field.step)))
    for i in range(i0, i1 + 1):
        dx = field.x0 + i * field.step - x
        for j in range(j0, j1 + 1):
            if field.far[i, j] > r + least:
                dy = field.y0 + j * field.step - y
                if dx * dx + dy * dy < r * r:
                    return False
    return True


@njit(cache=True, error_model="numpy")
def way_is_clear(field, ax, ay, bx, by, least):
    """Tell whether a cutter can go straight from one place to another where the axis may be, in no stock."""
    length = np.hypot(bx - ax, by - ay)
    count = int(np.ceil(length / (0.5 * field.step))) + 1
    for k in range(count + 1):
        t = k / count
        x, y = ax + t * (bx - ax), ay + t * (by - ay)
        if _read(field.room, field.x0, field.y0, field.step, x, y, -1.0) < -0.5 * least:
            return False
        if not is_clear(field, x, y, least):
            return False
    return True


@njit(cache=True, error_model="numpy")
def find_start(field, tried, x, y, least, directions, out):
    """Find the front of the stock nearest to a place, and where the cutter may stand beside it in no stock.

    `tried` (nx, ny) marks points to leave out; points that no cutter can stand beside are marked. `out`: x, y of the place,
    heading with the stock on the right. Returns the point's number i * ny + j, -1 for none.
    """
    nx, ny = field.far.shape
    r = field.radius
    while True:
        best, found = np.inf, -1
        for i in range(1, nx - 1):
            dx = field.x0 + i * field.step - x
            for j in range(1, ny - 1):
                if tried[i, j] or field.far[i, j] <= r + least or -field.room[i, j] >= r - least:
                    continue
                dy = field.y0 + j * field.step - y
                d2 = dx * dx + dy * dy
                if d2 >= best:
                    continue
                edge = r + least
                if (
                    field.far[i - 1, j] > edge
                    and field.far[i + 1, j] > edge
                    and field.far[i, j - 1] > edge
                    and field.far[i, j + 1] > edge
                ):
                    continue
                best, found = d2, i * ny + j
        if found < 0:
            return -1
        px, py = field.x0 + (found // ny) * field.step, field.y0 + (found % ny) * field.step
        nearest = np.inf
        for away in (0.02, 0.5, 1.0):
            for k in range(directions):
                a = 2.0 * np.pi * k / directions
                cx, cy = px + (r + away * field.step) * np.cos(a), py + (r + away * field.step) * np.sin(a)
                d2 = (cx - x) ** 2 + (cy - y) ** 2
                if d2 >= nearest or _read(field.room, field.x0, field.y0, field.step, cx, cy, -1.0) < 0.0:
                    continue
                if is_clear(field, cx, cy, least):
                    nearest = d2
                    out[0], out[1], out[2] = cx, cy, a - 0.5 * np.pi
            if nearest < np.inf:
                return found
        tried[found // ny, found % ny] = True


@njit(cache=True, error_model="numpy")
def signed_room(corners, starts, x0, y0, step, band, room):
    """Write signed distances (nx, ny) to closed rings, positive inside (even-odd), exact within `band` of them."""
    nx, ny = room.shape
    for i in range(nx):
        for j in range(ny):
            room[i, j] = band
    for ring in range(len(starts) - 1):
        for k in range(starts[ring], starts[ring + 1] - 1):
            ax, ay, bx, by = corners[k, 0], corners[k, 1], corners[k + 1, 0], corners[k + 1, 1]
            i0 = max(0, int(np.ceil((min(ax, bx) - band - x0) / step)))
            i1 = min(nx - 1, int(np.floor((max(ax, bx) + band - x0) / step)))
            j0 = max(0, int(np.ceil((min(ay, by) - band - y0) / step)))
            j1 = min(ny - 1, int(np.floor((max(ay, by) + band - y0) / step)))
            dx, dy = bx - ax, by - ay
            length2 = dx * dx + dy * dy
            for i in range(i0, i1 + 1):
                px = x0 + i * step - ax
                for j in range(j0, j1 + 1):
                    py = y0 + j * step - ay
                    t = 0.0
                    if length2 > 0.0:
                        t = min(1.0, max(0.0, (px * dx + py * dy) / length2))
                    d = np.hypot(px - t * dx, py - t * dy)
                    if d < room[i, j]:
                        room[i, j] = d
    crossings = np.empty(len(corners))
    for i in range(nx):
        x = x0 + i * step
        count = 0
        for ring in range(len(starts) - 1):
            for k in range(starts[ring], starts[ring + 1] - 1):
                ax, bx = corners[k, 0], corners[k + 1, 0]
                if (ax <= x) != (bx <= x):
                    crossings[count] = corners[k, 1] + (x - ax) / (bx - ax) * (corners[k + 1, 1] - corners[k, 1])
                    count += 1
        some = np.sort(crossings[:count])
        k = 0
        for j in range(ny):
            y = y0 + j * step
            while k < count and some[k] <= y:
                k += 1
            if k % 2 == 0:
                room[i, j] = -room[i, j]
