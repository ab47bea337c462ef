"""Face at a side: the bar's top is taken down to a plane between the holding ends, in passes from outside the bar."""

from __future__ import annotations

from newel.core.motion import Toolpath
from newel.core.plan import Cut
from newel.core.profile import CutterShape
from newel.geometry.blank import Blank
from newel.geometry.drop import DropTree
from newel.toolpaths.clear import Progress, cleared_levels
from newel.toolpaths.linking import Surroundings


def face(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, progress: Progress = None
) -> Toolpath:
    """Return the passes that face a side: parallel to the bar's edge, to and fro, the width of cut apart, level by level.

    They follow the edge of what stands, so that nothing already gone is cut, and begin outside the bar where the cut's bounds
    lie a radius and more outside it. The engaged angle stays at what ae means, at the ends beside standing bar too.
    """
    return cleared_levels(cut, shape, target, blank, around, progress, against_mm=0.0)
