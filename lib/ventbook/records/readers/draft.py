"""First draft of a mapping file from foreign files, for a person to confirm. It never maps by itself.

Headers and codes are recognised by our own names and by the words of ``data/header_words.toml``.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from ventbook import tables
from ventbook.errors import InputError
from ventbook.records.readers import text_form, workbooks
from ventbook.records.readers.bounds import open_in_child
from ventbook.records.readers.mapping import name_table, plain_name, split_header
from ventbook.tables import Column, Table, units

SURE = 0.87
UNSURE = 0.55
KNOWN_WORD = 0.97  # a header that is one of the known words for a column: sure, but after our own name


def draft_mapping(paths: Iterable[str | Path]) -> str:
    """TOML text of a mapping for the files: best-matching columns, what it is unsure of marked ``# unsure``.

    Raises InputError when a file can't be read as CSV, XLSX or ODS.
    """
    parts = [
        "# Draft of a mapping file. Check every line; lines marked 'unsure' are guesses and are commented out.",
        "# own header = our column; own code = our code. Leave out what has no counterpart.",
    ]
    for given in paths:
        path = Path(given)
        if not path.is_file():
            raise InputError(f"{path}: no such file; check the path")
        if path.suffix.lower() in (".xlsx", ".xlsm", ".ods"):
            for sheet, rows in _sample_book(path):
                parts.append(draft_source(path.name, rows, sheet=sheet))
        else:
            scan = text_form.scan_text(path)
            lines = text_form.take_sample(path, scan, 300)
            separator = text_form.choose_separator(lines[:200], path.name)
            rows = list(text_form.parse_rows(lines, separator))
            parts.append(draft_source(path.name, rows, separator=separator))
    return "\n".join(parts) + "\n"


def _sample_book(path: Path) -> list[tuple[str, list[tuple[int, list[str]]]]]:
    import python_calamine as calamine

    workbooks.check_bounds(path)
    open_in_child(path, "workbook")
    try:
        book = calamine.load_workbook(str(path))
        found = []
        for name in book.sheet_names:
            cells = book.get_sheet_by_name(name).to_python(skip_empty_area=False, nrows=300)
            rows = [
                (number, [workbooks.cell_text(cell) for cell in row])
                for number, row in enumerate(cells, 1)
                if any(cell != "" for cell in row)
            ]
            if rows:
                found.append((name, rows))
    except Exception as error:
        raise InputError(f"{path.name}: can't be read as a workbook ({str(error)[:150]})") from None
    return found


def draft_source(
    file: str, rows: list[tuple[int, list[str]]], *, sheet: str = "", separator: str = ""
) -> str:
    """One ``[[source]]``."""
    if not rows:
        raise InputError(f"{file}: no rows found")
    named = name_table(sheet or Path(file).stem)
    by_name = [named] if named else list(tables.record_tables().values())
    line, headers, table = _find_best(rows, by_name)
    lines = ["", "[[source]]", f"files = {_quote(_pattern(file))}"]
    lines.append(f"table = {_quote(table.name)}" + ("" if named else "  # unsure: told from the headers"))
    if sheet:
        lines.append(f"sheet = {_quote(sheet)}")
    if line > 1:
        lines.append(f"header_row = {line}")
    if separator and separator != ",":
        lines.append(f"separator = {_quote(separator)}")
    body = [cells for number, cells in rows if number > line]
    lines += _draft_forms(body)
    columns, unit_lines, code_lines = ["[source.columns]"], ["[source.units]"], []
    chosen = _choose_columns(headers, table)
    for position, header in enumerate(headers):
        if not header.strip():
            continue
        column, score = chosen[position]
        _, unit = split_unit(header)
        if column is None:
            columns.append(f"# {_quote(header.strip())} = ?  # unsure: nothing like it in {table.name}")
            continue
        if score >= 1.0 and plain_name(split_header(header)[0]) == column.name:
            mark = ""
        elif score >= SURE:
            mark = f"  # {column.meaning}"
        else:
            mark = f"  # unsure: {column.meaning}"
        sure = score >= SURE
        columns.append(f"{'' if sure else '# '}{_quote(header.strip())} = {_quote(column.name)}{mark}")
        if column.unit:
            fits = unit is not None and (found := units.known(unit)) and found.dimension == column.dimension
            if not fits:
                unit_lines.append(
                    f"# {column.name} = ?  # unsure: unit of {header.strip()!r}; such as {column.unit}"
                )
            elif split_header(header)[1] is None:
                unit_lines.append(f"{'' if sure else '# '}{column.name} = {_quote(str(unit))}")
        if column.codes or column.kind == "yes_no":
            code_lines += _draft_codes(body, position, column, sure)
    found_names = {column.name for column, score in chosen.values() if column is not None and score >= SURE}
    columns += [
        f"# ? = {_quote(column.name)}  # required, not found among the headers: {column.meaning}"
        for column in table.columns
        if column.required and column.name not in found_names
    ]
    return "\n".join([*lines, *columns, *(unit_lines if len(unit_lines) > 1 else []), *code_lines])


def _choose_columns(headers: list[str], table: Table) -> dict[int, tuple[Column | None, float]]:
    """The best column of each header, by position; no column twice: the likest header keeps it."""
    found = {place: best_column(header, table) for place, header in enumerate(headers) if header.strip()}
    taken: set[str] = set()
    for place, (column, score) in sorted(found.items(), key=lambda item: -item[1][1]):
        if column is not None and column.name in taken:
            found[place] = (column, min(score, UNSURE))
        elif column is not None and score >= SURE:
            taken.add(column.name)
    return found


def best_column(header: str, table: Table) -> tuple[Column | None, float]:
    """The column whose name or known words are most like the header, and how alike (1 = same), None under UNSURE."""
    best, score = None, 0.0
    for name in {plain_name(split(header)[0]): None for split in (split_header, split_unit)}:
        words = fold_words(name)
        for column in table.columns:
            alike = max(_alike(name, own) for own in (column.name, column.stored.casefold()))
            shared = set(words.split()) & set(column.name.split("_"))
            if shared:
                alike = max(alike, 0.5 + 0.3 * len(shared) / len(column.name.split("_")))
            for word in known_words("columns").get(column.name, ()):
                alike = max(alike, KNOWN_WORD if words == word else 0.95 * _alike(words, word))
            if alike > score:
                best, score = column, alike
    return (best, score) if score >= UNSURE else (None, score)


def split_unit(header: str) -> tuple[str, str | None]:
    """A header as (name, unit); a last word that is a unit counts too (``Spalt mm``), as a draft is confirmed."""
    name, unit = split_header(header)
    if unit is None and " " in name.strip():
        front, _, last = name.strip().rpartition(" ")
        if units.known(last) is not None:
            return front.rstrip(" ,:"), last
    return name, unit


def fold_words(text: str) -> str:
    """A text as words to compare: small letters without accents, sharp s as ss, marks as one space."""
    plain = unicodedata.normalize("NFKD", text.casefold()).encode("ascii", "ignore").decode()
    return " ".join(re.findall(r"[a-z0-9/]+", plain.replace("_", " ")))


@cache
def known_words(kind: str) -> dict[str, tuple[str, ...]]:
    """Words for columns or codes by our name, from ``data/header_words.toml``."""
    rows = tables.read_toml(tables.DATA / "header_words.toml")[kind]
    return {name: tuple(fold_words(word) for word in words) for name, words in rows.items()}


@cache
def _alike(one: str, other: str) -> float:
    return difflib.SequenceMatcher(None, one, other).ratio()


def _find_best(rows: list[tuple[int, list[str]]], by_name: list[Table]) -> tuple[int, list[str], Table]:
    best = (0.0, rows[0][0], rows[0][1], by_name[0])
    for line, cells in rows[:40]:
        texts = [cell for cell in cells if cell.strip() and len(cell) < 200 and not cell.strip()[0].isdigit()]
        for table in by_name:
            scores = [best_column(cell, table)[1] for cell in texts]
            total = sum(score for score in scores if score >= UNSURE)
            if total > best[0] + 1e-9:
                best = (total, line, cells, table)
    return best[1], best[2], best[3]


def _draft_forms(body: list[list[str]]) -> list[str]:
    lines = []
    cells = [cell.strip() for row in body[:200] for cell in row]
    try:
        decimal, _ = text_form.choose_decimal(cells, "")
        if decimal == ",":
            lines.append('decimal = ","')
    except InputError:
        lines.append('# decimal = ","  # unsure: could be thousands')
    shapes = {
        "DD.MM.YYYY": r"\d{1,2}\.\d{1,2}\.\d{4}",
        "DD/MM/YYYY": r"\d{1,2}/\d{1,2}/\d{4}",
        "DD-MM-YYYY": r"\d{1,2}-\d{1,2}-\d{4}",
    }
    for form, shape in shapes.items():
        dates = [cell for cell in cells if re.fullmatch(shape, cell)]
        if not dates:
            continue
        parts = [[int(p) for p in re.split(r"\D", cell)] for cell in dates]
        if any(p[0] > 12 for p in parts) and not any(p[1] > 12 for p in parts):
            lines.append(f"date_form = {_quote(form)}")
        elif any(p[1] > 12 for p in parts) and not any(p[0] > 12 for p in parts):
            lines.append(
                f"date_form = {_quote(form.replace('DD', 'XX').replace('MM', 'DD').replace('XX', 'MM'))}"
            )
        else:
            lines.append(f"# date_form = {_quote(form)}  # unsure: day first or month first?")
    return lines


def _draft_codes(body: list[list[str]], position: int, column: Column, sure: bool) -> list[str]:
    codes = column.codes or ("yes", "no")
    found = sorted({row[position].strip() for row in body if position < len(row) and row[position].strip()})[
        :30
    ]
    own = [code for code in found if code.casefold() not in codes]
    if not own:
        return []
    lines = [f"[source.codes.{column.name}]" if sure else f"# [source.codes.{column.name}]"]
    for text in own:
        words = fold_words(text)
        meant = [code for code in codes if words in known_words("codes").get(code, ())]
        close = meant or difflib.get_close_matches(plain_name(text), codes, 1, 0.8)
        if close and sure:
            lines.append(f"{_quote(text)} = {_quote(close[0])}")
        else:
            lines.append(f"# {_quote(text)} = ?  # unsure: one of {', '.join(codes)}")
    return lines


def _pattern(file: str) -> str:
    """A file name with its numbers as wildcards, so that the next quarter's file fits too."""
    stem, _, ending = file.rpartition(".")
    return re.sub(r"\d+", "*", stem) + "." + ending


def _quote(text: str) -> str:
    out = text.replace("\\", "\\\\").replace('"', '\\"')
    out = "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in out)
    return f'"{out}"'
