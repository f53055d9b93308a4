"""Reading TOML files so that each mistake ends in one line naming file, place, found and accepted."""

from __future__ import annotations

import difflib
import os
import tempfile
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from roof3d.errors import InputError

LARGEST = 4_000_000
"""Bytes; plans and rule sets are written by people, so anything larger is another kind of file."""


def read_toml(path: Path, what: str) -> tuple[dict[str, Any], bytes]:
    """The tables of a TOML file and its bytes; ``what`` names the kind of file in messages.

    Raises ``InputError`` when the file is missing, a folder, too large, not UTF-8 or not TOML.
    """
    accepted = f"a TOML file with {what}"
    if path.is_dir():
        raise InputError(str(path), "", "a folder", accepted)
    try:
        size = path.stat().st_size
        if size > LARGEST:
            raise InputError(str(path), "", f"a file of {size} bytes", f"{accepted}, up to {LARGEST} bytes")
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError(str(path), "", "no such file", accepted) from None
    except OSError as error:
        raise InputError(str(path), "", error.strerror or "an unreadable file", accepted) from None
    except ValueError:
        raise InputError(repr(str(path)), "", "a name that no file can have", accepted) from None
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(str(path), f"line {line}", "bytes that are not UTF-8", accepted) from None
    try:
        return tomllib.loads(text), data
    except tomllib.TOMLDecodeError as error:
        message, _, place = str(error).partition(" (at ")
        where = place.rstrip(")") if place.startswith("line") else f"line {text.count(chr(10)) + 1}"
        raise InputError(str(path), where, message[:1].lower() + message[1:], accepted) from None
    except RecursionError:
        raise InputError(str(path), "", "tables nested too deeply", accepted) from None


def unknown(file: str, place: str, key: str, known: Iterable[str], what: str = "key") -> InputError:
    """The error for a name that is not known, suggesting the nearest one that is."""
    names = list(known)
    folded = {name.lower().replace("-", "_"): name for name in names}
    near = difflib.get_close_matches(key.lower().replace("-", "_"), list(folded), n=1, cutoff=0.6)
    meant = f"{folded[near[0]]!r} (nearest), or " if near else ""
    return InputError(file, place, f"unknown {what} {key!r}", f"{meant}any of {', '.join(sorted(names))}")


def describe(value: object) -> str:
    """A TOML value as it is named in messages, short."""
    kinds = {bool: "true or false", dict: "a table", list: "a list", str: "text"}
    if isinstance(value, dict):
        return kinds[dict]
    shown = repr(value) if not isinstance(value, bool) else str(value).lower()
    return shown if len(shown) <= 60 else shown[:57] + "..."


def replace_file(path: Path, text: str) -> None:
    """Writes a file whole or not at all."""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".tmp")
    except OSError as error:
        found = error.strerror or "an error"
        raise InputError(str(path), "", found, "a file in a folder that can be written to") from None
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
            stream.write(text)
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
        Path(name).chmod(mode)
        os.replace(name, path)  # noqa: PTH105  (atomic on one file system)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
