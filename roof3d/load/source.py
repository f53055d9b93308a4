"""A model file as bytes, with the limits and checks that every reader shares.

Readers get a ``Source`` and give back a ``Soup``: triangles as the file has them, nothing repaired.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from roof3d.errors import InputError
from roof3d.records import Floats, Ints

# A file is refused before memory is taken for it. One building has some thousand triangles, a
# photogrammetric block some million.
MAX_FILE_BYTES = 1 << 30
MAX_JSON_BYTES = 256 << 20
MAX_TRIANGLES = 10_000_000
MAX_VERTICES = 30_000_000
MAX_CORNERS = 10_000  # of one polygon
MAX_COORDINATE = 1e12  # file units, whatever they are; metres are checked more closely later


def many(count: int, noun: str) -> str:
    """A count with its noun: "1 triangle", "2 triangles", "3 vertices"."""
    if count == 1:
        return f"1 {noun}"
    return f"{count} {noun[:-2]}ices" if noun.endswith("ex") else f"{count} {noun}s"


def as_floats(values: Any) -> Floats:
    """Array of doubles."""
    return np.asarray(values, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Soup:
    """Triangles of a file in the file's own unit and axes."""

    vertices: Floats  # (n, 3)
    triangles: Ints  # (m, 3)
    parts: Ints  # (m,)
    names: tuple[str, ...]
    unit: str | None = None  # what the format, or the file, says
    up: str | None = None
    unit_per_file: str = ""  # where ``unit`` is known from, for messages
    empty: int = 0  # polygons without area, which gave no triangle
    warps: Floats = field(default_factory=lambda: np.zeros(0))  # how far each polygon is off its plane
    step: float = 0.0  # greatest gap between storable coordinates, file units (32-bit floats)
    notes: tuple[str, ...] = ()  # what was passed over, without loss of geometry
    doubts: tuple[str, ...] = ()  # what may be missing or wrong


@dataclass(frozen=True, eq=False)
class Source:
    """The bytes of one file and its name in messages."""

    path: Path
    name: str
    data: bytes

    @property
    def sha256(self) -> str:
        """Hexadecimal digest of the bytes."""
        return hashlib.sha256(self.data).hexdigest()

    def fail(self, place: str, found: str, accepted: str) -> NoReturn:
        """Raise the one line that a person sees."""
        raise InputError(self.name, place, found, accepted)

    def text(self) -> str:
        """The bytes as UTF-8, a byte order mark dropped."""
        if b"\0" in self.data[:4096]:
            self.fail("", "binary data", "text in UTF-8")
        try:
            return self.data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            self.fail(f"byte {error.start}", "what is not UTF-8", "text in UTF-8")

    def json(self, data: bytes | str, place: str = "") -> Any:
        """Parsed JSON; NaN, infinities and excess are refused."""
        if len(data) > MAX_JSON_BYTES:
            self.fail(place, f"{len(data)} bytes of JSON", f"at most {MAX_JSON_BYTES}")

        def constant(text: str) -> NoReturn:
            self.fail(place, f"the number {text}", "finite numbers")

        try:
            return json.loads(data, parse_constant=constant)
        except RecursionError:
            self.fail(place, "JSON nested too deeply", "a plain JSON document")
        except UnicodeDecodeError as error:
            self.fail(place, f"what is not UTF-8 at byte {error.start}", "JSON in UTF-8")
        except ValueError as error:
            self.fail(place, f"no JSON ({error})", "a JSON document")

    def need_count(self, count: int, limit: int, place: str, what: str) -> None:
        """Refuse negative and absurd counts."""
        if not 0 <= count <= limit:
            self.fail(place, f"{count} {what}", f"0 to {limit}")

    def need_corners(self, counts: Ints, place: str = "face") -> None:
        """Refuse polygons with so many corners that cutting them would not end in time."""
        if len(counts) and int(counts.max()) > MAX_CORNERS:
            face = int(np.argmax(counts))
            self.fail(f"{place} {face + 1}", f"{int(counts[face])} corners", f"at most {MAX_CORNERS}")

    def need_finite(self, vertices: Floats, place: str = "vertex") -> None:
        """Refuse NaN, infinities and absurd coordinates; vertices are counted from 1."""
        with np.errstate(invalid="ignore"):
            wrong = ~(np.abs(vertices) <= MAX_COORDINATE).all(axis=1)
        if wrong.any():
            row = int(np.argmax(wrong))
            found = " ".join(f"{value:g}" for value in vertices[row])
            self.fail(f"{place} {row + 1}", f"the coordinates {found}", "finite numbers")

    def need_indices(self, indices: Ints, count: int, place: str = "face") -> None:
        """Refuse corners that no vertex has; faces are counted from 1, indices from 0."""
        wrong = (indices < 0) | (indices >= count)
        if wrong.any():
            rows = indices.reshape(len(indices), -1)
            row = int(np.argmax(wrong.reshape(len(indices), -1).any(axis=1)))
            self.fail(
                f"{place} {row + 1}",
                f"a vertex index out of range ({rows[row].tolist()} of {count} vertices)",
                f"0 to {count - 1}" if count else "vertices before faces",
            )


def open_source(path: Path) -> Source:
    """Read a file into memory within limits; raises ``InputError``."""
    name = str(path)

    def fail(found: str, accepted: str) -> NoReturn:
        raise InputError(name, "", found, accepted)

    try:
        if path.is_dir():
            fail("a folder", "a model file")
        if not path.exists():
            fail("no such file", "the path of a model file")
        if not path.is_file():
            fail("a device or pipe", "a model file")
        size = path.stat().st_size
        if size == 0:
            fail("an empty file", "a model file")
        if size > MAX_FILE_BYTES:
            fail(f"{size} bytes", f"at most {MAX_FILE_BYTES} bytes")
        return Source(path=path, name=name, data=path.read_bytes())
    except (OSError, ValueError) as error:  # ValueError: a NUL in the path
        fail(f"a file that cannot be read ({getattr(error, 'strerror', None) or error})", "a readable file")
