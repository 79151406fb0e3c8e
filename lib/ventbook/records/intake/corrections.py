"""The corrections file: how an analyst accepts a correction without editing what the workshop sent.

A CSV with the columns file, sheet, line, column, old, new, why, role, and optionally intake (for rows already quarantined).
A correction is applied only where the cell still says ``old``; each one applied is an issue of severity note.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa

from ventbook.errors import InputError
from ventbook.records.intake.context import Fault
from ventbook.records.readers import Batch, Sheet

COLUMNS = ("file", "sheet", "line", "column", "old", "new", "why", "role")


@dataclass
class Correction:
    """One accepted correction. ``column`` is our column or the sheet's own header."""

    file: str
    sheet: str
    line: int
    column: str
    old: str
    new: str
    why: str
    role: str
    intake: int | None = None
    outcome: str = "no row with this address was handed in or is quarantined"


@dataclass
class Corrections:
    """All corrections of one intake."""

    rows: list[Correction] = field(default_factory=list)
    clean: Callable[[str], str] = str  # masks names, for file names are written down masked

    def find_rows(self, file: str, sheet: str) -> list[Correction]:
        """Those of one sheet."""
        place = (self.clean(file), self.clean(sheet))
        return [row for row in self.rows if (self.clean(row.file), self.clean(row.sheet)) == place]

    def unfit(self) -> list[Correction]:
        """Those that were not applied; ``outcome`` says why."""
        return [row for row in self.rows if row.outcome != "applied"]

    def apply(self, sheet: Sheet, batch: Batch) -> tuple[Batch, list[Fault]]:
        """The batch with its corrections made, and a note for each."""
        own = self.find_rows(sheet.file, sheet.sheet or "")
        if not own or not batch.rows:
            return batch, []
        lines = np.asarray(batch.lines)
        cells, faults = list(batch.cells), []
        for row in own:
            at = np.flatnonzero(lines == row.line)
            if not len(at) or row.outcome == "applied":
                continue
            position = _find_column(sheet, row.column)
            if position is None:
                row.outcome = f"there is no column {row.column!r}"
                continue
            column = cells[position]
            text = column if pa.types.is_string(column.type) else column.cast(pa.string())
            found = (text[int(at[0])].as_py() or "").strip()
            if found != row.old.strip() and not _is_corrected(sheet, position, found):
                row.outcome = f"the cell says {found[:50]!r} and not {row.old!r}"
                continue
            values = text.to_pylist()
            values[int(at[0])] = row.new or None
            cells[position] = pa.array(values, pa.string())
            row.outcome = "applied"
            words = {"old": row.old, "role": row.role, "why": row.why}
            column_of = sheet.fields[position].column
            same = column_of is not None and row.old.strip() == row.new.strip()
            name = column_of.name if same and column_of is not None else row.column
            code = "correction_confirmed" if same else "correction_applied"
            faults.append(Fault(code, name, at[:1], [row.new], words))
        return Batch(batch.lines, cells, batch.faults, batch.said), faults


def _is_corrected(sheet: Sheet, position: int, found: str) -> bool:
    """A technician's name stands as a code in quarantined rows, so that its old text can't be compared."""
    column = sheet.fields[position].column
    return column is not None and column.name == "technician" and found.startswith("T-")


def _find_column(sheet: Sheet, name: str) -> int | None:
    for position, part in enumerate(sheet.fields):
        if name == part.header or (
            part.column is not None and name in (part.column.name, part.column.stored)
        ):
            return position
    return None


def load_corrections(path: str | Path | None) -> Corrections:
    """Read a corrections file. InputError lists what is missing."""
    if path is None:
        return Corrections()
    path = Path(path)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
            names = set(rows[0]) if rows else set(COLUMNS)
    except OSError:
        raise InputError(f"{path}: no such corrections file; check the path") from None
    except (UnicodeDecodeError, csv.Error):
        raise InputError(f"{path.name}: not a CSV in UTF-8; save it again") from None
    missing = [name for name in COLUMNS if name not in names]
    if missing:
        raise InputError(f"{path.name}: column missing: {', '.join(missing)}; it has {', '.join(COLUMNS)}")
    return Corrections(list(_read_rows(path, rows)))


def _read_rows(path: Path, rows: list[dict[str, str]]) -> Iterable[Correction]:
    for number, row in enumerate(rows, 2):
        where = f"{path.name}, line {number}"
        if not (row["line"] or "").strip().isdigit():
            raise InputError(f"{where}: line must be a whole number, not {row['line']!r}")
        if not (row["why"] or "").strip() or not (row["role"] or "").strip():
            raise InputError(f"{where}: why and role must be filled in")
        intake = (row.get("intake") or "").strip()
        yield Correction(
            *(
                (row["file"] or "").strip(),
                (row["sheet"] or "").strip(),
                int(row["line"]),
                (row["column"] or "").strip(),
                row["old"] or "",
                (row["new"] or "").strip(),
                row["why"].strip(),
                row["role"].strip(),
            ),
            intake=int(intake) if intake.isdigit() else None,
        )
