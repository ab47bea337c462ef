"""Options that several commands share."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import click


class Number(click.types.FloatParamType):
    """A number that measures something: Python reads 'nan' and 'inf' as numbers, too."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number. Fails as any wrong option does."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value!r} is not a number that measures anything.", param, ctx)
        return number


class NumberIn(click.FloatRange):
    """A number within a range, which 'nan' would otherwise always be."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number. Fails as any wrong option does."""
        return float(super().convert(Number().convert(value, param, ctx), param, ctx))


SHOP = click.option(
    "--shop",
    "shop_files",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="FILE",
    help="A shop file of your own, laid over the shipped one; may be given several times.",
)
QUIET = click.option("--quiet", "-q", is_flag=True, help="Say nothing but errors; the exit status tells the verdict.")
WORKERS = click.option("--workers", type=click.IntRange(min=1), metavar="N", help="How many cores to use, one a job; else all.")
SCHEDULER = click.option("--scheduler", metavar="ADDRESS", help="Work on the Dask cluster of this scheduler (extra 'cluster').")
