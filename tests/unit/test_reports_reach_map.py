"""The reach map: what is drawn says what the map holds."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from PIL import Image

from newel.app.demo_models import bracket
from newel.core.reach import ReachMap
from newel.reports.reach_map import COLOURS, reach_development_svg, reach_picture
from newel.reports.results import Mesh

REASONS = ("reached", "undercut: hidden from above at every angle", "in an inside corner", "deeper than any cutter is long")


@pytest.fixture(scope="module")
def part() -> Mesh:
    mesh = bracket()
    return Mesh(mesh.vertices, mesh.faces.astype(np.int64))


@pytest.fixture(scope="module")
def reach(part: Mesh) -> ReachMap:
    """Every triangle's middle; the end faces are out of reach."""
    corners = part.vertices_mm[part.faces]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = across / np.linalg.norm(across, axis=1, keepdims=True)
    why = np.where(np.abs(normals[:, 0]) > 0.99, 1, 0)
    return ReachMap(corners.mean(axis=1), normals, np.where(why == 0, 0, -1), why, REASONS)


def test_shares_add_up(reach: ReachMap) -> None:
    shares = reach.shares()
    assert shares.sum() == pytest.approx(1.0)
    assert shares[1] == pytest.approx((reach.why == 1).mean())
    assert shares[2:].tolist() == [0.0, 0.0]


def test_the_development_is_sound_svg_and_names_each_reason_with_its_share(part: Mesh, reach: ReachMap) -> None:
    text = reach_development_svg(part, reach, 90.0, "bracket & co")
    words = " ".join(piece.text or "" for piece in ET.fromstring(text).iter())
    assert "bracket & co" in words
    assert f"{100 * reach.shares()[1]:.1f} % {REASONS[1]}" in words
    assert REASONS[2] not in words  # a reason that does not occur is not explained
    assert text == reach_development_svg(part, reach, 90.0, "bracket & co")


def test_marks_stand_where_the_places_are(part: Mesh) -> None:
    spot = np.array([[45.0, 0.0, 19.0]])
    one = ReachMap(spot, np.array([[0.0, 0.0, 1.0]]), np.array([-1]), np.array([1]), REASONS)
    import base64

    found = re.search(r'base64,([^"]+)"', reach_development_svg(part, one, 90.0, "bracket"))
    assert found is not None
    pixels = np.asarray(Image.open(io.BytesIO(base64.b64decode(found.group(1))))).astype(int)
    marked = np.argwhere((np.abs(pixels - np.rint(255 * COLOURS[1])) <= 1).all(axis=2))
    assert len(marked) > 4
    assert np.abs(marked[:, 1] / pixels.shape[1] - 0.5).max() < 0.01  # X 45 of 90
    turn = np.minimum(marked[:, 0], pixels.shape[0] - marked[:, 0]) / pixels.shape[0]
    assert turn.max() < 0.01  # +Z faces the spindle at turn 0


def test_the_picture_shows_the_end_out_of_reach(part: Mesh, reach: ReachMap) -> None:
    image = np.asarray(Image.open(io.BytesIO(reach_picture(part, reach, "bracket")))).astype(int)
    red = (image[..., 0] > image[..., 2] + 80).mean()
    none = ReachMap(reach.points, reach.normals, np.zeros_like(reach.why), np.zeros_like(reach.why), REASONS)
    clean = np.asarray(Image.open(io.BytesIO(reach_picture(part, none, "bracket")))).astype(int)
    assert red > 0.01
    assert (clean[..., 0] > clean[..., 2] + 80).mean() < 1e-3
