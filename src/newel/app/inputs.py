"""What the commands read from disk: job files, models, programs, shop files. A missing or unreadable one is bad input."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from newel.app.job_file import line_of, read_job
from newel.core.errors import BadInput, NewelError
from newel.core.job import Job, ModelFiles
from newel.shop.catalogue import Shop, load_shop, shipped_texts


@dataclass(frozen=True)
class JobFiles:
    """A job file with the model it names, as read from disk."""

    path: Path
    text: str
    job: Job
    model_bytes: bytes
    model_type: str
    beside: Mapping[str, bytes] = field(default_factory=dict)  # drawings, fonts and further models, as the job calls them

    @property
    def model(self) -> ModelFiles:
        """The model and all that the job names beside it, as the pipeline takes them."""
        return ModelFiles(self.model_bytes, self.model_type, self.beside)

    @property
    def out(self) -> Path:
        """The folder that results go to unless another is asked for: finial.toml writes into finial.out."""
        return self.path.with_suffix(".out")


def read_text(path: Path, what: str) -> str:
    """Read a text file. Raises BadInput where it is missing, unreadable or not UTF-8 text."""
    return text_of(read_bytes(path, what), path, what)


def read_bytes(path: Path, what: str) -> bytes:
    """Read a file. Raises BadInput where it is missing or cannot be read."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise BadInput(f"there is no {what} {path}", remedy="check the name and the folder") from None
    except IsADirectoryError:
        raise BadInput(f"{path} is a folder, not a {what}", remedy="name the file in it") from None
    except OSError as error:
        raise BadInput(f"cannot read the {what} {path}: {error.strerror}", remedy="check who may read it") from None


def read_shop(paths: tuple[Path, ...]) -> Shop:
    """Read the shipped shop with the owner's files laid over it."""
    return shop_of(read_shop_texts(paths))


def read_shop_texts(paths: Sequence[Path]) -> dict[str, str]:
    """Read the owner's shop files as texts, to be sent to workers."""
    return {str(path): read_text(path, "shop file") for path in paths}


def shop_of(texts: Mapping[str, str]) -> Shop:
    """Return the shipped shop with the owner's shop files, as texts, laid over it."""
    return load_shop({**shipped_texts(), **texts})


def read_job_files(path: Path) -> JobFiles:
    """Read a job file and its model, which is looked for from the job file's folder."""
    text = read_text(path, "job file")
    job = read_job(text, name=path.stem, where=str(path))
    model = path.parent / job.model.file
    return JobFiles(path, text, job, read_bytes(model, "model"), model_type(model), _read_beside(path.parent, job))


def _read_beside(folder: Path, job: Job) -> dict[str, bytes]:
    """Read what the job names besides its model; the font of a text that names none is called ''."""
    named = {ask.file: "drawing" for ask in job.ornaments if ask.file is not None}
    named |= {ask.font: "font" for ask in job.ornaments if ask.font is not None}
    named |= {ask.file: "model" for ask in job.several.others}
    beside = {name: read_bytes(folder / name, what) for name, what in named.items()}
    if any(ask.text is not None and ask.font is None for ask in job.ornaments):
        beside[""] = _shipped_font()
    return beside


def _shipped_font() -> bytes:
    try:
        from font_caladea import Caladea
    except ImportError:
        raise BadInput(
            "lettering needs more packages", where="[[ornament]]", remedy="install Newel with its extra 'ornament'"
        ) from None
    return Path(Caladea).read_bytes()


@contextmanager
def told_by_line(files: JobFiles) -> Iterator[None]:
    """Let an error that names a place of the job, such as '[hold] grip', name the file and the line, too."""
    try:
        yield
    except NewelError as error:
        place = re.match(r"\[(\w+)\] (\w+)$", error.where)
        if place or error.where in ("machine", "cutters"):
            table, key = place.groups() if place else ("", error.where)
            paths = [((table, name) if table else (name,)) for name in (key, f"{key}_mm", f"{key}_deg")]
            line = max(line_of(files.text, path) for path in paths)
            error.where = f"{files.path}, line {line}: {error.where}"
        raise


def model_type(path: Path) -> str:
    """Return what kind of file a model is, by its ending. Raises BadInput for kinds that cannot be read."""
    from newel.geometry.meshes import MODEL_TYPES

    kind = path.suffix.lower().lstrip(".")
    if kind not in MODEL_TYPES:
        raise BadInput(
            f"a model file ending in {path.suffix or 'nothing'!r} cannot be read",
            where=str(path),
            remedy=f"save it as {', '.join(kind.upper() for kind in MODEL_TYPES)}",
        )
    return kind


def text_of(content: bytes, path: Path, what: str) -> str:
    """Return bytes as text. Raises BadInput, with the line, where they are not UTF-8."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise BadInput(f"the {what} is not UTF-8 text", where=f"{path}, line {line}", remedy="save it as UTF-8 text") from None
