"""Where a number comes from: every constant of the shop and of the mechanics carries one of these."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from newel.core.errors import BadInput


class Standing(StrEnum):
    """How far a number may be trusted."""

    PUBLISHED = "published"
    COMMON_PRACTICE = "common practice"
    FROM_MEMORY = "from memory"
    INVENTED = "invented for the demo"


@dataclass(frozen=True, slots=True)
class Source:
    """The place a number was read (title, edition, table or page) and how far it may be trusted."""

    standing: Standing
    place: str


def source_of(text: str, *, where: str = "") -> Source:
    """Read 'published: title, table 5', 'common practice: …', 'from memory: …' or 'invented for the demo: …'."""
    standing, _, place = text.partition(":")
    try:
        return Source(Standing(standing.strip()), place.strip())
    except ValueError:
        options = ", ".join(repr(item.value) for item in Standing)
        raise BadInput(f"a source must begin with one of {options}, not {text!r}", where=where) from None
