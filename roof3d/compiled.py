"""Throws away compiled code that is older than any source it may have been compiled from.

numba keeps compiled functions by the file they stand in; a function that was compiled into another
file's function is not noticed when it changes. So the folder's sources are stamped as a whole.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from pathlib import Path


def discard_stale(folder: Path) -> None:
    """Remove compiled code from ``folder`` unless it was made from the sources as they are now."""
    digest = hashlib.sha256()
    for source in sorted(folder.glob("*.py")):
        text = source.read_bytes()
        if b"@njit" in text:
            digest.update(text)
    places = [folder / "__pycache__"]
    if os.environ.get("NUMBA_CACHE_DIR"):
        places = []  # its owner's business
    for place in places:
        stamp = place / "compiled.stamp"
        with contextlib.suppress(OSError):
            if stamp.is_file() and stamp.read_text() == digest.hexdigest():
                continue
            for old in (*place.glob("*.nbi"), *place.glob("*.nbc")):
                old.unlink(missing_ok=True)
            place.mkdir(exist_ok=True)
            stamp.write_text(digest.hexdigest())
