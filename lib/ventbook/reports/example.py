"""The small example that stands in the repository: one report of the demo, and pictures of first pages for the README.

Pictures are set by the same writer as the PDF, so that no browser is needed.
"""

from __future__ import annotations

import io
import json
import shutil
import tempfile
from pathlib import Path
from typing import Any

from .document import build_document
from .export import stamp_line
from .pdf import typst_source
from .stamp import read_run
from .typst_text import font_folder

PICTURED = ("quarterly-review", "spongy-lifters", "planned-venting")
KEPT = ("report.html", "findings.json")
COLORS = 48


def draw_first_page(folder: Path, path: Path, *, ppi: float = 72.0) -> Path:
    """The first page of a finished report as PNG, ``ppi`` pixels an inch."""
    import nbformat
    import typst
    from PIL import Image

    run = read_run(folder)
    findings = json.loads((folder / "findings.json").read_text("utf-8"))["findings"]
    document = build_document(
        nbformat.read(folder / "report.ipynb", as_version=4),
        title=run["title"],
        findings=findings,
        comments={},
        units=run["parameters"]["units"],
    )
    with tempfile.TemporaryDirectory(prefix="ventbook-") as made:
        work = Path(made)
        source = typst_source(document, work, scope=run["scope"], stamp=stamp_line(run), paper=run["paper"])
        (work / "report.typ").write_text(source, encoding="utf-8", newline="")
        pages: Any = typst.compile(
            str(work / "report.typ"),
            root=str(work),
            font_paths=[str(font_folder())],
            ignore_system_fonts=True,
            format="png",
            ppi=ppi,
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    with Image.open(io.BytesIO(pages[0] if isinstance(pages, list) else pages)) as picture:
        picture.convert("RGB").quantize(COLORS).save(path, optimize=True)
    return path


def make_example(out: Path, example: Path) -> list[Path]:
    """Pictures of first pages and one small report out of the reports in ``out``; returns what was written."""
    written = []
    for name in PICTURED:
        folders = sorted(path.parent for path in (out / name).glob("*/run.json"))
        if folders:
            written.append(draw_first_page(folders[-1], example / f"{name}.png"))
            if name == PICTURED[0]:
                for file in KEPT:
                    target = example / name / file
                    target.parent.mkdir(parents=True, exist_ok=True)
                    written.append(Path(shutil.copyfile(folders[-1] / file, target)))
    return written
