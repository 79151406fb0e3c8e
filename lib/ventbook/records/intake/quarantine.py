"""Quarantined rows: kept whole with their reasons, released, cleared when corrected, and given back to the sender.

They are released when what they waited for comes in. Given back they are a workbook in their own columns, reasons beside them,
to be corrected and handed in again; it brings its own mapping, so that nothing has to be declared twice.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from ventbook import tables
from ventbook.errors import InputError
from ventbook.places import Place
from ventbook.records import privacy
from ventbook.records.intake.context import Fault, shorten
from ventbook.records.intake.corrections import Corrections
from ventbook.records.intake.keys import key_texts
from ventbook.records.intake.load import Loaded
from ventbook.records.intake.samples import Work, read_originals
from ventbook.records.privacy import NameCoder
from ventbook.records.readers import Batch, Field, Sheet
from ventbook.records.readers.mapping import GIVEN_BACK
from ventbook.records.readers.sheets import text_array
from ventbook.records.readers.workbooks import MAPPING_SHEET
from ventbook.records.store import ISSUES, QUARANTINE, Snapshot, Store, open_store
from ventbook.tables import record_tables

WAITING_CODES = frozenset({"orphan_engine", "orphan_venting", "parent_held"})
UNSPLIT = frozenset({"wrong_cell_count", "lines_swallowed"})  # rows whose cells can't be told apart
SitesOf = Callable[[np.ndarray], list[str | None]]
EXPLAINED = (
    "These rows were quarantined at intake. Nothing in them was changed.",
    "Each sheet holds the rows of one of your files, in your own columns. The first columns say what is wrong",
    "and what to do. Mend the row in place, leave the column held_row as it is, and hand this workbook in again",
    "(ventbook intake FILE.xlsx). A corrected row takes the place of the quarantined one; rows you leave as they are stay quarantined.",
)


def describe_form(sheet: Sheet) -> dict[str, Any]:
    """How a sheet was read, so that its quarantined rows can be read again without its mapping."""
    return {
        "fields": [
            [f.header, f.column.name if f.column else "", f.unit, *([f.holds] if f.holds else [])]
            for f in sheet.fields
        ],
        "decimal": sheet.decimal,
        "date_form": sheet.date_form,
        "codes": sheet.codes,
        "prefix": sheet.prefix,
        "confirmed": sheet.confirmed,
    }


def sheet_from_form(
    table: str, file: str, name: str, form: dict[str, Any], lines: list[int], originals: list[dict[str, str]]
) -> Sheet:
    """A sheet made again from quarantined rows."""
    columns = {column.name: column for column in tables.record_tables()[table].columns}
    fields = [
        Field(header, columns.get(column), unit, *holds) for header, column, unit, *holds in form["fields"]
    ]
    cells = [text_array([row.get(f.header) for row in originals]) for f in fields]

    def read() -> Iterator[Batch]:
        yield Batch(pa.array(lines, pa.int64()), list(cells))

    return Sheet(
        tables.record_tables()[table],
        Path(file),
        name,
        fields,
        read,
        form.get("decimal", "."),
        form.get("date_form", ""),
        form.get("codes", {}),
        prefix=form.get("prefix", {}),
        confirmed=form.get("confirmed", []),
    )


@dataclass
class Rerun:
    """Sheets made from quarantined rows that are tried again, with the intake each came in by."""

    sheets: list[Sheet]
    intakes: list[int]


def find_rerun(before: Snapshot | None, corrections: Corrections) -> Rerun:
    """Quarantined rows to try again: those that wait for a parent row, and those that a correction addresses."""
    found = Rerun([], [])
    if before is None or "quarantine" not in before.versions:
        return found
    quarantined = before.read_arrow("quarantine").to_pandas()
    if quarantined.empty:
        return found
    clean = corrections.clean
    asked = {(clean(c.file), clean(c.sheet), c.line): c.intake for c in corrections.rows}
    address = list(
        zip(
            quarantined["file"].map(clean),
            quarantined["sheet"].fillna("").map(clean),
            quarantined["line"],
            strict=True,
        )
    )
    corrected = np.array(
        [a in asked and asked[a] in (None, n) for a, n in zip(address, quarantined["intake"], strict=True)],
        dtype=bool,
    )
    corrected |= _follow_confirmed(quarantined, corrected)
    whole = ~quarantined["code"].isin(UNSPLIT).to_numpy()
    again = quarantined[((quarantined["waiting"] == "parent").to_numpy() | corrected) & whole]
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


def has_code(quarantined: pd.DataFrame, code: str) -> np.ndarray:
    """True for the quarantined rows that ``code`` is a reason of."""
    return np.array([code in text.split(", ") for text in quarantined["all_codes"]], dtype=bool)


def _follow_confirmed(quarantined: pd.DataFrame, corrected: np.ndarray) -> np.ndarray:
    """Rows held because their venting's number was in doubt, where a correction addresses that venting."""
    asked = quarantined["key"][corrected & has_code(quarantined, "number_used_twice")]
    starts = tuple(f"{key} / " for key in asked if key)
    return has_code(quarantined, "parent_in_doubt") & quarantined["key"].str.startswith(starts).to_numpy(bool)


def _form_of(
    before: Snapshot, sources: pd.DataFrame, intake: int, file: str, name: str
) -> dict[str, Any] | None:
    from ventbook.records.store import Store

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
    loaded: Loaded, quarantined: np.ndarray, work: Work, sites: SitesOf, intake: int
) -> pa.Table:
    """One row a quarantined row: its address, first reason, all reason codes and the original text of every cell."""
    rows, coder = np.flatnonzero(quarantined), work.coder
    if not len(rows):
        return QUARANTINE.empty_table()
    first: dict[int, tuple[Fault, int]] = {}
    codes: dict[int, list[str]] = {}
    for fault in loaded.faults:
        if not fault.holds:
            continue
        for position, row in enumerate(fault.rows):
            if quarantined[row]:
                first.setdefault(int(row), (fault, position))
                known = codes.setdefault(int(row), [])
                if fault.code not in known:
                    known.append(fault.code)
    originals = read_originals(loaded, rows, coder, work.standing())
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
            if fault.code in UNSPLIT:
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
            if fault.code in UNSPLIT:
                sheet = loaded.sheets[loaded.source[row]]
                shown = safe.get((lines[row], sheet.file, sheet.sheet or None), "")
                value, what = shown, what.replace(repr(value), repr(shown))
            elif fault.column == "technician" and fault.holds:
                value, what = "", f"{fault.column} can't be used"
            said.append((value, what, do))
        own: dict[str, list[Any]] = {
            **_sheet_columns(loaded, fault.rows[positions]),
            "code": [fault.code] * len(rows),
            "severity": [tables.issue_text(fault.code).severity] * len(rows),
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
        if row["code"] in UNSPLIT:
            yield row["line"], row["file"], row["sheet"], row["value"]


def export_quarantine(
    store: str | Place | Store, out: str | Path, *, as_of: int | None = None, site: str | None = None
) -> int:
    """Write the quarantined rows to the workbook ``out``; returns how many there are.

    Technicians' names are put back for the owner of the store's key only; others see codes. Every cell is written as
    text, so that nothing in it can act as a formula. Raises InputError when ``out`` can't be written.
    """
    import xlsxwriter

    target = store if isinstance(store, Store) else open_store(store)
    out = Path(out)
    if out.suffix.lower() != ".xlsx":
        raise InputError(f"{out}: name a file that ends in .xlsx")
    snapshot = target.snapshot(as_of)
    quarantined = snapshot.read("quarantine")
    if site is not None:
        quarantined = quarantined[quarantined["site"] == site]
    reasons = _collect_reasons(snapshot.read("issues"))
    forms = _forms(target, snapshot.number)
    names = privacy.read_cells(target.path)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with xlsxwriter.Workbook(str(out), {"strings_to_formulas": False, "strings_to_urls": False}) as book:
            _write_explanation(book, len(quarantined))
            mapping: list[str] = []
            groups = quarantined.groupby(
                ["table", "intake", "file", quarantined["sheet"].fillna("")], sort=True
            )
            for number, (key, rows) in enumerate(groups, 1):
                table, intake, file, name = (str(part) for part in tuple(key))
                form = forms.get((int(intake), file, name), {})
                title = f"{table} {number}"[:31]
                mapping += _describe_mapping(title, table, form)
                _write_sheet(book, title, rows, form, reasons, names)
            sheet = book.add_worksheet(MAPPING_SHEET)
            sheet.hide()
            for row, text in enumerate(mapping or ["# no rows are quarantined"]):
                sheet.write_string(row, 0, text)
    except (OSError, xlsxwriter.exceptions.FileCreateError) as error:
        raise InputError(f"{out}: can't be written ({error}); close it or choose another place") from None
    return len(quarantined)


def _collect_reasons(issues: Any) -> dict[tuple[int, str, str, int], list[tuple[str, str]]]:
    found: dict[tuple[int, str, str, int], list[tuple[str, str]]] = {}
    for row in issues[(issues["severity"] == "set_aside") & issues["line"].notna()].itertuples(index=False):
        sheet = row.sheet if isinstance(row.sheet, str) else ""
        found.setdefault((int(row.intake), row.file, sheet, int(row.line)), []).append((row.what, row.do))
    return found


def _forms(target: Store, number: int) -> dict[tuple[int, str, str], dict[str, Any]]:
    found = {}
    for intake, text in target.intake_rows(number)[["number", "sources"]].itertuples(index=False):
        for source in json.loads(text or "[]"):
            found[(int(intake), source["file"], source.get("sheet") or "")] = source.get("form") or {}
    return found


def _write_explanation(book: Any, count: int) -> None:
    sheet = book.add_worksheet("read me")
    sheet.set_column(0, 0, 110)
    for row, text in enumerate([f"{count} rows are quarantined.", *EXPLAINED]):
        sheet.write_string(row, 0, text)


def _write_sheet(
    book: Any, title: str, rows: Any, form: dict[str, Any], reasons: dict[Any, Any], names: dict[str, str]
) -> None:
    sheet = book.add_worksheet(title)
    bold = book.add_format({"bold": True, "bottom": 1})
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    text_format = book.add_format({"num_format": "@", "valign": "top"})
    originals = [json.loads(text) for text in rows["original"]]
    headers = [entry[0] for entry in form.get("fields", []) if entry[0]]
    for original in originals:
        headers += [name for name in original if name not in headers]
    if (
        GIVEN_BACK[0] in headers
    ):  # handed in again and quarantined again: what was wrong before has had its time
        headers = [name for name in headers if name not in GIVEN_BACK]
    for column, header in enumerate([*GIVEN_BACK, *headers]):
        sheet.write_string(0, column, header, bold)
    sheet.freeze_panes(1, 1)
    sheet.set_column(0, 0, 14, text_format)
    sheet.set_column(1, 2, 50)
    sheet.set_column(3, 3 + len(headers), 16, text_format)
    for line, (row, original) in enumerate(zip(rows.itertuples(index=False), originals, strict=True), 1):
        name = row.sheet if isinstance(row.sheet, str) else ""
        own = reasons.get((int(row.intake), row.file, name, int(row.line))) or [(row.what, row.do)]
        cells = [
            f"{row.intake}|{row.file}|{name}|{row.line}",
            "\n".join(dict.fromkeys([*(what for what, _ in own), *_say_times(int(row.hand_ins))])),
            "\n".join(dict.fromkeys(do for _, do in own)),
        ]
        for column, text in enumerate(cells):
            sheet.write_string(line, column, privacy.restore_text(text, names)[:32000], wrap)
        for column, header in enumerate(headers, 3):
            value = original.get(header)
            if value is not None:
                sheet.write_string(line, column, privacy.restore_text(value, names)[:32000], text_format)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)


def _say_times(hand_ins: int) -> list[str]:
    return [f"(handed in {hand_ins} times as it is)"] if hand_ins > 1 else []


def _describe_mapping(title: str, table: str, form: dict[str, Any]) -> list[str]:
    """One ``[[source]]`` that reads the sheet as the sender's file was read."""
    known = {column.name: column for column in record_tables()[table].columns}
    every = form.get("fields", [])
    fields = [(header, column, unit) for header, column, unit, *_ in every if column in known]
    lines = [
        "[[source]]",
        'files = "*"',
        f"table = {_quote(table)}",
        f"sheet = {_quote(title)}",
        "header_row = 1",
    ]
    lines.append(f"decimal = {_quote(form.get('decimal', '.'))}")
    if form.get("date_form"):
        lines.append(f"date_form = {_quote(form['date_form'])}")
    for kind in ("names", "plain"):
        headers = [header for header, _, _, *holds in every if holds == [kind]]
        if headers:
            lines.append(f"{kind} = [{', '.join(map(_quote, headers))}]")
    if form.get("confirmed"):
        lines.append(f"units_confirmed = {json.dumps(form['confirmed'])}")
    lines.append("[source.columns]")
    lines += [f"{_quote(header)} = {_quote(column)}" for header, column, _ in fields]
    lines.append("[source.units]")
    lines += [f"{column} = {_quote(unit)}" for _, column, unit in fields if unit]
    lines += ["[source.prefix]", *(f"{ours} = {_quote(own)}" for ours, own in form.get("prefix", {}).items())]
    for column, codes in form.get("codes", {}).items():
        lines.append(f"[source.codes.{column}]")
        lines += [f"{_quote(own)} = {_quote(our)}" for own, our in codes.items()]
    return lines


def _quote(text: str) -> str:
    return json.dumps(text, ensure_ascii=True)
