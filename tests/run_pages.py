"""Reports of a store without a kernel: the code cells of each notebook run in this process, in order.

What comes back is what a reader gets: the page with its findings and tables, the text of every cell, and, written
below ``out``, the same files that a report leaves behind (findings.json, CSV tables, figures, workbook).
"""

from __future__ import annotations

import ast
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import nbformat

from ventbook.document import find_closing
from ventbook.document.blocks import Cautions, Closing, Data, Pairs
from ventbook.document.consistency import find_faults
from ventbook.document.sequence import Blocks
from ventbook.document.xlsx import write_workbook
from ventbook.reports import report_specs
from ventbook.reports.page import Page
from ventbook.run.export import list_findings
from ventbook.shipped import NOTEBOOKS

REPORTS = tuple(report_specs())


@dataclass(frozen=True)
class RunPage:
    """One report as run: its page, what each cell showed, and where its files are."""

    page: Page
    shown: tuple[Blocks, ...]
    folder: Path

    @property
    def text(self) -> str:
        """Everything that the cells showed, as plain text."""
        return "\n\n".join(shown.text for shown in self.shown)

    @property
    def faults(self) -> list[str]:
        """What the page says against itself. The records page speaks of columns by the names that forms carry."""
        blocks = [block for shown in self.shown for block in shown]
        return find_faults(blocks, raw_names=() if self.folder.name == "records" else None)

    @property
    def findings(self) -> list[dict[str, Any]]:
        """The findings as they stand in findings.json."""
        return json.loads((self.folder / "findings.json").read_text("utf-8"))["findings"]

    @property
    def closing(self) -> Closing:
        """Answers, whole tables and stamp, as the page's end holds them."""
        closing = find_closing(self.shown[-1])
        assert closing is not None
        return closing

    @property
    def tables(self) -> dict[str, Data]:
        """The whole tables by name."""
        return {table.name: table for table in self.closing.tables}


def run_page(name: str, store: str | Path, out: str | Path, **given: Any) -> RunPage:
    """Runs the notebook of report ``name`` on a store, as ``ventbook report NAME`` does, in this process.

    ``given`` are the report's parameters (period, site, limits, ...). An unknown one, and everything that a cell
    raises, is raised here. The report's files are in ``out/NAME``.
    """
    folder = Path(out) / name
    given = {**given, "store": str(store), "out": str(folder)}
    space: dict[str, Any] = {"__name__": "__main__"}
    shown = []
    for cell in read_cells(report_specs()[name].notebook):
        exec(cell.body, space)
        if cell.is_parameters:
            if unknown := set(given) - set(space):
                raise TypeError(f"{name} takes no {', '.join(sorted(unknown))}")
            space.update(given)
        elif cell.last is not None and isinstance(value := eval(cell.last, space), Blocks):
            shown.append(value)
    closing = find_closing(shown[-1])
    assert closing is not None, f"{name} ended without finishing its page"
    cautions = [text for block in shown[-1] if isinstance(block, Cautions) for text in block.texts]
    pairs = [pair for block in shown[-1] if isinstance(block, Pairs) for pair in block.rows]
    write_workbook(
        folder / "tables.xlsx", closing, findings=list_findings(shown[-1]), cautions=cautions, pairs=pairs
    )
    return RunPage(space["page"], tuple(shown), folder)


def run_all_pages(
    store: str | Path, out: str | Path, *, names: Iterable[str] = REPORTS, **given: Any
) -> Mapping[str, RunPage]:
    """Runs several reports (default all) with the same parameters; by name."""
    return {name: run_page(name, store, out, **given) for name in names}


@dataclass(frozen=True)
class Cell:
    """A code cell made ready to run: its statements, and its last expression, which the notebook would show."""

    is_parameters: bool
    body: Any
    last: Any


@cache
def read_cells(notebook: str) -> tuple[Cell, ...]:
    """The code cells of a notebook in ``notebooks/``."""
    cells = []
    for number, cell in enumerate(nbformat.read(NOTEBOOKS / notebook, as_version=4).cells):
        if cell.cell_type != "code":
            continue
        tree = ast.parse(cell.source)
        last = None
        if tree.body and isinstance(tree.body[-1], ast.Expr):
            last = compile(ast.Expression(tree.body.pop().value), f"{notebook}:{number}", "eval")
        body = compile(tree, f"{notebook}:{number}", "exec")
        cells.append(Cell("parameters" in cell.metadata.get("tags", ()), body, last))
    return tuple(cells)
