"""Which field of the job file overrules which decision, and what may be written there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class JobField:
    """A field of the job file that the page can set: decisions whose name begins with one of `decides` are overruled by it.

    `kind`: length, number, choice, cutter, text. `choices`: what may be chosen, for choice.
    """

    table: str
    key: str
    kind: str
    decides: tuple[str, ...]
    choices: tuple[str, ...] = ()

    def told(self) -> dict[str, Any]:
        """Return it as the page hears of it."""
        return {"table": self.table, "key": self.key, "kind": self.kind, "decides": self.decides, "choices": self.choices}


_WAYS = ("along", "around", "helical")

FIELDS = (
    JobField("place", "axis", "choice", ("how the part lies",), ("x", "y", "z", "-x", "-y", "-z")),
    JobField("place", "turn_deg", "number", ("how the part lies",)),
    JobField("hold", "grip_mm", "length", ("grip",)),
    JobField("hold", "tailstock", "choice", ("tailstock",), ("live centre", "none")),
    JobField("bar", "length_mm", "length", ("where to saw",)),
    JobField("hold", "chuck_stub_diameter_mm", "length", ("what stays standing",)),
    JobField("hold", "tail_stub_diameter_mm", "length", ("what stays standing",)),
    JobField("hold", "a_zero", "choice", ("A zero",), ("flat", "corner")),
    JobField("rough", "cutter", "cutter", ("roughing cutter",)),
    JobField("finish", "cutter", "cutter", ("finishing cutter",)),
    JobField("finish", "rest_cutter", "cutter", ("rest cutter",)),
    JobField("rough", "allowance_mm", "length", ("allowance",)),
    JobField("finish", "cusp_mm", "length", ("cusp",)),
    JobField("rough", "spindle_rpm", "number", ("spindle speed, roughing",)),
    JobField("finish", "spindle_rpm", "number", ("spindle speed, finishing",)),
    JobField("rough", "feed_mm_per_min", "number", ("feed, roughing",)),
    JobField("finish", "feed_mm_per_min", "number", ("feed, finishing",)),
    JobField("rough", "ap_mm", "length", ("depth and width",)),
    JobField("rough", "ae_mm", "length", ("depth and width",)),
    JobField("rough", "direction", "choice", ("direction of 'rough",), _WAYS),
    JobField("finish", "direction", "choice", ("direction of 'finish",), _WAYS),
)
