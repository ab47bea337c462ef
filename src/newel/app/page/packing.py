"""What the browser is sent of a proved program: plain arrays, one buffer a thing, and one JSON that tells what is in them."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from newel.app.documents import polyline_rh, proof_json, setup_json, tidy
from newel.app.page.scrub import ScrubLog
from newel.core.setup import SetUp
from newel.geometry.blank import Blank
from newel.geometry.blank_surface import blank_mesh
from newel.geometry.radial_map import radial_map
from newel.proof.course import Course
from newel.proof.limits import tip_way_mm
from newel.proof.results import LoadSeries, Measured, Proof, Standing
from newel.reports.pictures import scale_end_mm

Floats = NDArray[np.float64]
Progress = Callable[[str, float], None]

NOT_MEASURED = -32768
MICROMETRES = 1000.0
SERIES_BINS = 900  # columns of the charts
FAR_SAMPLE_MM = 1.5  # a place farther from every sample was not measured
MESH_CELL_MM = 0.5


class Pack:
    """Arrays laid one after another in one file, each at a multiple of 8 bytes, with the table that finds them again."""

    def __init__(self, name: str) -> None:
        """Begin an empty file `name`."""
        self.name = name
        self.table: dict[str, Any] = {}
        self._parts: list[bytes] = []
        self._size = 0

    def add(self, name: str, array: NDArray[Any]) -> None:
        """Lay an array into the file."""
        data = np.ascontiguousarray(array).astype(array.dtype.newbyteorder("<")).tobytes()
        kind = f"{array.dtype.kind}{array.dtype.itemsize}"
        self.table[name] = {"file": self.name, "type": kind, "offset": self._size, "length": int(array.size)}
        self._parts.append(data + b"\0" * (-len(data) % 8))
        self._size += len(self._parts[-1])

    def content(self) -> bytes:
        """Return the file's bytes."""
        return b"".join(self._parts)


def mesh_pack(name: str, vertices: Floats, faces: NDArray[Any]) -> Pack:
    """Return a surface as one file."""
    pack = Pack(name)
    pack.add("vertices", vertices.astype(np.float32))
    pack.add("faces", faces.astype(np.uint32))
    return pack


def rows_pack(course: Course, removed_mm3: Floats) -> Pack:
    """Return every row of the programs as columns: where it ends, when, which line, with what."""
    minutes = np.nan_to_num(course.minutes)
    way = np.nan_to_num(tip_way_mm(course.begin, course.end))
    with np.errstate(divide="ignore", invalid="ignore"):
        feed = np.where(minutes > 0.0, way / minutes, 0.0)
    pack = Pack("rows.bin")
    pack.add("t", np.cumsum(minutes))
    for k, axis in enumerate(("x", "y", "z", "turn")):
        pack.add(axis, course.end[:, k].astype(np.float32))
    pack.add("feed", np.nan_to_num(feed).astype(np.float32))
    pack.add("removed", removed_mm3.astype(np.float32))
    pack.add("line", course.motion.line.astype(np.uint32))
    pack.add("rpm", course.motion.spindle_rpm.astype(np.float32))
    for name, column in (("program", course.program), ("cutter", course.motion.cutter), ("kind", course.motion.kind)):
        pack.add(name, column.astype(np.uint8))
    return pack


def scrub_pack(log: ScrubLog) -> Pack:
    """Return the log of the blank as one file."""
    pack = Pack("scrub.bin")
    pack.add("before", log.before)
    pack.add("row", log.row)
    pack.add("cell", log.cell)
    pack.add("after", log.after)
    return pack


def deviation_pack(measured: Measured, log: ScrubLog, blank: Blank) -> Pack:
    """Return deviations in micrometres, of the sample nearest to each cell of the development, and to each corner of a mesh."""
    pack = Pack("deviation.bin")
    tree = cKDTree(measured.points)
    micro = _micrometres(measured.deviation_mm)

    def nearest(points: Floats, name: str) -> None:
        value, standing = np.full(len(points), NOT_MEASURED, np.int16), np.full(len(points), Standing.NOT_PART, np.uint8)
        far, near = tree.query(points, distance_upper_bound=FAR_SAMPLE_MM)
        seen = np.isfinite(far)
        value[seen], standing[seen] = micro[near[seen]], measured.standing[near[seen]]
        pack.add(f"{name}_um", value)
        pack.add(f"{name}_standing", standing)

    radius = radial_map(blank, log.cells)[0]
    across = log.cells.outward[:, None, :] * radius[..., None]
    along = np.broadcast_to(log.cells.x_mm, radius.shape)
    nearest(np.concatenate([along[..., None], across], axis=2).reshape(-1, 3), "cell")
    vertices, faces = blank_mesh(blank, max(1, round(MESH_CELL_MM / blank.pitch_mm)))
    pack.add("vertices", vertices.astype(np.float32))
    pack.add("faces", faces.astype(np.uint32))
    nearest(vertices, "vertex")
    return pack


def scene_of(proof: Proof, setup: SetUp, course: Course, log: ScrubLog, model_file: str) -> dict[str, Any]:
    """Return what the page needs to know of a proved program, but for the arrays."""
    return {
        "format": 1,
        "programs": list(proof.programs),
        "setup": json.loads(setup_json(setup, model_file=model_file)),
        "proof": json.loads(proof_json(proof)),
        "cutters": [_cutter(item) for item in setup.cutters],
        "cells": tidy(log.cells),
        "height_step_mm": log.step_mm,
        "finding_rows": _finding_rows(proof, course),
        "worst": [{**tidy(place), "standing": int(place.standing)} for place in proof.deviation.worst],
        "worst_rows": [_row_of(course, place.program, place.line) for place in proof.deviation.worst],
        "approaches": [tidy(item) for item in proof.approaches],
        "cutter_times": [tidy(item) for item in proof.cutter_times],
        "bands": _bands(course),
        "series": tidy(_series(proof, course), decimals=4),
        "scale_mm": _scale_mm(proof),
    }


def _scale_mm(proof: Proof) -> float:
    if proof.measured is None:
        return 0.1
    ours = (proof.measured.standing != Standing.NOT_PART) & (proof.measured.standing != Standing.UNREACHABLE)
    return scale_end_mm(proof.deviation.tolerance_mm, proof.measured.deviation_mm[ours])


def _cutter(item: Any) -> dict[str, Any]:
    chord = 0.02
    return {
        "number": item.number,
        "name": item.name,
        "edge_rh": polyline_rh(item.shape.edge, chord),
        "body_rh": polyline_rh(item.shape.body, chord),
    }


def _row_of(course: Course, program: str, line: int) -> int:
    if program not in course.names or line <= 0:
        return -1
    mine = np.flatnonzero((course.program == course.names.index(program)) & (course.motion.line >= line))
    return int(mine[0]) if len(mine) else -1


def _finding_rows(proof: Proof, course: Course) -> list[int]:
    return [_row_of(course, found.program, found.line) for found in proof.findings]


def _bands(course: Course) -> list[dict[str, Any]]:
    """Return the runs of one cutter: from which row to which, and by which cutter."""
    n = len(course)
    if n == 0:
        return []
    change = np.flatnonzero(np.diff(course.motion.cutter) | np.diff(course.program)) + 1
    edges = [0, *change.tolist(), n]
    return [
        {"first": a, "last": b, "cutter": int(course.motion.cutter[a]), "program": int(course.program[a])}
        for a, b in pairwise(edges)
        if np.nansum(course.minutes[a:b]) > 0
    ]


def _series(proof: Proof, course: Course) -> dict[str, Any]:
    """Return the charts' columns over the time of the program: the most of each load and feed, the least height."""
    minutes = np.nan_to_num(course.minutes)
    ends = np.cumsum(minutes)
    whole = float(ends[-1]) if len(ends) else 0.0
    bins = SERIES_BINS if whole > 0 else 1
    at = np.minimum((np.maximum(ends - 1e-12, 0.0) / max(whole, 1e-9) * bins).astype(int), bins - 1)
    feed = np.where(minutes > 0, np.nan_to_num(tip_way_mm(course.begin, course.end)) / np.maximum(minutes, 1e-12), 0.0)
    columns: dict[str, Any] = {"minutes": whole, "bins": bins}
    columns["feed_mm_per_min"] = _most(at, np.where(course.fed, feed, 0.0), bins)
    columns["height_mm"] = _least(at, course.end[:, 2], bins)
    loads = {name: np.zeros(bins) for name in ("force_N", "torque_Nm", "spindle_torque_Nm", "power_W")}
    series = proof.load_series
    if series is not None:
        for name, column in loads.items():
            values = np.nan_to_num(_spindle_torque_Nm(series) if name == "spindle_torque_Nm" else getattr(series, name))
            np.maximum.at(column, at[series.row], values)
            np.maximum.at(column, at[series.last_row], values)
    return {**columns, **loads}


def _spindle_torque_Nm(series: LoadSeries) -> Floats:
    """Return the torque on the spindle along a load series: power over angular speed (definition), nan where it stands."""
    speed = 2.0 * math.pi * series.rpm / 60.0
    return np.divide(series.power_W, speed, out=np.full(len(speed), math.nan), where=speed > 0.0)


def _most(at: NDArray[Any], values: Floats, bins: int) -> Floats:
    out = np.zeros(bins)
    np.maximum.at(out, at, np.nan_to_num(values))
    return out


def _least(at: NDArray[Any], values: Floats, bins: int) -> Floats:
    out = np.full(bins, math.inf)
    known = np.isfinite(values)
    np.minimum.at(out, at[known], values[known])
    return out


def _micrometres(deviation_mm: Floats) -> NDArray[np.int16]:
    return np.clip(np.rint(np.nan_to_num(deviation_mm) * MICROMETRES), -32767, 32767).astype(np.int16)
