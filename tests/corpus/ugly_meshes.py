"""Ugly models made by script: each is broken in one way, with what reading it must say.

All were invented here, after what mesh exporters are known to get wrong; none is anybody's file. `MENDED` holds models that
must be read, `REFUSED` models that must not. A case is (file bytes, file type, words that must stand in the answer).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import trimesh

_BOX = np.array([[x, y, z] for x in (0.0, 1.0) for y in (0.0, 1.0) for z in (0.0, 1.0)])
_BOX_FACES = np.array(
    [
        [0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
        [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3],
    ]
)  # fmt: skip


_POINTS_ONLY = (
    b"ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\nproperty float y\nproperty float z\nend_header\n0 0 0\n"
)


class Case(NamedTuple):
    """One ugly model. `volume_mm3` is the closed form of what it must be read as (mended cases only)."""

    data: bytes
    file_type: str
    says: str
    volume_mm3: float = 0.0
    bodies: int | None = 1  # None: not for this case to say
    unit: str = "mm"


def box(size: tuple[float, float, float], at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> tuple[np.ndarray, np.ndarray]:
    """A box of 12 triangles with its low corner at `at`."""
    return _BOX * size + at, _BOX_FACES.copy()


def together(*parts: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Several meshes in one file."""
    vertices, faces, count = [], [], 0
    for points, corners in parts:
        vertices.append(points)
        faces.append(corners + count)
        count += len(points)
    return np.concatenate(vertices), np.concatenate(faces)


def inside_out(part: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """The same surface, facing the other way."""
    return part[0], part[1][:, ::-1]


def ball(radius: float, at: tuple[float, float, float] = (0.0, 0.0, 0.0), finer: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """A ball of triangles."""
    made = trimesh.creation.icosphere(subdivisions=finer, radius=radius)
    return made.vertices + at, np.asarray(made.faces)


def obj(vertices: np.ndarray, faces: np.ndarray) -> bytes:
    """Write an OBJ with every digit kept."""
    rows = [f"v {x!r} {y!r} {z!r}" for x, y, z in vertices.tolist()]
    return "\n".join(rows + ["f " + " ".join(str(corner + 1) for corner in face) for face in faces.tolist()]).encode() + b"\n"


def stl(vertices: np.ndarray, faces: np.ndarray) -> bytes:
    """Write a binary STL."""
    rows = np.zeros(len(faces), [("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    rows["v"] = vertices[faces]
    return b"ugly".ljust(80) + np.uint32(len(rows)).tobytes() + rows.tobytes()


def threemf(vertices: np.ndarray, faces: np.ndarray, unit: str) -> bytes:
    """Write a 3MF that states a unit."""
    import io
    import zipfile

    made = trimesh.Trimesh(vertices, faces, process=False).export(file_type="3mf")
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(made)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            body = old.read(name)
            if name.endswith(".model"):
                body = body.replace(b'unit="millimeter"', f'unit="{unit}"'.encode())
            new.writestr(name, body)
    return out.getvalue()


def _fine_box() -> tuple[np.ndarray, np.ndarray]:
    """A box of 20 mm whose sides have 3072 triangles."""
    made = trimesh.creation.box((20.0, 20.0, 20.0))
    for _ in range(4):
        made = made.subdivide()
    return np.asarray(made.vertices), np.asarray(made.faces)


def _two_glued() -> tuple[np.ndarray, np.ndarray]:
    """Two boxes of 10 mm that share one wall, triangulated alike on both."""
    left, right = box((10.0, 10.0, 10.0)), box((10.0, 10.0, 10.0), (10.0, 0.0, 0.0))
    wall = right[1].copy()
    wall[0:2] = [[0, 1, 3], [0, 3, 2]]
    facing = left[1].copy()
    facing[2:4] = [[4, 7, 5], [4, 6, 7]]
    return together((left[0], facing), (right[0], wall))


def _with_a_line(points: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The mesh with one more face whose three corners lie on one of its edges."""
    middle = (points[0] + points[1]) / 2.0
    return np.vstack([points, middle]), np.vstack([faces, [0, 1, len(points)]])


def _text_of_two_solids(*parts: tuple[np.ndarray, np.ndarray]) -> bytes:
    """An ASCII STL with several solids, in capitals and with CRLF line ends."""
    lines = []
    for n, (points, faces) in enumerate(parts):
        lines.append(f"SOLID part {n}")
        for face in faces:
            lines += ["FACET NORMAL 0 0 0", "OUTER LOOP"]
            lines += [f"VERTEX {x:.6e} {y:.6e} {z:.6e}" for x, y, z in points[face]]
            lines += ["ENDLOOP", "ENDFACET"]
        lines.append(f"ENDSOLID part {n}")
    return "\r\n".join(lines).encode()


def two_sided_sheet() -> tuple[np.ndarray, np.ndarray]:
    """A closed surface that lies flat in a plane."""
    corners = np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [0.0, 9.0, 0.0], [1.0, 9.0, 0.0]])
    return corners, np.array([[0, 1, 2], [0, 2, 3], [0, 3, 1], [1, 3, 2]])


def _folded_sheet() -> tuple[np.ndarray, np.ndarray]:
    """A sheet bent to an L, with a second skin over each of its faces (divided another way), but no thickness."""
    corners = np.array([[0.0, 0, 0], [9, 0, 0], [9, 9, 0], [0, 9, 0], [0, 0, 9], [0, 9, 9]])
    return corners, np.array([[0, 1, 2], [0, 2, 3], [1, 0, 3], [1, 3, 2], [0, 3, 5], [0, 5, 4], [3, 0, 4], [3, 4, 5]])


def _open_tube() -> tuple[np.ndarray, np.ndarray]:
    """The two walls of a tube of 48 sides, radii 10 and 5, 200 mm long, without its ring-shaped ends."""
    angle = 2.0 * np.pi * np.arange(48) / 48
    rim, after = np.arange(48), (np.arange(48) + 1) % 48
    circle = np.stack([np.cos(angle), np.sin(angle), 0.0 * angle], axis=1)
    wall = np.concatenate([np.stack([rim, after, after + 48], 1), np.stack([rim, after + 48, rim + 48], 1)])
    end = np.array([0.0, 0.0, 200.0])
    outer, inner = np.concatenate([10 * circle, 10 * circle + end]), np.concatenate([5 * circle, 5 * circle + end])
    return together((outer, wall), inside_out((inner, wall)))


def _moebius() -> tuple[np.ndarray, np.ndarray]:
    """A one-sided band."""
    n = 24
    angle = 2.0 * np.pi * np.arange(n) / n
    rows = []
    for t in (-3.0, 3.0):
        rows.append(
            np.stack(
                [
                    (20 + t * np.cos(angle / 2)) * np.cos(angle),
                    (20 + t * np.cos(angle / 2)) * np.sin(angle),
                    t * np.sin(angle / 2),
                ],
                1,
            )
        )
    faces = []
    for i in range(n):
        a, b = i, (i + 1) % n
        c, d = (n + a, n + b) if i < n - 1 else (n + a, b)
        b = b if i < n - 1 else n + b
        faces += [[a, b, d], [a, d, c]]
    return np.concatenate(rows), np.array(faces)


def mended() -> dict[str, Case]:
    """Return the models that must be read, by what is wrong with them."""
    size = (30.0, 20.0, 10.0)
    points, faces = box(size)
    whole = 6000.0  # 30 x 20 x 10
    sheet, sheet_faces = two_sided_sheet()
    flipped = faces.copy()
    flipped[[1, 4]] = flipped[[1, 4]][:, ::-1]
    fine, fine_faces = _fine_box()
    holed = np.delete(fine_faces, [5, 900, 901], axis=0)
    seam = points[faces].reshape(-1, 3) + np.random.default_rng(3).uniform(-0.002, 0.002, (36, 3))
    loose = np.arange(36).reshape(-1, 3)
    quad = (
        b"\n".join(b"v %g %g %g" % tuple(p) for p in points.tolist())
        + b"\nf 1 2 4 3\nf 5 7 8 6\nf 1 5 6 2\nf 3 4 8 7\nf 1 3 7 5\nf 2 6 8 4\n"
    )
    torn_cylinder = trimesh.creation.cylinder(radius=5.0, height=60.0, sections=64)
    lid = np.flatnonzero(torn_cylinder.face_normals[:, 2] > 0.9)
    tube = (np.asarray(torn_cylinder.vertices), np.delete(np.asarray(torn_cylinder.faces), lid, axis=0))
    prism = 0.5 * 64 * np.sin(2 * np.pi / 64) * 25.0 * 60.0  # regular prism of 64 sides, circumradius 5, length 60
    return {
        "loose triangles": Case(stl(points, faces), "stl", "28 vertices of the STL file's 12 loose triangles merged", whole),
        "trailing bytes": Case(stl(points, faces) + b"made by hand", "stl", "merged", whole),
        "flipped faces": Case(obj(points, flipped), "obj", "2 faces flipped", whole),
        "inside out": Case(obj(points, faces[:, ::-1]), "obj", "1 body turned right side out", whole),
        "a face twice": Case(obj(points, np.vstack([faces, faces[:3]])), "obj", "3 doubled faces dropped", whole),
        "a face twice, one turned": Case(
            obj(points, np.vstack([faces, faces[:1, ::-1]])), "obj", "1 doubled face dropped", whole
        ),
        "a face three times, one turned": Case(
            obj(points, np.vstack([faces[1:], faces[:1, ::-1], faces[:1], faces[:1]])), "obj", "2 doubled faces dropped", whole
        ),
        "every face twice": Case(obj(points, np.vstack([faces, faces])), "obj", "12 doubled faces dropped", whole),
        "every face twice, turned": Case(
            obj(points, np.vstack([faces, faces[:, ::-1]])), "obj", "12 doubled faces dropped", whole
        ),
        "a corner twice": Case(obj(points, np.vstack([faces, [[0, 0, 5]]])), "obj", "1 face without area", whole),
        "a face that is a line": Case(obj(*_with_a_line(points, faces)), "obj", "1 face without area", whole),
        "one face missing": Case(obj(points, faces[1:]), "obj", "1 hole filled", whole),
        "small holes": Case(stl(fine, holed), "stl", "3 holes filled", 8000.0),
        "no lid": Case(obj(*tube), "obj", "1 hole filled", prism),
        "a tube without its ends": Case(
            obj(*_open_tube()), "obj", "4 holes filled", 48 / 2 * np.sin(2 * np.pi / 48) * (100 - 25) * 200
        ),
        "loose specks": Case(
            obj(*together((points, faces), ball(0.1, (40.0, 0.0, 0.0)), inside_out(ball(0.2, (15.0, 10.0, 5.0))))),
            "obj",
            "2 loose specks dropped",
            whole,
        ),
        "a membrane inside": Case(
            obj(points, np.vstack([faces, [[0, 1, 7], [0, 7, 1]]])), "obj", "2 doubled faces dropped", whole
        ),
        "open seams": Case(obj(seam, loose), "obj", "vertices joined along open seams", whole),
        "unused vertices, one not a number": Case(obj(np.vstack([points, [[np.nan, 0, 0]]]), faces), "obj", "", whole),
        "four-cornered faces": Case(quad, "obj", "", whole),
        "two bodies overlapping": Case(
            stl(*together(box((20.0, 10.0, 10.0)), box((20.0, 4.0, 4.0), (10.0, 3.0, 3.0)))),
            "stl",
            "2 bodies that overlap",
            2000.0 + 160.0,
        ),
        "two bodies, one inside out": Case(
            stl(*together(box((20.0, 10.0, 10.0)), inside_out(box((20.0, 4.0, 4.0), (10.0, 3.0, 3.0))))),
            "stl",
            "united into 1 body",
            2160.0,
        ),
        "two bodies glued face to face": Case(obj(*_two_glued()), "obj", "4 doubled faces dropped", 2000.0),
        "two bodies apart": Case(
            obj(*together(box((10.0, 10.0, 10.0)), box((10.0, 10.0, 10.0), (20.0, 0.0, 0.0)))), "obj", "", 2000.0, 2
        ),
        "a body inside another": Case(
            obj(*together(box((20.0, 20.0, 20.0)), box((4.0, 4.0, 4.0), (8.0, 8.0, 8.0)))), "obj", "united into 1 body", 8000.0
        ),
        "two bodies that touch along an edge, one inside out": Case(
            obj(*together(box((10.0, 10.0, 10.0)), inside_out(box((10.0, 10.0, 10.0), (10.0, 10.0, 0.0))))),
            "obj",
            "1 body turned right side out",
            2000.0,
            None,
        ),
        "a body loose in a cavity": Case(
            obj(
                *together(
                    box((20.0, 20.0, 20.0)),
                    inside_out(box((9.0, 9.0, 9.0), (5.0, 5.0, 5.0))),
                    box((3.0, 3.0, 3.0), (8.0, 8.0, 8.0)),
                )
            ),
            "obj",
            "1 closed cavity kept",
            8000.0 - 729.0 + 27.0,
            2,
        ),
        "text of two solids, in capitals": Case(
            _text_of_two_solids(box((10.0, 10.0, 10.0)), box((10.0, 10.0, 10.0), (20.0, 0.0, 0.0))), "stl", "merged", 2000.0, 2
        ),
        "a binary STL that begins with solid": Case(b"solid" + stl(points, faces)[5:], "stl", "merged", whole),
        "a cavity": Case(
            obj(*together(box((20.0, 20.0, 20.0)), inside_out(box((4.0, 4.0, 4.0), (8.0, 8.0, 8.0))))),
            "obj",
            "1 closed cavity kept",
            7936.0,
        ),
        "a cavity and an overlapping body": Case(
            obj(
                *together(
                    box((20.0, 20.0, 20.0)),
                    inside_out(box((4.0, 4.0, 4.0), (8.0, 8.0, 8.0))),
                    box((10.0, 5.0, 5.0), (15.0, 5.0, 5.0)),
                )
            ),
            "obj",
            "2 bodies that overlap",
            8000.0 - 64.0 + 125.0,
        ),
        "a folded sheet beside the part": Case(
            obj(*together((points, faces), (sheet + np.array([40.0, 0.0, 0.0]), sheet_faces))),
            "obj",
            "1 sheet without volume dropped",
            whole,
        ),
        "3MF in inch, asked as mm": Case(threemf(points / 25.4, faces, "inch"), "3mf", "taken as inch, not as mm", whole),
        "3MF in metres, asked as inch": Case(
            threemf(points / 1000.0, faces, "meter"), "3mf", "taken as meter, not as inch", whole, 1, "inch"
        ),
    }


def refused() -> dict[str, Case]:
    """Return the models that must be refused, by what is wrong with them; `says` are words of the error."""
    points, faces = box((30.0, 20.0, 10.0))
    nan = points.copy()
    nan[3, 1] = np.nan
    infinite = points.copy()
    infinite[3, 1] = np.inf
    flat = np.array([[0.0, 0, 0], [30, 0, 0], [30, 20, 0], [0, 20, 0]])
    half_ball = ball(10.0)
    half_faces = half_ball[1][
        half_ball[0][half_ball[1]].mean(axis=1)[:, 2] > 0.3 * half_ball[0][half_ball[1]].mean(axis=1)[:, 0]
    ]
    wall = np.vstack([faces, [[0, 1, 7], [0, 7, 6]]])
    good = stl(points, faces)
    return {
        "empty": Case(b"", "stl", "empty"),
        "blank": Case(b" \n\n", "obj", "empty"),
        "no faces": Case(obj(points, faces[:0]), "obj", "no triangles"),
        "points only": Case(_POINTS_ONLY, "ply", "no triangles"),
        "not a mesh": Case(b"Dear workshop, the finial fell off again.\n" * 9, "stl", "no STL file"),
        "text that is no number": Case(
            b"solid x\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1,5 0 0\nvertex 0 1 0\nendloop\nendfacet\nendsolid",
            "stl",
            "no number",
        ),
        "not a number, in the second solid": Case(_text_of_two_solids((points, faces), (nan, faces)), "stl", "not numbers"),
        "a corner short": Case(_text_of_two_solids((points, faces)).replace(b"VERTEX", b"CORNER", 1), "stl", "no triangles"),
        "a folded sheet": Case(obj(*_folded_sheet()), "obj", "no volume"),
        "not a 3MF": Case(b"PK\x03\x04 but no more", "3mf", "cannot be read as 3mf"),
        "a picture": Case(b"\x89PNG\r\n\x1a\n" + b"\0" * 200, "ply", "cannot be read as ply"),
        "broken off": Case(good[:300], "stl", "promises 12 triangles and holds 4"),
        "text broken off": Case(b"solid x\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0", "stl", "breaks off"),
        "the second solid broken off": Case(
            _text_of_two_solids(box((10.0, 10.0, 10.0)), box((10.0, 10.0, 10.0), (20.0, 0.0, 0.0)))[:-60], "stl", "breaks off"
        ),
        "a vertex that is not there": Case(b"v 0 0 0\nv 10 0 0\nv 0 10 0\nf 1 2 9\n", "obj", ""),
        "not a number": Case(obj(nan, faces), "obj", "not numbers"),
        "infinite": Case(stl(infinite, faces), "stl", "not numbers"),
        "40 m": Case(obj(points / 30.0 * 40_000.0, faces), "obj", "40 m long"),
        "0.04 mm": Case(obj(points / 30.0 * 0.04, faces), "obj", "0.04 mm long"),
        "inch that was mm": Case(obj(points * 10.0, faces), "obj", "7.62 m long", unit="inch"),
        "a flat sheet": Case(obj(flat, np.array([[0, 1, 2], [0, 2, 3]])), "obj", "no volume: it is a flat sheet"),
        "a sheet with two sides": Case(obj(*two_sided_sheet()), "obj", "no volume"),
        "no lid on a tray": Case(obj(points, np.delete(faces, [8, 9], axis=0)), "obj", "of the surface"),
        "half a ball, torn": Case(obj(half_ball[0], half_faces[5:]), "obj", "not closed"),
        "an inner wall": Case(obj(points, wall), "obj", "several faces clash"),
        "one-sided": Case(obj(*_moebius()), "obj", "not closed"),
        "only degenerate": Case(obj(points, np.array([[0, 0, 1], [5, 5, 5], [2, 2, 4]])), "obj", "degenerate"),
        "all in one place": Case(obj(points * 0.0, faces), "obj", "in one place"),
        "unknown type": Case(good, "docx", "not a model file"),
        "unknown unit": Case(good, "stl", "not a unit", unit="furlong"),
        "3MF in ells": Case(threemf(points, faces, "ell"), "3mf", "no unit of its standard"),
    }
