"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path

import click

SHOP = click.option(
    "--shop",
    "shop_files",
    type=click.Path(path_type=Path),
    multiple=True,
    metavar="FILE",
    help="A shop file of your own, laid over the shipped one; may be given several times.",
)
QUIET = click.option("--quiet", "-q", is_flag=True, help="Say nothing but errors; the exit status tells the verdict.")
WORKERS = click.option(
    "--workers", type=click.IntRange(min=1), metavar="N", help="How many jobs at once, one core each; else one a core."
)
SCHEDULER = click.option("--scheduler", metavar="ADDRESS", help="Work on the Dask cluster of this scheduler (extra 'cluster').")
