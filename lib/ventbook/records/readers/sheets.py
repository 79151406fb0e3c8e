"""What a reader hands to intake: one sheet, its fields, and its rows as batches of text cells with line numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from ventbook.tables import Column, Table


@dataclass(frozen=True)
class Field:
    """One column of a sheet: its own header, the dictionary's column it fills (None: not known), its unit. ``holds`` is
    what the mapping says of a column that is not known: "names" of persons, or "plain" text without any.
    """

    header: str
    column: Column | None = None
    unit: str = ""
    holds: str = ""


@dataclass(frozen=True)
class FileNote:
    """Something to report once a file: an issue code and the particulars its text needs."""

    code: str
    column: str = ""
    value: str = ""
    line: int | None = None
    particulars: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Batch:
    """Some rows of a sheet. ``cells`` has one Arrow array a field (text; None = empty cell; numbers, truth values
    and dates stay typed where the file is typed), ``lines`` the line or row each stood on, 1 = first line of the
    file. ``faults`` maps positions of rows that could not be split into cells to (code, text of the row), ``said`` those
    of them whose sentence needs more to the particulars.
    """

    lines: pa.Array
    cells: list[pa.Array]
    faults: dict[int, tuple[str, str]] = field(default_factory=dict)
    said: dict[int, dict[str, Any]] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        return len(self.lines)


ReadBlock = Callable[[Sequence[pa.DataType | None]], list[Batch]]
"""Reads a piece of a file, each field as the Arrow type given for it (None: text); pa.ArrowInvalid where a cell isn't one."""


@dataclass
class LineCount:
    """What the physical lines of a text file are, besides rows: ``above`` the headers, ``header``, ``blank``, and
    ``continued`` (further lines of a cell in quotation marks). ``lines`` counts all, told from the line ends alone.
    """

    lines: int = 0
    above: int = 0
    header: int = 0
    blank: int = 0
    continued: int = 0


@dataclass
class Sheet:
    """One table as it was handed in. ``batches`` reads all rows; ``read_lines``, where a file can do that faster,
    only those on the given lines (rising numbers), which it may return in another order. ``blocks``, where a file can be
    read in pieces apart, gives one function a piece, in order, to be called on any thread. ``count`` is a text file's
    count of lines, whole once ``batches`` has been read to its end; ``account`` the same with the rows, made at intake.
    """

    table: Table
    path: Path
    sheet: str
    fields: list[Field]
    batches: Callable[[], Iterator[Batch]]
    decimal: str = "."
    date_form: str = ""
    codes: dict[str, dict[str, str]] = field(default_factory=dict)
    notes: list[FileNote] = field(default_factory=list)
    sha256: str = ""
    size: int = 0
    read_lines: Callable[[np.ndarray], Iterator[Batch]] | None = None
    blocks: Callable[[], Iterator[ReadBlock]] | None = None
    count: LineCount | None = None
    account: dict[str, int] | None = None
    shown: str = ""  # the file's name as it may be written down, where that is another
    prefix: dict[str, str] = field(default_factory=dict)
    confirmed: list[str] = field(default_factory=list)  # quantities whose unit a person has confirmed
    converted: list[Any] | None = None  # what intake makes of the batches, where a worker has done so

    @property
    def file(self) -> str:
        return self.shown or self.path.name

    @property
    def where(self) -> str:
        return f"{self.file}, sheet {self.sheet}" if self.sheet else self.file


def text_array(values: list[str | None]) -> pa.Array:
    """A text column; empty text is an empty cell."""
    return pa.array([value if value else None for value in values], pa.string())


def rows_to_batch(
    rows: list[list[str]], lines: list[int], width: int, swallowed: dict[int, dict[str, int]] | None = None
) -> Batch:
    """Rows of text cells as a batch of ``width`` fields.

    Cells missing or filled beyond the width make the row a fault: the cells can't be told apart for certain.
    Empty cells beyond the width are the spreadsheet's trailing separators and mean nothing. ``swallowed`` are the rows
    that a quotation mark ran over, with the lines from ``low`` to ``high`` that it holds together.
    """
    faults: dict[int, tuple[str, str]] = {}
    swallowed = swallowed or {}
    for position, row in enumerate(rows):
        if position in swallowed:
            faults[position] = ("lines_swallowed", " | ".join(row))
            rows[position] = (row + [""] * width)[:width]
            continue
        if len(row) == width:
            continue
        if len(row) > width and not any(cell.strip() for cell in row[width:]):
            rows[position] = row[:width]
            continue
        faults[position] = ("wrong_cell_count", " | ".join(row))
        rows[position] = (row + [""] * width)[:width]
    columns = zip(*rows, strict=True) if rows else [()] * width
    cells = [text_array(list(column)) for column in columns]
    return Batch(pa.array(lines, pa.int64()), cells, faults, dict(swallowed))
