"""Preparations kept on disk by the content they were made from, as plain arrays: nothing in them is run.

The folder is ``$ROOF3D_CACHE``, else ``roof3d`` in the user's cache folder; ``ROOF3D_CACHE=off`` turns it
off. A file's name is the hash of the mesh, the ground and the sources of this package, so that no
other mesh and no other version finds it. A file that cannot be read is made anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
import typing
import zipfile
from dataclasses import fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from roof3d.records import Mesh

FROM_TRIANGLES = 100  # smaller meshes are prepared faster than a file is found
FILES_MOST = 60  # the oldest go ...
BYTES_MOST = 500_000_000  # ... until no more than this is kept either


def folder() -> Path | None:
    """Where preparations are kept; None where they are not."""
    named = os.environ.get("ROOF3D_CACHE", "")
    if named.lower() in ("off", "no", "0"):
        return None
    if named:
        return Path(named)
    home = os.environ.get("XDG_CACHE_HOME")
    try:
        return (Path(home) if home else Path.home() / ".cache") / "roof3d"
    except RuntimeError:  # a user without a home
        return None


@cache
def _sources() -> bytes:
    digest = hashlib.sha256(np.__version__.encode())
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    return digest.digest()


def key(mesh: Mesh, ground: float) -> str:
    """Hash of all that a preparation depends on."""
    digest = hashlib.sha256(_sources())
    for array in (mesh.vertices, mesh.triangles, mesh.oriented):
        plain = np.ascontiguousarray(array)
        digest.update(f"{plain.dtype.str}{plain.shape}".encode())
        digest.update(plain.data)
    digest.update(np.float64(ground).tobytes())
    return digest.hexdigest()


def _flat(record: Any, before: str, kept: dict[str, np.ndarray]) -> None:
    for field in fields(record):
        value = getattr(record, field.name)
        name = f"{before}{field.name}"
        if is_dataclass(value):
            _flat(value, f"{name}.", kept)
        elif isinstance(value, np.ndarray | float | int | bool):
            kept[name] = np.asarray(value)


def _built(kind: Any, before: str, kept: dict[str, np.ndarray]) -> Any:
    hints = typing.get_type_hints(kind)
    values: dict[str, Any] = {}
    for field in fields(kind):
        name = f"{before}{field.name}"
        hint = hints[field.name]
        if is_dataclass(hint):
            values[field.name] = _built(hint, f"{name}.", kept)
        elif hint in (float, int, bool):
            values[field.name] = hint(kept[name])
        elif name in kept:
            values[field.name] = kept[name]
    return kind(**values)


def read(kind: type[Any], name: str) -> Any | None:
    """The record of ``kind`` that was kept under a key, or None."""
    place = folder()
    if place is None:
        return None
    path = place / f"{name}.npz"
    # damaged, cut off, or of another make: made anew
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile):
        with np.load(path, allow_pickle=False) as archive:
            made = _built(kind, "", {entry: archive[entry] for entry in archive.files})
        with contextlib.suppress(OSError):
            os.utime(path)
        return made
    return None


def write(record: Any, name: str) -> None:
    """Keep a record's arrays under a key; a folder that cannot be written to is left alone."""
    place = folder()
    if place is None:
        return
    kept: dict[str, np.ndarray] = {}
    _flat(record, "", kept)
    with contextlib.suppress(OSError, RuntimeError):
        place.mkdir(parents=True, exist_ok=True)
        handle, half = tempfile.mkstemp(suffix=".part", dir=place)
        try:
            with os.fdopen(handle, "wb") as file:
                np.savez(file, **kept)  # type: ignore[arg-type]
            Path(half).replace(place / f"{name}.npz")
        finally:
            Path(half).unlink(missing_ok=True)
        newest = sorted(place.glob("*.npz"), key=lambda p: p.stat().st_mtime, reverse=True)
        total = 0
        for number, old in enumerate(newest):
            total += old.stat().st_size
            if number >= FILES_MOST or (number and total > BYTES_MOST):
                old.unlink(missing_ok=True)
