"""What a file may ask for (``data/bounds.toml``), and a first opening of it in a process of its own.

A library that reads a foreign format may take all memory, hang or fall over on a hostile file. So a child process opens
the file first, with memory and time bounded by the system; what becomes of it is told in one line.
"""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from ventbook import tables
from ventbook.errors import InputError
from ventbook.tables.reader import read_rows

CHILD = Path(__file__).with_name("first_opening.py")
TOO_MUCH = 3  # exit code of the child: out of memory


@dataclass(frozen=True)
class Bound:
    """One bound and why it lies there."""

    name: str
    value: int
    reason: str


@cache
def load_bounds() -> dict[str, Bound]:
    """The bounds by name."""
    rows = read_rows(tables.DATA / "bounds.toml", "bound", Bound, unique=True)
    return {row.name: row for row in rows}


def bound(name: str) -> int:
    """The value of one bound."""
    return load_bounds()[name].value


def check_width(width: int, where: str) -> None:
    """InputError where a table has more columns than any record form."""
    most = bound("columns")
    if width > most:
        raise InputError(
            f"{where}: has {width:,} columns (at most {most:,}); hand in the columns that hold records"
        )


def open_in_child(path: Path, kind: str) -> None:
    """Open a ``workbook`` or ``parquet`` file in a child process first.

    InputError where that takes more memory or time than the bounds, spans more cells, or ends the child. What the
    reader says of a file that it can't read is left to the reading itself.
    """
    limits = [str(bound(name)) for name in ("reader_memory", "reader_seconds", "parquet_tried")]
    try:
        done = subprocess.run(
            [sys.executable, "-I", str(CHILD), kind, str(path.resolve()), *limits],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=bound("reader_seconds"),
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise InputError(
            f"{path.name}: takes longer than {bound('reader_seconds')} s to open; not read, hand in CSV"
        ) from None
    if done.returncode == TOO_MUCH or "memory allocation" in done.stderr:
        raise InputError(
            f"{path.name}: asks for more than {bound('reader_memory') >> 30} GB of memory; not read, hand in CSV"
        )
    if done.returncode == 0 and done.stdout.strip().isdigit() and int(done.stdout) > bound("sheet_cells"):
        raise InputError(
            f"{path.name}: a sheet spans {int(done.stdout):,} cells (at most {bound('sheet_cells'):,}); clear the stray "
            "cells far from the table, or hand in CSV"
        )
    if done.returncode < 0 or done.returncode > TOO_MUCH:
        raise InputError(
            f"{path.name}: the reader stopped on it (code {done.returncode}); the file is damaged or hostile, save it again "
            "or hand in CSV"
        )
