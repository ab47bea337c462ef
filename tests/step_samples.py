"""STEP files for tests and benchmarks, written by the open CAD kernel behind the extra `step`."""

from __future__ import annotations

import io
import re
from itertools import count

from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakePolygon, BRepBuilderAPI_NurbsConvert
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder, BRepPrimAPI_MakePrism
from OCP.gp import gp_Ax1, gp_Ax2, gp_Dir, gp_Pnt, gp_Trsf, gp_Vec
from OCP.Interface import Interface_Static
from OCP.STEPControl import STEPControl_StepModelType, STEPControl_Writer
from OCP.TopoDS import TopoDS_Shape

from newel.app.demo_models import BRACKET_LENGTH_MM, BRACKET_WIDTH_MM


def step_bytes(*shapes: TopoDS_Shape, unit: str = "MM") -> bytes:
    """Return shapes as a STEP file whose lengths are told in `unit` (the shapes' numbers are mm)."""
    writer = STEPControl_Writer()
    Interface_Static.SetCVal_s("write.step.unit", unit)
    for shape in shapes:
        writer.Transfer(shape, STEPControl_StepModelType.STEPControl_AsIs)
    out = io.BytesIO()
    writer.WriteStream(out)
    Interface_Static.SetCVal_s("write.step.unit", "MM")
    return out.getvalue()


def block_with_hole_shape() -> TopoDS_Shape:
    """A block of 24 x 16 x 16 mm along X with a blind hole of 8 mm, 6 mm deep, in the middle of its top."""
    hole = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(12.0, 8.0, 10.0), gp_Dir(0.0, 0.0, 1.0)), 4.0, 10.0).Shape()
    return BRepAlgoAPI_Cut(BRepPrimAPI_MakeBox(24.0, 16.0, 16.0).Shape(), hole).Shape()


def pocketed_block_shape() -> TopoDS_Shape:
    """A block of 30 x 20 x 20 mm along X about its axis, a pocket of 16 x 12 mm, 5 mm deep, corners of 4 mm, in its top."""
    block = BRepPrimAPI_MakeBox(gp_Pnt(0.0, -10.0, -10.0), 30.0, 20.0, 20.0).Shape()
    return BRepAlgoAPI_Cut(block, _pocket(15.0, 0.0, 16.0, 12.0, 5.0, 4.0, top_mm=10.0)).Shape()


def with_named_faces(data: bytes) -> bytes:
    """Return a STEP file whose faces are named 'face 1', 'face 2' and so on, in the order in which the file tells them."""
    number = count(1)
    return re.sub(rb"ADVANCED_FACE\s*\(\s*'[^']*'", lambda _: b"ADVANCED_FACE('face %d'" % next(number), data)


def bracket_shape() -> TopoDS_Shape:
    """Return the demo's bracket with true cylinders: the sizes are those of demo_models.bracket()."""
    half, bevel = BRACKET_WIDTH_MM / 2.0, 4.0
    corners = [(-half + bevel, -half), (half - bevel, -half), (half, -half + bevel), (half, half - bevel)]
    corners += [(-y, -z) for y, z in corners]
    outline = BRepBuilderAPI_MakePolygon()
    for y, z in corners:
        outline.Add(gp_Pnt(0.0, y, z))
    outline.Close()
    face = BRepBuilderAPI_MakeFace(outline.Wire()).Face()
    solid = BRepPrimAPI_MakePrism(face, gp_Vec(BRACKET_LENGTH_MM, 0.0, 0.0)).Shape()
    top = [_pocket(24.0, 0.0, 34.0, 24.0, 6.0, 5.0), _pocket(24.0, 0.0, 22.0, 14.0, 12.0, 3.5)]
    front = [_pocket(84.0, 0.0, 28.0, 10.0, 8.0, 4.5)]
    below = [round_hole(24.0, 0.0, 18.0, 5.0), round_hole(77.0, -9.0, 4.5, 12.0), round_hole(77.0, 9.0, 4.5, 12.0)]
    back = [_pocket(17.0, 0.0, 20.0, 20.0, 5.0, 4.0), _pocket(43.0, 0.0, 20.0, 20.0, 5.0, 4.0)]
    bore = [round_hole(61.5, 0.0, 12.0, BRACKET_WIDTH_MM + 2.0)]
    cuts = [(cut, 0.0) for cut in top] + [(cut, 90.0) for cut in front] + [(cut, 180.0) for cut in below]
    cuts += [(cut, -90.0) for cut in (*back, *bore)]
    for cut, turn_deg in cuts:
        solid = BRepAlgoAPI_Cut(solid, turned(cut, turn_deg)).Shape()
    return solid


def turned(shape: TopoDS_Shape, turn_deg: float) -> TopoDS_Shape:
    """Return the shape turned about +X."""
    from math import radians

    turn = gp_Trsf()
    turn.SetRotation(gp_Ax1(gp_Pnt(0.0, 0.0, 0.0), gp_Dir(1.0, 0.0, 0.0)), radians(turn_deg))
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform

    return BRepBuilderAPI_Transform(shape, turn, True).Shape()


def splined(shape: TopoDS_Shape) -> TopoDS_Shape:
    """Return the shape with every surface told as a spline."""
    return BRepBuilderAPI_NurbsConvert(shape, True).Shape()


def round_hole(x: float, y: float, diameter: float, depth: float) -> TopoDS_Shape:
    """Return what a round hole takes out of the bracket's top."""
    floor = BRACKET_WIDTH_MM / 2.0 - depth
    axis = gp_Ax2(gp_Pnt(x, y, floor), gp_Dir(0.0, 0.0, 1.0))
    return BRepPrimAPI_MakeCylinder(axis, diameter / 2.0, depth + 1.0).Shape()


def _pocket(
    x: float, y: float, length: float, width: float, depth: float, corner_radius: float, top_mm: float = BRACKET_WIDTH_MM / 2.0
) -> TopoDS_Shape:
    """Return what a pocket takes out of the top: two boxes and four round corners, united."""
    floor, high = top_mm - depth, depth + 1.0
    r = corner_radius

    def box(long: float, wide: float) -> TopoDS_Shape:
        return BRepPrimAPI_MakeBox(gp_Pnt(x - long / 2.0, y - wide / 2.0, floor), long, wide, high).Shape()

    whole = BRepAlgoAPI_Fuse(box(length, width - 2.0 * r), box(length - 2.0 * r, width)).Shape()
    for across in (-1.0, 1.0):
        for along in (-1.0, 1.0):
            at = gp_Pnt(x + along * (length / 2.0 - r), y + across * (width / 2.0 - r), floor)
            whole = BRepAlgoAPI_Fuse(
                whole, BRepPrimAPI_MakeCylinder(gp_Ax2(at, gp_Dir(0.0, 0.0, 1.0)), r, high).Shape()
            ).Shape()
    return united_faces(whole)


def united_faces(shape: TopoDS_Shape) -> TopoDS_Shape:
    """Return the shape with faces that lie on one surface joined."""
    from OCP.ShapeUpgrade import ShapeUpgrade_UnifySameDomain

    joined = ShapeUpgrade_UnifySameDomain(shape, True, True, False)
    joined.Build()
    return joined.Shape()
