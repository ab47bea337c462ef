"""The seal: a fingerprint of everything a proof was made for, one part at a time, so that a change can be named.

A seal is one line: 'newel-seal-1 WHOLE part=DIGEST …'. WHOLE is the SHA-256 (FIPS 180-4) of the parts' digests; each
part's digest is shortened to 16 hexadecimal digits, enough to tell which part changed.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterable
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

import numpy as np

from newel.core.errors import BadInput

FORMAT = "newel-seal-1"
_SHORT = 16


def seal_of(parts: dict[str, Any]) -> str:
    """Return the seal of named parts: texts, numbers, arrays, None, frozen dataclasses, and tuples, lists or dicts of these."""
    digests = {name: hashlib.sha256(b"".join(_bytes(value))).hexdigest() for name, value in sorted(parts.items())}
    whole = hashlib.sha256("\n".join(f"{name} {digest}" for name, digest in digests.items()).encode()).hexdigest()
    return " ".join([FORMAT, whole, *(f"{name}={digest[:_SHORT]}" for name, digest in digests.items())])


def what_changed(sealed: str, now: str) -> tuple[str, ...]:
    """Return the names of the parts that differ between two seals, empty where the seal still fits; BadInput for no seal."""
    old_whole, old = _read(sealed)
    new_whole, new = _read(now)
    if old_whole == new_whole:
        return ()
    names = tuple(name for name in sorted(old.keys() | new.keys()) if old.get(name) != new.get(name))
    return names or ("seal",)


def _read(seal: str) -> tuple[str, dict[str, str]]:
    words = seal.split()
    if len(words) < 2 or words[0] != FORMAT or any("=" not in word for word in words[2:]):
        raise BadInput("this is not a seal", remedy="prove the program again")
    return words[1], dict(word.split("=", 1) for word in words[2:])


def _bytes(value: Any) -> Iterable[bytes]:
    """Yield canonical bytes: a letter for the kind, the length where it varies, the value; -0.0 is 0.0 and every nan is one."""
    if value is None:
        yield b"n"
    elif isinstance(value, bool):
        yield b"b1" if value else b"b0"
    elif isinstance(value, Enum):
        yield from _bytes(value.value)
    elif isinstance(value, (int, np.integer)):
        yield f"i{int(value)};".encode()
    elif isinstance(value, (float, np.floating)):
        number = float(value) + 0.0
        yield b"f" + struct.pack("<d", float("nan") if number != number else number)
    elif isinstance(value, str):
        raw = value.encode("utf-8", "surrogatepass")
        yield f"s{len(raw)}:".encode() + raw
    elif isinstance(value, np.ndarray):
        flat = np.ascontiguousarray(value)
        if flat.dtype.kind == "f":
            flat = flat.astype("<f8") + 0.0
            flat[np.isnan(flat)] = np.nan
        else:
            flat = flat.astype("<i8")
        yield f"a{flat.dtype.kind}{flat.shape}:".encode() + flat.tobytes()
    elif is_dataclass(value):
        yield f"d{type(value).__name__}{len(fields(value))}:".encode()
        for field in fields(value):
            yield from _bytes(field.name)
            yield from _bytes(getattr(value, field.name))
    elif isinstance(value, dict):
        yield f"m{len(value)}:".encode()
        for key in sorted(value):
            yield from _bytes(key)
            yield from _bytes(value[key])
    elif isinstance(value, (tuple, list)):
        yield f"t{len(value)}:".encode()
        for item in value:
            yield from _bytes(item)
    else:
        raise TypeError(f"a seal can't hold {type(value).__name__}")
