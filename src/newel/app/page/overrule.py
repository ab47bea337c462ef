"""Which field of the job file overrules which decision, and what may be written there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from newel.core.job import OrnamentKind, Tailstock, Work, WrapBy


@dataclass(frozen=True)
class JobField:
    """A field of the job file that the page can set: decisions whose name begins with one of `decides` are overruled by it.

    `kind`: length, number, numbers (a list of them), choice, truth, cutter, text. `choices`: what may be chosen, for choice.
    `many`: the field of a [[table]] of which there may be several. One that overrules no decision is offered by itself.
    """

    table: str
    key: str
    kind: str
    decides: tuple[str, ...] = ()
    choices: tuple[str, ...] = ()
    many: bool = False

    def told(self) -> dict[str, Any]:
        """Return it as the page hears of it."""
        return {
            "table": self.table,
            "key": self.key,
            "kind": self.kind,
            "decides": self.decides,
            "choices": self.choices,
            "many": self.many,
        }


_WAYS = ("along", "around", "helical")
_LIE = ("how the part lies", "which axis lies along the bar")
_CLEARING = ("cutters that clear",)

FIELDS = (
    JobField("", "work", "choice", ("how it is cut",), tuple(item.value for item in Work)),
    JobField("place", "axis", "choice", _LIE, ("x", "y", "z", "-x", "-y", "-z")),
    JobField("place", "turn_deg", "number", ("how the part lies",)),
    JobField("hold", "grip_mm", "length", ("grip",)),
    JobField("hold", "tailstock", "choice", ("tailstock",), tuple(item.value for item in Tailstock)),
    JobField("bar", "length_mm", "length", ("where to saw",)),
    JobField("hold", "chuck_stub_diameter_mm", "length", ("what stays standing",)),
    JobField("hold", "tail_stub_diameter_mm", "length", ("what stays standing",)),
    JobField("hold", "a_zero", "choice", ("A zero",), ("flat", "corner")),
    # cut while the bar turns
    JobField("rough", "cutter", "cutter", ("roughing cutter", *_CLEARING)),
    JobField("finish", "cutter", "cutter", ("finishing cutter", "what stays uncut")),
    JobField("finish", "rest_cutter", "cutter", ("rest cutter",)),
    JobField("finish", "rest", "truth", ("rest cutter", "cuts beside the axis", "corners at the ends")),
    JobField("finish", "offset_y_mm", "length", ("cuts beside the axis",)),
    JobField("rough", "allowance_mm", "length", ("allowance", *_CLEARING)),
    JobField("finish", "cusp_mm", "length", ("cusp",)),
    JobField("rough", "spindle_rpm", "number", ("spindle speed, roughing",)),
    JobField("finish", "spindle_rpm", "number", ("spindle speed, finishing",)),
    JobField("rough", "feed_mm_per_min", "number", ("feed, roughing",)),
    JobField("finish", "feed_mm_per_min", "number", ("feed, finishing",)),
    JobField("rough", "ap_mm", "length", ("depth and width",)),
    JobField("rough", "ae_mm", "length", ("depth and width",)),
    JobField("rough", "direction", "choice", ("direction of 'rough",), _WAYS),
    JobField("finish", "direction", "choice", ("direction of 'finish",), _WAYS),
    JobField("finish", "tolerance_mm", "length"),
    # cut side by side
    JobField("sides", "angles_deg", "numbers", ("sides", "what no side reaches")),
    JobField("bevel", "width_mm", "length"),
    JobField("bevel", "least_turn_deg", "number"),
    JobField("bevel", "cutter", "cutter"),
    # several parts on one bar
    JobField("several", "count", "number", ("order of the parts", "use of the bar")),
    JobField("several", "gap_mm", "length", ("use of the bar",)),
    JobField("several", "bridge_diameter_mm", "length", ("use of the bar",)),
)

_THREAD = ("hole_diameter_mm", "pitch_mm")
_SURFACE = ("from_z_mm", "to_z_mm", "tolerance_mm", "allowance_mm", "corner_radius_mm")
_ORNAMENT = ("at_x_mm", "width_mm", "height_mm", "depth_mm", "radius_mm")

LISTED = (
    *(JobField("thread", key, "length", many=True) for key in _THREAD),
    JobField("surface", "turn_deg", "number", many=True),
    JobField("surface", "face", "text", many=True),
    *(JobField("surface", key, "length", many=True) for key in _SURFACE),
    JobField("ornament", "kind", "choice", (), tuple(item.value for item in OrnamentKind), many=True),
    JobField("ornament", "text", "text", many=True),
    JobField("ornament", "file", "text", many=True),
    JobField("ornament", "font", "text", many=True),
    *(JobField("ornament", key, "length", many=True) for key in _ORNAMENT),
    JobField("ornament", "at_turn_deg", "number", many=True),
    JobField("ornament", "turn_deg", "number", many=True),
    JobField("ornament", "mirrored", "truth", many=True),
    JobField("ornament", "wrap", "choice", (), tuple(item.value for item in WrapBy), many=True),
    JobField("ornament", "cutter", "cutter", ("cutter for ",), many=True),
)
