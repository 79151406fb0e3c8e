"""Held rows: kept whole with their reasons, released when what they waited for comes in, cleared when mended."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from ventbook import dictionary
from ventbook.privacy import NameCoder
from ventbook.readers import Batch, Field, Sheet
from ventbook.readers.sheets import text_array
from ventbook.store import ISSUES, QUARANTINE, Snapshot

from .corrections import Corrections
from .faults import Fault, shorten
from .keys import key_texts
from .load import Loaded
from .originals import read_originals

WAITING_CODES = frozenset({"orphan_engine", "orphan_venting", "parent_held"})
Address = tuple[int, str, str, int]


def describe_form(sheet: Sheet) -> dict[str, Any]:
    """How a sheet was read, so that its held rows can be read again without its mapping."""
    return {
        "fields": [[f.header, f.column.name if f.column else "", f.unit] for f in sheet.fields],
        "decimal": sheet.decimal,
        "date_form": sheet.date_form,
        "codes": sheet.codes,
    }


def sheet_from_form(
    table: str, file: str, name: str, form: dict[str, Any], lines: list[int], originals: list[dict[str, str]]
) -> Sheet:
    """A sheet made again from held rows."""
    columns = {column.name: column for column in dictionary.tables()[table].columns}
    fields = [Field(header, columns.get(column), unit) for header, column, unit in form["fields"]]
    cells = [text_array([row.get(f.header) for row in originals]) for f in fields]

    def read() -> Iterator[Batch]:
        yield Batch(pa.array(lines, pa.int64()), list(cells))

    return Sheet(
        dictionary.tables()[table],
        Path(file),
        name,
        fields,
        read,
        form.get("decimal", "."),
        form.get("date_form", ""),
        form.get("codes", {}),
    )


@dataclass
class Rerun:
    """Sheets made from held rows that are tried again, with the intake each came in by."""

    sheets: list[Sheet]
    intakes: list[int]


def find_rerun(before: Snapshot | None, corrections: Corrections) -> Rerun:
    """Held rows to try again: those that wait for a parent row, and those that a correction addresses."""
    found = Rerun([], [])
    if before is None or "quarantine" not in before.versions:
        return found
    held = before.read_arrow("quarantine").to_pandas()
    if held.empty:
        return found
    asked = {(c.file, c.sheet, c.line): c.intake for c in corrections.rows}
    address = list(zip(held["file"], held["sheet"].fillna(""), held["line"], strict=True))
    corrected = np.array(
        [a in asked and asked[a] in (None, n) for a, n in zip(address, held["intake"], strict=True)],
        dtype=bool,
    )
    whole = (held["code"] != "wrong_cell_count").to_numpy()
    again = held[((held["waiting"] == "parent").to_numpy() | corrected) & whole]
    sources = before.sources()
    for (intake, file, name, table), rows in again.groupby(
        ["intake", "file", again["sheet"].fillna(""), "table"], sort=True
    ):
        form = _form_of(before, sources, int(intake), file, name)
        if form is None:
            continue
        rows = rows.sort_values("line")
        originals = [json.loads(text) for text in rows["original"]]
        lines = [int(line) for line in rows["line"]]
        found.sheets.append(sheet_from_form(table, file, name, form, lines, originals))
        found.intakes.append(int(intake))
    return found


def _form_of(
    before: Snapshot, sources: pd.DataFrame, intake: int, file: str, name: str
) -> dict[str, Any] | None:
    from ventbook.store import Store

    rows = Store(before.path).intake_rows(before.number)
    fits = rows[rows["number"] == intake]
    if fits.empty:
        return None
    for source in json.loads(fits.iloc[0]["sources"] or "[]"):
        if source["file"] == file and (source.get("sheet") or "") == name:
            form: dict[str, Any] = source.get("form") or {}
            return form or None
    return None


def build_quarantine(
    loaded: Loaded, held: np.ndarray, coder: NameCoder, sites: list[str | None], intake: int
) -> pa.Table:
    """One row a held row: its address, first reason, all reason codes and the original text of every cell."""
    rows = np.flatnonzero(held)
    if not len(rows):
        return QUARANTINE.empty_table()
    first: dict[int, tuple[Fault, int]] = {}
    codes: dict[int, list[str]] = {}
    for fault in loaded.faults:
        if not fault.holds:
            continue
        for position, row in enumerate(fault.rows):
            if held[row]:
                first.setdefault(int(row), (fault, position))
                known = codes.setdefault(int(row), [])
                if fault.code not in known:
                    known.append(fault.code)
    originals = dict(read_originals(loaded, rows, coder))
    part = loaded.rows.filter(pa.array(held))
    keys, lines = key_texts(part, loaded.table.key), part.column("_line").to_pylist()
    broken = any("wrong_cell_count" in own for own in codes.values())
    known_words = _known_words(loaded) if broken else set()
    out: dict[str, list[Any]] = {name: [] for name in QUARANTINE.names}
    for n, row in enumerate(rows):
        fault, position = first[int(row)]
        value, what, do = fault.text(position, coder.mask_text)
        sheet = loaded.sheets[loaded.source[row]]
        original = originals[int(row)]
        if "wrong_cell_count" in codes[int(row)]:
            original = hide_names(sheet, original, coder, known_words)
        value, what = _hide_value(fault, value, what, coder, original)
        values = {
            "file": sheet.file,
            "sheet": sheet.sheet or None,
            "line": lines[n],
            "table": loaded.table.name,
            "column": fault.column,
            "code": fault.code,
            "value": value,
            "what": what,
            "do": do,
            "site": sites[row],
            "key": keys[n],
            "original": json.dumps(original, ensure_ascii=False),
            "waiting": "parent" if set(codes[int(row)]) <= WAITING_CODES else "",
            "all_codes": ", ".join(codes[int(row)]),
            "intake": intake,
        }
        for name, entry in values.items():
            out[name].append(entry)
    return pa.table(out, schema=QUARANTINE)


def hide_names(
    sheet: Sheet, original: dict[str, str | None], coder: NameCoder, known: set[str]
) -> dict[str, str | None]:
    """The cells of a row that could not be split: what may be a technician's name is coded."""
    names = list(original)
    if not any(column.name == "technician" for column in sheet.table.columns):
        return {n: coder.mask_text(text) if text else text for n, text in original.items()}
    cells = coder.code_like_names([original[n] or "" for n in names], known)
    return {n: cell or None for n, cell in zip(names, cells, strict=True)}


def _hide_value(
    fault: Fault, value: str, what: str, coder: NameCoder, original: dict[str, str | None]
) -> tuple[str, str]:
    if fault.code == "wrong_cell_count":
        shown = shorten(" | ".join(text or "" for text in original.values()))
        return shown, what.replace(repr(value), repr(shown))
    if fault.column == "technician":
        return "", f"{fault.column} can't be used"
    return value, what


def _known_words(loaded: Loaded) -> set[str]:
    """Words that stand in columns other than technician, small: they are no names."""
    words: set[str] = {"yes", "no", "true", "false"}
    for column in loaded.table.columns:
        words |= set(column.codes)
        if column.kind == "text" and column.name != "technician":
            distinct = loaded.rows.column(column.stored).unique().to_pylist()
            if len(distinct) < 5000:
                words |= {text.strip().casefold() for text in distinct if text}
    return words


def build_issues(
    loaded: Loaded,
    dropped: np.ndarray,
    held_rows: pa.Table,
    coder: NameCoder,
    sites: list[str | None],
    intake: int,
) -> pa.Table:
    """One row a fault and row (one a fault where it speaks for many rows); rows ``dropped`` are passed over."""
    safe = {(line, file, sheet): value for line, file, sheet, value in _broken_values(held_rows)}
    out: dict[str, list[Any]] = {name: [] for name in ISSUES.names}
    keys: dict[int, str] = {}
    wanted = sorted({int(row) for f in loaded.faults for row in (f.rows[:1] if f.once else f.rows)})
    if wanted:
        part = loaded.rows.take(pa.array(wanted))
        keys = dict(zip(wanted, key_texts(part, loaded.table.key), strict=True))
        lines = dict(zip(wanted, part.column("_line").to_pylist(), strict=True))
    for fault in loaded.faults:
        wording = dictionary.issue(fault.code)
        rows = fault.rows[~dropped[fault.rows]]
        if not len(rows):
            continue
        for position, row in enumerate(fault.rows):
            row = int(row)
            if dropped[row]:
                continue
            value, what, do = fault.text(position, coder.mask_text)
            sheet = loaded.sheets[loaded.source[row]]
            if fault.code == "wrong_cell_count":
                shown = safe.get((lines[row], sheet.file, sheet.sheet or None), "")
                value, what = shown, what.replace(repr(value), repr(shown))
            elif fault.column == "technician":
                value, what = ("", f"{fault.column} can't be used") if fault.holds else (value, what)
            values = {
                "code": fault.code,
                "severity": wording.severity,
                "table": loaded.table.name,
                "key": "" if fault.once else keys[row],
                "column": fault.column,
                "file": sheet.file,
                "sheet": sheet.sheet or None,
                "line": None if fault.once else lines[row],
                "value": value,
                "what": what,
                "do": do,
                "site": sites[row],
                "rows": len(rows) if fault.once else 1,
                "intake": intake,
            }
            for name, entry in values.items():
                out[name].append(entry)
            if fault.once:
                break
    return pa.table(out, schema=ISSUES)


def _broken_values(held_rows: pa.Table) -> Iterator[tuple[int, str, str | None, str]]:
    for row in held_rows.select(["line", "file", "sheet", "value", "code"]).to_pylist():
        if row["code"] == "wrong_cell_count":
            yield row["line"], row["file"], row["sheet"], row["value"]
