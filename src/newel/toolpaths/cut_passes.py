"""A cut in, its passes out: the door of the toolpaths room."""

from __future__ import annotations

from collections.abc import Callable

from newel.core.errors import BadInput
from newel.core.motion import Toolpath
from newel.core.plan import Cut, CutKind
from newel.core.profile import CutterShape
from newel.geometry.blank import Blank
from newel.geometry.drop import DropTree
from newel.toolpaths.bevel import bevel
from newel.toolpaths.clear import clear
from newel.toolpaths.engrave import engrave
from newel.toolpaths.face import face
from newel.toolpaths.finish_around import finish_around
from newel.toolpaths.holes import bore, drill
from newel.toolpaths.linking import Surroundings
from newel.toolpaths.part_off import part_off
from newel.toolpaths.rest_around import rest_around
from newel.toolpaths.rough_around import rough_around
from newel.toolpaths.surface import surface
from newel.toolpaths.threads import thread
from newel.toolpaths.walls import profile

_MAKERS = {
    CutKind.ROUGH_AROUND: rough_around,
    CutKind.FINISH_AROUND: finish_around,
    CutKind.CORNER_AROUND: finish_around,
    CutKind.REST_AROUND: rest_around,
    CutKind.ENGRAVE: engrave,
    CutKind.FACE: face,
    CutKind.CLEAR: clear,
    CutKind.DRILL: drill,
    CutKind.BORE: bore,
    CutKind.THREAD: thread,
    CutKind.BEVEL: bevel,
    CutKind.PROFILE: profile,
    CutKind.SURFACE: surface,
    CutKind.PART_OFF: part_off,
}
_NO_WIDTH = (CutKind.DRILL, CutKind.BEVEL, CutKind.ENGRAVE)  # kinds whose passes have no width of cut to choose
_BY_CUSP = (CutKind.FINISH_AROUND, CutKind.REST_AROUND, CutKind.SURFACE)


def cut_passes(
    cut: Cut,
    shape: CutterShape,
    target: DropTree,
    blank: Blank,
    surroundings: Surroundings,
    progress: Callable[[float], None] | None = None,
) -> Toolpath:
    """Make the passes and links of one cut.

    `target`: part and stubs, bar frame; `blank`: as it is before this cut (it is not changed); `progress` is told the share
    done, 0 to 1. Begins and ends at the retract height; no rows where nothing is left to cut. Raises BadInput for a cut whose
    figures contradict themselves.
    """
    _check(cut)
    path = _MAKERS[cut.kind](cut, shape, target, blank, surroundings, progress)
    if progress is not None:
        progress(1.0)
    return path


def _check(cut: Cut) -> None:
    where = f"cut {cut.number}, {cut.name}"
    if not cut.to_x_mm >= cut.from_x_mm:
        raise BadInput(f"the cut would run from X {cut.from_x_mm:g} to X {cut.to_x_mm:g} mm", where=where)
    positive = {"feed": cut.feed_mm_per_min, "entry feed": cut.entry_feed_mm_per_min}
    if cut.kind not in _NO_WIDTH:
        positive["ae"] = cut.ae_mm
    if cut.kind in (CutKind.ROUGH_AROUND, CutKind.REST_AROUND, CutKind.FACE, CutKind.CLEAR, CutKind.PROFILE, CutKind.PART_OFF):
        positive["ap"] = cut.ap_mm
    if cut.kind in _BY_CUSP:
        positive["cusp"] = cut.cusp_mm
        positive["tolerance"] = cut.tolerance_mm
    for name, value in positive.items():
        if not value > 0.0:
            raise BadInput(f"{name} must be more than nought, not {value:g}", where=where)
    if cut.allowance_mm < 0.0:
        raise BadInput(f"the allowance must not be negative, not {cut.allowance_mm:g} mm", where=where)
