"""Held rows: kept whole with their reasons, released when what they waited for comes in, cleared when mended."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
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
SitesOf = Callable[[np.ndarray], list[str | None]]


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
    loaded: Loaded, held: np.ndarray, coder: NameCoder, sites: SitesOf, intake: int
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
    originals = read_originals(loaded, rows, coder)
    part = loaded.rows.select([*loaded.table.key, "_line"]).take(pa.array(rows))
    known_words = _known_words(loaded) if originals.broken else set()
    said, texts = [], []
    for row in rows.tolist():
        fault, position = first[row]
        value, what, do = fault.text(position, coder.mask_text)
        if row in originals.broken:
            original = hide_names(
                loaded.sheets[loaded.source[row]], originals.broken[row], coder, known_words
            )
            texts.append(json.dumps(original, ensure_ascii=False))
            if fault.code == "wrong_cell_count":
                shown = shorten(" | ".join(text or "" for text in original.values()))
                value, what = shown, what.replace(repr(value), repr(shown))
        else:
            texts.append(originals.texts[row])
        if fault.column == "technician":
            value, what = "", f"{fault.column} can't be used"
        said.append((fault.column, fault.code, value, what, do))
    columns = dict(
        zip(("column", "code", "value", "what", "do"), map(list, zip(*said, strict=True)), strict=True)
    )
    all_codes = [codes[row] for row in rows.tolist()]
    entries: dict[str, Any] = {
        **columns,
        **_sheet_columns(loaded, rows),
        "line": part.column("_line"),
        "table": [loaded.table.name] * len(rows),
        "site": sites(rows),
        "key": key_texts(part, loaded.table.key),
        "original": texts,
        "waiting": ["parent" if WAITING_CODES.issuperset(own) else "" for own in all_codes],
        "all_codes": [", ".join(own) for own in all_codes],
        "intake": [intake] * len(rows),
    }
    return pa.table({name: entries[name] for name in QUARANTINE.names}, schema=QUARANTINE)


def _sheet_columns(loaded: Loaded, rows: np.ndarray) -> dict[str, list[str | None]]:
    source = loaded.source[rows].tolist()
    return {
        "file": [loaded.sheets[n].file for n in source],
        "sheet": [loaded.sheets[n].sheet or None for n in source],
    }


def hide_names(
    sheet: Sheet, original: dict[str, str | None], coder: NameCoder, known: set[str]
) -> dict[str, str | None]:
    """The cells of a row that could not be split: what may be a technician's name is coded."""
    names = list(original)
    if not any(column.name == "technician" for column in sheet.table.columns):
        return {n: coder.mask_text(text) if text else text for n, text in original.items()}
    cells = coder.code_like_names([original[n] or "" for n in names], known)
    return {n: cell or None for n, cell in zip(names, cells, strict=True)}


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
    sites: SitesOf,
    intake: int,
) -> pa.Table:
    """One row a fault and row (one a fault where it speaks for many rows); rows ``dropped`` are passed over."""
    safe = {(line, file, sheet): value for line, file, sheet, value in _broken_values(held_rows)}
    out: dict[str, list[Any]] = {name: [] for name in ISSUES.names}
    keys: dict[int, str] = {}
    wanted = sorted({int(row) for f in loaded.faults for row in (f.rows[:1] if f.once else f.rows)})
    if wanted:
        part = loaded.rows.select([*loaded.table.key, "_line"]).take(pa.array(wanted))
        keys = dict(zip(wanted, key_texts(part, loaded.table.key), strict=True))
        lines = dict(zip(wanted, part.column("_line").to_pylist(), strict=True))
    for fault in loaded.faults:
        positions = np.flatnonzero(~dropped[fault.rows])
        count = len(positions)
        if not count:
            continue
        if fault.once:
            positions = positions[:1]
        rows = fault.rows[positions].tolist()
        said = []
        for position, row in zip(positions.tolist(), rows, strict=True):
            value, what, do = fault.text(position, coder.mask_text)
            if fault.code == "wrong_cell_count":
                sheet = loaded.sheets[loaded.source[row]]
                shown = safe.get((lines[row], sheet.file, sheet.sheet or None), "")
                value, what = shown, what.replace(repr(value), repr(shown))
            elif fault.column == "technician" and fault.holds:
                value, what = "", f"{fault.column} can't be used"
            said.append((value, what, do))
        own: dict[str, list[Any]] = {
            **_sheet_columns(loaded, fault.rows[positions]),
            "code": [fault.code] * len(rows),
            "severity": [dictionary.issue(fault.code).severity] * len(rows),
            "table": [loaded.table.name] * len(rows),
            "key": ["" if fault.once else keys[row] for row in rows],
            "column": [fault.column] * len(rows),
            "line": [None if fault.once else lines[row] for row in rows],
            "value": [entry[0] for entry in said],
            "what": [entry[1] for entry in said],
            "do": [entry[2] for entry in said],
            "site": sites(fault.rows[positions]),
            "rows": [count if fault.once else 1] * len(rows),
            "intake": [intake] * len(rows),
        }
        for name, entries in own.items():
            out[name] += entries
    return pa.table(out, schema=ISSUES)


def _broken_values(held_rows: pa.Table) -> Iterator[tuple[int, str, str | None, str]]:
    for row in held_rows.select(["line", "file", "sheet", "value", "code"]).to_pylist():
        if row["code"] == "wrong_cell_count":
            yield row["line"], row["file"], row["sheet"], row["value"]
