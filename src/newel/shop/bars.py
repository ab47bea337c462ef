"""Bars as they are sold: sections and sizes that a job may choose from."""

from __future__ import annotations

from dataclasses import dataclass

from newel.core.job import Section


@dataclass(frozen=True)
class StockBar:
    """A bar size on sale. `size_mm`: (diameter,), (across flats,) or (width, height).

    `kinds`: the kinds of material (`Material.kind`) it is sold in; empty for any. `inch`: sized and sold in inches.
    """

    name: str
    section: Section
    size_mm: tuple[float, ...]
    source: str
    kinds: tuple[str, ...] = ()
    inch: bool = False

    def sold_in(self, kind: str) -> bool:
        """Whether this size is sold in a kind of material."""
        return not self.kinds or kind in self.kinds
