"""All that no edge may go below while the bar turns: the part, the stubs that hold it, and the full bar at both ends."""

from __future__ import annotations

from newel.core.plan import Bar, Holding, Placement
from newel.geometry.drop import DropTree, drop_tree
from newel.geometry.meshes import Mesh, transformed
from newel.geometry.solids import joined, turned_cylinder
from newel.planning.place import corner_radius_mm

ROUND_SIDES = 180  # facets of stubs and full bar: within 3 µm of a 19 mm radius


def target_of(mesh: Mesh, placed: Placement, bar: Bar, holding: Holding, *, parted: bool = False) -> DropTree:
    """Return part (`mesh` in mm, model frame), stubs and full bar, ready for drops in the bar frame.

    `parted`: with the stubs as the last cuts leave them.
    """
    corner = corner_radius_mm(bar.section, bar.size_mm)
    solids = [transformed(mesh, placed.bar_from_model)]
    solids.append(turned_cylinder(bar.from_x_mm, holding.full_bar_to_x_mm, corner, ROUND_SIDES))
    for _, stub in holding.stubs(parted=parted):
        solids.append(turned_cylinder(stub.from_x_mm, stub.to_x_mm, stub.radius_mm, ROUND_SIDES))
    if holding.full_bar_from_x_mm is not None:
        solids.append(turned_cylinder(holding.full_bar_from_x_mm, bar.to_x_mm, corner, ROUND_SIDES))
    whole = joined(solids)
    return drop_tree(whole.vertices, whole.faces)
