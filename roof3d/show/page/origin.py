"""Which sources the built front end was built from: hashes beside it, so that a test can tell."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

FOLDER = Path(__file__).parent
RECORD = FOLDER / "built" / "origin.json"
BUILD_FILES = ("package.json", "package-lock.json", "tsconfig.json", "vite.config.js")


def hashes(folder: Path = FOLDER) -> dict[str, dict[str, str]]:
    """SHA-256 of all sources and of what was built from them, by path below ``folder``."""
    sources = [*(folder / name for name in BUILD_FILES), *(folder / "src").rglob("*.*")]
    built = [folder / "built" / name for name in ("page.js", "page.css")]
    return {
        part: {
            path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(paths)
            if path.is_file()
        }
        for part, paths in (("sources", sources), ("built", built))
    }


if __name__ == "__main__":
    RECORD.write_text(json.dumps(hashes(), indent=1) + "\n", encoding="utf-8")
