"""One job of a batch, as a worker anywhere does it: everything it needs goes in, every file it makes comes back.

No path, clock or environment reaches a result, so the bytes do not depend on which worker made them, or where.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

from newel import __version__
from newel.app.inputs import JobFiles
from newel.app.kernel_cache import use_kernel_cache
from newel.core.errors import NewelError
from newel.shop.catalogue import Shop

PROVED, NOT_PROVED, REFUSED, FAILED = "proved", "not proved", "refused", "failed"


@dataclass(frozen=True)
class Task:
    """A job to be made: its files as read, the texts of the shop files laid over the shipped shop, with or without pictures."""

    name: str
    files: JobFiles
    shop_texts: Mapping[str, str]
    pictures: bool = True

    def key(self) -> str:
        """Return the fingerprint of all that the result depends on."""
        digest = hashlib.sha256(__version__.encode() + (b"" if self.pictures else b" without pictures"))
        for part in (self.files.text.encode(), self.files.model_type.encode(), self.files.model_bytes):
            digest.update(len(part).to_bytes(8, "big") + part)
        for name in sorted(self.files.beside):
            digest.update(name.encode() + b"\0" + hashlib.sha256(self.files.beside[name]).digest())
        for name in sorted(self.shop_texts):
            digest.update(name.encode() + b"\0" + self.shop_texts[name].encode() + b"\0")
        return digest.hexdigest()


@dataclass(frozen=True)
class Row:
    """What a batch's summary says of one job; figures are nan or empty where the job was refused."""

    name: str
    key: str
    end: str
    says: str = ""
    minutes: float = float("nan")
    section: str = ""
    size_mm: tuple[float, ...] = ()
    material: str = ""
    sawn_mm: float = float("nan")
    bar_mm3: float = float("nan")
    cutters: tuple[str, ...] = ()


@dataclass(frozen=True)
class Outcome:
    """A row, and the files of the job's folder (none where it was refused)."""

    row: Row
    files: Mapping[str, bytes] = field(default_factory=dict)


def do(task: Task) -> Outcome:
    """Make one job. What is refused comes back as a row that says why; so does a fault of our own."""
    use_kernel_cache()
    from newel.app.inputs import told_by_line
    from newel.app.making import picture_files, results_files, results_of
    from newel.pipeline import make
    from newel.planning.around import section_area_mm2

    def quiet(stage: str, share: float) -> None:
        pass

    try:
        shop = _shop_of(tuple(task.shop_texts.items()))
        with told_by_line(task.files):
            made = make(task.files.job, task.files.model, shop, quiet)
        results = results_of(made, shop)
        files = results_files(made, results, quiet) | (picture_files(made, results, quiet) if task.pictures else {})
    except NewelError as error:
        return Outcome(Row(task.name, task.key(), REFUSED, one_line(error)))
    except Exception as error:  # one job's fault must not end the batch
        return Outcome(Row(task.name, task.key(), FAILED, f"Newel itself failed: {type(error).__name__}: {error}"))
    bar, proof = made.plan.bar, made.proof
    worst = next((found.says for found in proof.findings if found.severity == "obstacle"), "")
    sawn = bar.to_x_mm - bar.from_x_mm
    row = Row(
        task.name,
        task.key(),
        str(proof.verdict),
        worst,
        proof.time_min,
        str(bar.section),
        bar.size_mm,
        bar.material,
        sawn,
        sawn * section_area_mm2(bar.section, bar.size_mm),
        tuple(name for _, name in made.plan.cutters),
    )
    return Outcome(row, files)


@lru_cache(maxsize=2)  # a worker asks for the same shop job after job, and reading it takes a third of a second
def _shop_of(texts: tuple[tuple[str, str], ...]) -> Shop:
    from newel.app.inputs import shop_of

    return shop_of(dict(texts))


def one_line(error: NewelError) -> str:
    """Return an error's block as one line."""
    return re.sub(r"\s*\n\s*", "; ", error.block().removeprefix("error: "))
