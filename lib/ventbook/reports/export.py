"""The exports of one report, all from the blocks of its executed notebook: nothing is run or computed again."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import nbformat

from ventbook.document import Blocks, Document, arrange_page, find_closing, read_blocks
from ventbook.document.blocks import Cautions, Closing, Figure, Finding, Numbers, Pairs
from ventbook.document.findings import finding_row, write_files
from ventbook.document.html import report_html
from ventbook.document.typst import PAPERS, write_pdf
from ventbook.document.xlsx import write_workbook
from ventbook.errors import InputError

from .comments import comments_for, make_remarks, read_comments
from .task import check_writable, default_paper


def stamp_line(stamp: Mapping[str, Any]) -> str:
    """One line that says what a page was made from."""
    library = f"ventbook {stamp['versions'].get('ventbook', '')} {stamp['commit']}".strip()
    return (
        f"{stamp['report']}, snapshot {stamp['snapshot']}, records as of {stamp['today']}, "
        f"limits {stamp['limits']['revision']}, {library}"
    )


def list_findings(blocks: Blocks) -> tuple[Finding, ...]:
    """All findings of a finished page."""
    return next((block.findings for block in reversed(blocks) if isinstance(block, Numbers)), ())


def make_document(blocks: Blocks, closing: Closing, *, comments: Path | None = None) -> Document:
    """The page of a finished notebook's blocks, with the team's comments from their file."""
    remarks = {}
    if comments is not None:
        chosen = comments_for(read_comments(comments), closing.stamp["report"], closing.period["label"])
        rows = [finding_row(finding) for finding in list_findings(blocks)]
        remarks = make_remarks(chosen, rows, units=closing.units)
    return arrange_page(blocks, title=closing.title, remarks=remarks)


def write_exports(
    folder: Path,
    blocks: Blocks,
    closing: Closing,
    *,
    paper: str,
    comments: Path | None = None,
    tell: Callable[[str, float], None] = lambda what, share: None,
) -> None:
    """Writes report.html, report.pdf, tables.xlsx, findings.json, tables/*.csv and figures/*.svg into ``folder``."""
    findings = list_findings(blocks)
    write_files(
        folder, closing, findings, {block.name: block for block in blocks if isinstance(block, Figure)}
    )
    document = make_document(blocks, closing, comments=comments)
    stamp = stamp_line(closing.stamp)
    tell("HTML", 0.9)
    page = report_html(document, scope=closing.scope, stamp=stamp)
    (folder / "report.html").write_text(page, encoding="utf-8", newline="")
    tell("workbook", 0.93)
    cautions: Sequence[str] = [
        text for block in blocks if isinstance(block, Cautions) for text in block.texts
    ]
    pairs = [pair for block in blocks if isinstance(block, Pairs) for pair in block.rows]
    write_workbook(folder / "tables.xlsx", closing, findings=findings, cautions=cautions, pairs=pairs)
    tell("PDF", 0.95)
    write_pdf(
        folder / "report.pdf",
        document,
        scope=closing.scope,
        stamp=stamp,
        day=closing.stamp["today"],
        paper=paper,
    )


def export_notebook(notebook: Path, out: Path, *, paper: str = "", comments: Path | None = None) -> Path:
    """Exports an executed notebook again, without running it; returns the page.

    The same files come out as when the report was run. Raises InputError with one line when the file is no notebook,
    was not run, or ended without finishing its page.
    """
    if paper not in ("", *PAPERS):
        raise InputError(f"paper must be {' or '.join(PAPERS)}; got {paper!r}")
    try:
        content = nbformat.read(notebook, as_version=4)
    except OSError as error:
        raise InputError(f"notebook {notebook} can't be read ({error.strerror})") from None
    except Exception as error:
        raise InputError(f"{notebook} is not a notebook ({type(error).__name__})") from None
    try:
        blocks = read_blocks(content)
    except InputError as error:
        raise InputError(f"{notebook}, {error}") from None
    closing = find_closing(blocks)
    if closing is None:
        raise InputError(
            f"{notebook} holds no finished page: run it to its last cell, page.finish(), and save it with its outputs"
        )
    check_writable(out)
    write_exports(out, blocks, closing, paper=paper or default_paper(closing.units), comments=comments)
    return out / "report.html"
