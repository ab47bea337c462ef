"""Which files in a results folder are Newel's."""

from __future__ import annotations

import re


def is_ours(relative: str) -> bool:
    """Tell whether a file in a results folder is one that Newel writes, so that an old one may be taken away."""
    return bool(
        re.fullmatch(
            r"program(-\d+)?\.ngc|(setup|plan|proof)\.json|sheet\.pdf|part\.stl|development\.svg|blank-after\.stl|pictures/[a-z0-9-]+\.png",
            relative,
        )
    )
