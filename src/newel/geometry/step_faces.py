"""The exact faces of a solid: meshed, with the surface's own normal along every rim, and told as planes and cylinders."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from newel.geometry.mesh_mending import open_half_edges

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WELD_MM = 1e-4  # points of neighbouring faces nearer than this are one (the kernel's own tolerance is 1e-7 to about 1e-4 mm)
CANONICAL_MM = 1e-3  # a spline this near a plane or cylinder is one


@dataclass(frozen=True, eq=False)
class Surface:
    """What a face lies on. `kind`: 'plane', 'cylinder' or ''; `point`, `axis` (3,): a cylinder's; `name`: the file's own."""

    kind: str
    point: Floats
    axis: Floats
    radius_mm: float
    area_mm2: float
    name: str = ""


@dataclass(frozen=True, eq=False)
class Meshed:
    """A meshed solid: `points` (n, 3), `faces` (m, 3), `face_of` (m,) the surface of each triangle.

    `normals` (m, 3, 3): outward unit normals at each corner, those of the exact surface along a face's rim.
    """

    points: Floats
    faces: Ints
    face_of: Ints
    normals: Floats
    surfaces: tuple[Surface, ...]


def meshed_solid(solid: Any, name_of: Callable[[Any], str], deflection_mm: float, angle_rad: float) -> Meshed:
    """Mesh each face of a kernel's solid so that chords stay within the deflection and the angle."""
    from OCP.BRepMesh import BRepMesh_IncrementalMesh
    from OCP.BRepTools import BRepTools
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    BRepTools.Clean_s(solid)
    BRepMesh_IncrementalMesh(solid, deflection_mm, False, angle_rad, False)
    points, faces, normals = [np.empty((0, 3))], [np.empty((0, 3), np.int64)], [np.empty((0, 3, 3))]
    face_of = [np.empty(0, np.int64)]
    surfaces: list[Surface] = []
    count = 0
    explorer = TopExp_Explorer(solid, TopAbs_ShapeEnum.TopAbs_FACE)
    while explorer.More():
        face = TopoDS.Face(explorer.Current())
        explorer.Next()
        nodes, triangles, turned = _triangles(face)
        points.append(nodes)
        faces.append(triangles + count)
        normals.append(turned[triangles])
        face_of.append(np.full(len(triangles), len(surfaces)))
        surfaces.append(replace(_surface(face), name=name_of(face)))
        count += len(nodes)
    joined = np.concatenate(points), np.concatenate(faces), np.concatenate(face_of), np.concatenate(normals)
    return Meshed(*joined, tuple(surfaces))


def _triangles(face: Any) -> tuple[Floats, Ints, Floats]:
    """Return a face's nodes (n, 3), triangles (m, 3) counterclockwise from outside, and outward normals (n, 3).

    The normals are the exact surface's along the face's rim, where edges are judged, and the triangles' mean inside.
    """
    from OCP.BRep import BRep_Tool
    from OCP.TopAbs import TopAbs_Orientation
    from OCP.TopLoc import TopLoc_Location

    location = TopLoc_Location()
    mesh = BRep_Tool.Triangulation_s(face, location)
    if mesh is None or mesh.NbTriangles() == 0:
        return np.empty((0, 3)), np.empty((0, 3), np.int64), np.empty((0, 3))
    where = location.Transformation()
    nodes = np.array([mesh.Node(k + 1).Coord() for k in range(mesh.NbNodes())])
    placed = np.array([[where.Value(row + 1, column + 1) for column in range(4)] for row in range(3)])
    nodes = nodes @ placed[:, :3].T + placed[:, 3]
    triangles = np.array([mesh.Triangle(k + 1).Get() for k in range(mesh.NbTriangles())], dtype=np.int64) - 1
    reversed_face = face.Orientation() == TopAbs_Orientation.TopAbs_REVERSED
    if where.IsNegative() != reversed_face:
        triangles = triangles[:, ::-1].copy()
    flat = np.cross(nodes[triangles[:, 1]] - nodes[triangles[:, 0]], nodes[triangles[:, 2]] - nodes[triangles[:, 0]])
    mean = np.zeros_like(nodes)
    for k in range(3):
        np.add.at(mean, triangles[:, k], flat)
    if mesh.HasUVNodes():
        rim = np.unique(open_half_edges(triangles, len(nodes)))
        exact = _surface_normals(face, mesh, rim) * (-1.0 if reversed_face else 1.0)
        told = np.linalg.norm(exact, axis=1) > 1e-12  # not at the tip of a cone or the pole of a ball
        mean[rim[told]] = exact[told]
    return nodes, triangles, mean / np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-300)


def _surface_normals(face: Any, mesh: Any, nodes: Ints) -> Floats:
    """Return the surface's own normals (k, 3) at some nodes of a face's mesh, of any length."""
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.gp import gp_Pnt, gp_Vec

    surface = BRepAdaptor_Surface(face)
    spot, along_u, along_v = gp_Pnt(), gp_Vec(), gp_Vec()
    normals = np.empty((len(nodes), 3))
    for row, node in enumerate(nodes.tolist()):
        uv = mesh.UVNode(node + 1)
        surface.D1(uv.X(), uv.Y(), spot, along_u, along_v)
        across = along_u.Crossed(along_v)
        normals[row] = across.X(), across.Y(), across.Z()
    return normals


def _surface(face: Any) -> Surface:
    """Tell what a face lies on; splines and swept faces are tried for a plane or a cylinder."""
    from OCP.BRepAdaptor import BRepAdaptor_Surface
    from OCP.BRepGProp import BRepGProp
    from OCP.GeomAbs import GeomAbs_SurfaceType
    from OCP.gp import gp_Cylinder, gp_Pln
    from OCP.GProp import GProp_GProps
    from OCP.ShapeAnalysis import ShapeAnalysis_CanonicalRecognition

    measure = GProp_GProps()
    BRepGProp.SurfaceProperties_s(face, measure)
    area = float(abs(measure.Mass()))
    adaptor = BRepAdaptor_Surface(face)
    kind = adaptor.GetType()
    plain = Surface("", np.zeros(3), np.zeros(3), 0.0, area)
    if kind == GeomAbs_SurfaceType.GeomAbs_Plane:
        return replace(plain, kind="plane")
    if kind == GeomAbs_SurfaceType.GeomAbs_Cylinder:
        return _on_cylinder(plain, adaptor.Cylinder())
    if kind in (GeomAbs_SurfaceType.GeomAbs_Cone, GeomAbs_SurfaceType.GeomAbs_Sphere, GeomAbs_SurfaceType.GeomAbs_Torus):
        return plain
    tried = ShapeAnalysis_CanonicalRecognition(face)
    if tried.IsPlane(CANONICAL_MM, gp_Pln()):
        return replace(plain, kind="plane")
    cylinder = gp_Cylinder()
    if tried.IsCylinder(CANONICAL_MM, cylinder):
        return _on_cylinder(plain, cylinder)
    return plain


def _on_cylinder(plain: Surface, cylinder: Any) -> Surface:
    spot, way = cylinder.Axis().Location(), cylinder.Axis().Direction()
    axis = np.array([way.X(), way.Y(), way.Z()])
    return replace(
        plain, kind="cylinder", point=np.array([spot.X(), spot.Y(), spot.Z()]), axis=axis, radius_mm=float(cylinder.Radius())
    )


def weld(meshed: Meshed) -> Meshed:
    """Merge points nearer than WELD_MM, to the place of the first."""
    points = meshed.points
    if len(points) == 0:
        return meshed
    pairs = cKDTree(points).query_pairs(WELD_MM, output_type="ndarray")
    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(points), len(points)))
    count, place = connected_components(links, directed=False)
    first = np.full(count, len(points), np.int64)
    np.minimum.at(first, place, np.arange(len(points)))
    return replace(meshed, points=points[first], faces=place.astype(np.int64)[meshed.faces])
