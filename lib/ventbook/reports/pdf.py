"""The page as PDF: page body to Typst source to a tagged PDF (PDF/UA-1), by packages that pip installs.

Same page, same bytes: fonts come with the packages and not from the machine, and the document's date is the date of
the records.
"""

from __future__ import annotations

import copy
import re
import tempfile
from functools import cache
from pathlib import Path

from .document import Document
from .html import TEMPLATES
from .task import PAPERS
from .typst_text import Writer, font_folder, string


def typst_source(document: Document, folder: Path, *, scope: str, stamp: str, paper: str) -> str:
    """The Typst source of a page; its pictures are written into ``folder``."""
    if paper not in PAPERS:
        raise ValueError(f"paper must be one of {', '.join(PAPERS)}; got {paper!r}")
    body = copy.copy(document.body)
    formulas = sorted({str(tag.get("alttext", "")) for tag in body.find_all("math")} - {""})
    known = dict(zip(formulas, set_formulas(tuple(formulas)), strict=True))
    writer = Writer(folder, lambda tex: known.get(tex, string(tex)))
    source = (TEMPLATES / "report.typ").read_text("utf-8")
    day = re.search(r"records as of (\d{4})-(\d\d)-(\d\d)", stamp)
    date = f"datetime(year: {int(day[1])}, month: {int(day[2])}, day: {int(day[3])})" if day else "none"
    title = string(f"{document.title}, {scope}")
    words = {"TITLE": title, "DATE": date, "PAPER": f'"{PAPERS[paper]}"', "STAMP": string(stamp)}
    source = re.sub(r"\b(TITLE|DATE|PAPER|STAMP)\b", lambda match: words[match[1]], source)
    return source + writer.blocks(body)


@cache
def set_formulas(formulas: tuple[str, ...]) -> tuple[str, ...]:
    """TeX formulas as Typst math (without the dollar signs), all in one call of pandoc.

    A formula that doesn't come through is set as its TeX text.
    """
    if not formulas:
        return ()
    import pypandoc

    text = "\n\n".join(f"${' '.join(tex.split())}$" for tex in formulas)
    made = pypandoc.convert_text(text, "typst", format="markdown", extra_args=["--wrap=none"])
    blocks = [block.strip() for block in made.strip().split("\n\n")]
    if len(blocks) != len(formulas):
        return tuple(string(tex) for tex in formulas)
    return tuple(
        block[1:-1].strip() if re.fullmatch(r"\$[^$]+\$", block) else string(tex)
        for block, tex in zip(blocks, formulas, strict=True)
    )


def write_pdf(path: Path, document: Document, *, scope: str, stamp: str, paper: str) -> None:
    """Writes the page as a tagged PDF/UA-1 file."""
    import typst

    with tempfile.TemporaryDirectory(prefix="ventbook-") as made:
        folder = Path(made)
        source = typst_source(document, folder, scope=scope, stamp=stamp, paper=paper)
        main = folder / "report.typ"
        main.write_text(source, encoding="utf-8", newline="")
        data = typst.compile(
            str(main),
            root=str(folder),
            font_paths=[str(font_folder())],
            ignore_system_fonts=True,
            format="pdf",
            pdf_standards=["ua-1"],
            timestamp=0,
        )
    assert isinstance(data, bytes)
    path.write_bytes(data)
