"""The small example that stands in the repository: one report of the demo, and pictures of first pages for the README.

Pictures are set by the same writer as the PDF, so that no browser is needed.
"""

from __future__ import annotations

import io
import shutil
from pathlib import Path

from ventbook.document import find_closing, read_blocks
from ventbook.document.typst import compile_pages
from ventbook.errors import InputError

from .export import make_document, stamp_line
from .stamp import read_run

PICTURED = ("quarterly-review", "spongy-lifters", "planned-venting")
KEPT = ("report.html", "findings.json")
COLORS = 48


def draw_first_page(folder: Path, path: Path, *, ppi: float = 72.0) -> Path:
    """The first page of a finished report as PNG, ``ppi`` pixels an inch."""
    import nbformat
    from PIL import Image

    run = read_run(folder)
    blocks = read_blocks(nbformat.read(folder / "report.ipynb", as_version=4))
    closing = find_closing(blocks)
    if closing is None:
        raise InputError(f"{folder / 'report.ipynb'} holds no finished page")
    pages = compile_pages(
        make_document(blocks, closing),
        scope=closing.scope,
        stamp=stamp_line(closing.stamp),
        day=closing.stamp["today"],
        paper=run["paper"],
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
