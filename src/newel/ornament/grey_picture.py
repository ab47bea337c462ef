"""A picture's brightness as heights: 0 black to 1 white, rows from the top."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

from newel.core.errors import BadInput

Floats = NDArray[np.float64]


def read_grey(data: bytes, where: str) -> Floats:
    """Read a PNG, JPEG, TIFF … as brightness (rows, columns), 16 bits deep where the file is; see-through parts are white."""
    try:
        image = Image.open(io.BytesIO(data))
        image.load()
    except (UnidentifiedImageError, OSError, Image.DecompressionBombError) as error:
        raise BadInput(f"this is not a picture that can be read: {error}", where=where, remedy="save it as PNG") from None
    if image.mode.startswith("I;16") or image.mode in ("I", "F"):
        grey = np.asarray(image, dtype=float)
        grey = grey / (65535.0 if grey.max() > 255.0 else 255.0)
    else:
        paper = Image.new("RGBA", image.size, (255, 255, 255, 255))
        grey = np.asarray(Image.alpha_composite(paper, image.convert("RGBA")).convert("L"), dtype=float) / 255.0
    if min(grey.shape) < 2:
        raise BadInput("the picture is less than two points high or wide", where=where)
    return np.clip(grey, 0.0, 1.0)
