"""Held rows given back to the sender: a workbook in their own columns, reasons beside them, to be mended and handed
in again. It brings its own mapping, so that nothing has to be declared twice.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from ventbook import privacy
from ventbook.dictionary import tables
from ventbook.errors import InputError
from ventbook.readers.workbooks import MAPPING_SHEET
from ventbook.store import Store, open_store

EXPLAINED = (
    "These rows were held back at intake. Nothing in them was changed.",
    "Each sheet holds the rows of one of your files, in your own columns. The first columns say what is wrong",
    "and what to do. Mend the row in place, leave the column held_row as it is, and hand this workbook in again",
    "(ventbook intake FILE.xlsx). A mended row takes the place of the held one; rows you leave as they are stay held.",
)


def export_quarantine(
    store: str | Path | Store, out: str | Path, *, as_of: int | None = None, site: str | None = None
) -> int:
    """Write the held rows to the workbook ``out``; returns how many there are.

    Technicians' names are put back for the owner of the store's key only; others see codes. Every cell is written as
    text, so that nothing in it can act as a formula. Raises InputError when ``out`` can't be written.
    """
    import xlsxwriter

    target = store if isinstance(store, Store) else open_store(store)
    out = Path(out)
    if out.suffix.lower() != ".xlsx":
        raise InputError(f"{out}: name a file that ends in .xlsx")
    snapshot = target.snapshot(as_of)
    held = snapshot.read("quarantine")
    if site is not None:
        held = held[held["site"] == site]
    reasons = _collect_reasons(snapshot.read("issues"))
    forms = _forms(target, snapshot.number)
    names = privacy.read_names(target.path)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with xlsxwriter.Workbook(str(out), {"strings_to_formulas": False, "strings_to_urls": False}) as book:
            _write_explanation(book, len(held))
            mapping: list[str] = []
            groups = held.groupby(["table", "intake", "file", held["sheet"].fillna("")], sort=True)
            for number, (key, rows) in enumerate(groups, 1):
                table, intake, file, name = (str(part) for part in tuple(key))
                form = forms.get((int(intake), file, name), {})
                title = f"{table} {number}"[:31]
                mapping += _describe_mapping(title, table, form)
                _write_sheet(book, title, rows, form, reasons, names)
            sheet = book.add_worksheet(MAPPING_SHEET)
            sheet.hide()
            for row, text in enumerate(mapping or ["# no rows are held"]):
                sheet.write_string(row, 0, text)
    except (OSError, xlsxwriter.exceptions.FileCreateError) as error:
        raise InputError(f"{out}: can't be written ({error}); close it or choose another place") from None
    return len(held)


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
    for row, text in enumerate([f"{count} rows are held.", *EXPLAINED]):
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
    for column, header in enumerate(["held_row", "reasons", "what_to_do", *headers]):
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
            "\n".join(dict.fromkeys(what for what, _ in own)),
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


def _describe_mapping(title: str, table: str, form: dict[str, Any]) -> list[str]:
    """One ``[[source]]`` that reads the sheet as the sender's file was read."""
    known = {column.name: column for column in tables()[table].columns}
    fields = [(header, column, unit) for header, column, unit in form.get("fields", []) if column in known]
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
    lines.append("[source.columns]")
    lines += [f"{_quote(header)} = {_quote(column)}" for header, column, _ in fields]
    lines.append("[source.units]")
    lines += [f"{column} = {_quote(unit)}" for _, column, unit in fields if unit]
    for column, codes in form.get("codes", {}).items():
        lines.append(f"[source.codes.{column}]")
        lines += [f"{_quote(own)} = {_quote(our)}" for own, our in codes.items()]
    return lines


def _quote(text: str) -> str:
    return json.dumps(text, ensure_ascii=True)
