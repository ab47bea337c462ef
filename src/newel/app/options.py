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
