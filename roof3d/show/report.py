"""The report: one page that decides, then the evidence, as PDF or HTML.

Words and numbers reach the typesetter as data, never pasted into its language, so that a name such
as ``#panic`` or ``<script>`` stays a name.
"""

from __future__ import annotations

import json
import tempfile
from importlib import resources
from pathlib import Path
from typing import Any

from roof3d.errors import InputError
from roof3d.records import Roof
from roof3d.show.evidence import report_document
from roof3d.show.glyphs import family, own_fonts, readable
from roof3d.show.picture import draw_picture
from roof3d.show.scene import as_written, make_scene
from roof3d.show.words import load_texts
from roof3d.units import System

PAPERS = {"a4": "a4", "letter": "us-letter"}
PICTURE = "picture.png"
FONTS = ["DejaVu Sans", "Libertinus Serif"]
FIXED = ["DejaVu Sans Mono"]


def write_report(
    result: dict[str, Any],
    roof: Roof | None,
    path: str | Path,
    *,
    units: System = "m",
    paper: str | None = None,
    language: str | Path = "en",
    picture_size: tuple[int, int] = (2400, 1320),
) -> str:
    """Writes the report of a result (design: result file); ``.pdf`` or ``.html`` by suffix.

    ``paper``: a4 or letter (default: by ``units``). PDF is PDF/UA-1, same bytes for the same input.
    Returns "" or the reason why the picture lacks its 3D view. Raises InputError for an unknown
    suffix or paper, and where nothing can be written; nothing is left half written.
    """
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix not in (".pdf", ".html"):
        raise InputError(str(path), "report", f"suffix {path.suffix!r}", ".pdf, .html")
    name = paper or ("letter" if units == "ft" else "a4")
    if name not in PAPERS:
        raise InputError(str(path), "paper", repr(paper), ", ".join(PAPERS))
    scene = make_scene(result, roof)
    texts = load_texts(language)
    with as_written(result):
        document = report_document(scene, texts, units, PICTURE, PAPERS[name])
    with tempfile.TemporaryDirectory(prefix="roof3d-") as folder:
        picture = Path(folder) / PICTURE
        reason = draw_picture(
            result, roof, picture, size=picture_size, units=units, view="views", language=language
        )
        if suffix == ".pdf":
            data = _pdf(document, Path(folder))
        else:
            from roof3d.show.webpage import document_to_html

            data = document_to_html(document, picture.read_bytes())
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise InputError(str(path), "report", str(error), "a place that can be written") from error
    return reason


def _pdf(document: dict[str, Any], folder: Path) -> bytes:
    import typst

    template = folder / "report.typ"
    template.write_text((resources.files("roof3d.show") / "report.typ").read_text("utf-8"), "utf-8")
    document, more = readable(document)
    names = [family(font) for font in more]
    data = {**document, "fonts": [*FONTS, *names], "fixed": [*FIXED, *names]}
    folders = [folder for folder in (own_fonts(), *(font.parent for font in more)) if folder is not None]
    compiled = typst.compile(
        str(template),
        root=str(folder),
        format="pdf",
        font_paths=[str(folder) for folder in dict.fromkeys(folders)],
        ignore_system_fonts=True,
        sys_inputs={"document": json.dumps(data, ensure_ascii=False)},
        pdf_standards=["ua-1"],
    )
    return bytes(compiled)
