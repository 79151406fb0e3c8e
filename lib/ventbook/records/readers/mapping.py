"""Mapping files, by which a workshop's own forms become the record format, and what a header says of table, column and unit.

A mapping file is TOML::

    [[source]]
    files = "Standlauf*.csv"        # pattern of file names
    table = "ventings"
    separator = ";"
    decimal = ","
    date_form = "DD.MM.YYYY"
    [source.columns]                # own header = our column
    "Auftrag" = "venting_id"
    [source.units]                  # our column = unit
    tank_overpressure = "psi"
    # units_confirmed = ["tank_overpressure"], above the sub-tables: looked at, and not asked again; with a unit above, it
    # counts before the header's
    [source.prefix]                 # a mark put before this workshop's own numbers
    venting_id = "R-"
    [source.codes.reason]           # own code = our code
    "Kühler neu" = "cooler_replaced"

``names = ["Prüfer 2"]`` lists columns without a counterpart that hold persons' names (coded at intake), ``plain = ["Farbe"]``
such that look so and hold none.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from ventbook import tables
from ventbook.errors import InputError
from ventbook.records.readers.bounds import bound
from ventbook.records.readers.sheets import Field, FileNote
from ventbook.tables import Column, Table, units

KEYS = {
    "files": str,
    "table": str,
    "sheet": str,
    "header_row": int,
    "separator": str,
    "decimal": str,
    "encoding": str,
    "date_form": str,
    "columns": dict,
    "units": dict,
    "codes": dict,
    "names": list,
    "plain": list,
    "prefix": dict,
    "units_confirmed": list,
}
NUMBERED = ("venting_id", "engine_id")  # a workshop's own numbers, which may take a mark in front
DATE_PARTS = {"YYYY": "%Y", "MM": "%m", "DD": "%d", "hh": "%H", "mm": "%M", "ss": "%S"}
_UNIT = re.compile(r"^\s*(?P<name>.*?)\s*[\[](?P<unit>[^\[\]]*)[\]]\s*$", re.DOTALL)
_ROUND = re.compile(r"^\s*(?P<name>.*?)\s*[(](?P<unit>.*)[)]\s*$", re.DOTALL)
LONGEST_HEADER = 300
LONGEST_MARK = 40
GIVEN_BACK = ("held_row", "reasons", "what_to_do")  # columns of the workbook that gives quarantined rows back
MOST = 5  # so many headers on a row that is all headers need no further looking
LOOK = 60  # rows from the top among which the headers are looked for


@dataclass(frozen=True)
class Source:
    """One ``[[source]]``: how files whose name fits ``files`` are read."""

    files: str = "*"
    table: str = ""
    sheet: str = ""
    header_row: int = 0
    separator: str = ""
    decimal: str = ""
    encoding: str = ""
    date_form: str = ""
    columns: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    codes: dict[str, dict[str, str]] = field(default_factory=dict)
    names: list[str] = field(default_factory=list)
    plain: list[str] = field(default_factory=list)
    prefix: dict[str, str] = field(default_factory=dict)
    units_confirmed: list[str] = field(default_factory=list)

    def fits(self, name: str) -> bool:
        return fnmatchcase(name.casefold(), self.files.casefold())


NOTHING = Source()


def load_mapping(path: str | Path | None) -> tuple[Source, ...]:
    """The sources of a mapping file, checked; InputError lists every fault, one line each."""
    if path is None:
        return ()
    path = Path(path)
    try:
        with path.open(encoding="utf-8-sig") as file:
            text = file.read(bound("mapping_text") + 1)
    except OSError:
        raise InputError(f"{path}: no such mapping file; check the path") from None
    except UnicodeDecodeError as error:
        raise InputError(f"{path.name}: not a TOML file ({error}); save it in UTF-8") from None
    return read_mapping(text, path.name)


def read_mapping(text: str, name: str) -> tuple[Source, ...]:
    """The sources of a mapping's text, checked; ``name`` is for the messages."""
    if len(text) > bound("mapping_text"):
        raise InputError(
            f"{name}: is longer than any mapping ({len(text):,} characters, at most {bound('mapping_text'):,})"
        )
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{name}: not a TOML file ({error}); correct that line") from None
    except RecursionError:
        raise InputError(f"{name}: not a TOML file (nested too deeply); correct it") from None
    faults = [f"{name}: unknown key {key!r}; only [[source]] is allowed" for key in raw if key != "source"]
    rows = raw.get("source")
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows) or not rows:
        raise InputError(f"{name}: has no [[source]]; give at least one")
    for number, row in enumerate(rows, 1):
        faults += [f"{name}: source {number}: {fault}" for fault in find_faults(row)]
    if faults:
        raise InputError("\n".join(faults))
    return tuple(Source(**row) for row in rows)


def find_faults(row: dict[str, Any]) -> list[str]:
    """What is wrong in one ``[[source]]``, in words."""
    faults = []
    for key, value in row.items():
        if key not in KEYS:
            faults.append(f"unknown key {key!r}{nearest(key, KEYS)}")
        elif not isinstance(value, KEYS[key]) or isinstance(value, bool):
            faults.append(f"{key} must be {_word(KEYS[key])}, not {value!r}")
        elif isinstance(value, list) and not all(isinstance(entry, str) for entry in value):
            faults.append(f'{key} lists headers as text, as in {key} = ["Worker"]')
    for key in ("columns", "units"):
        for own, ours in row.get(key, {}).items():
            if not isinstance(ours, str):
                faults.append(f"{key}: {own!r} must be text, not {ours!r}")
    for ours, codes in row.get("codes", {}).items():
        if not isinstance(codes, dict) or not all(isinstance(our, str) for our in codes.values()):
            faults.append(f"codes.{ours} must be a table of own code = our code")
    if faults:
        return faults
    if "files" not in row:
        faults.append("files is missing; give a pattern of file names")
    by_name = tables.record_tables()
    if "table" in row and row["table"] not in by_name:
        faults.append(f"table {row['table']!r} is not one of {', '.join(by_name)}")
        return faults
    known = [by_name[row["table"]]] if "table" in row else list(by_name.values())
    columns = {column.name: column for table in known for column in table.columns}
    for own, ours in row.get("columns", {}).items():
        if ours not in columns:
            faults.append(f"columns: {own!r} = {ours!r} is not a column{nearest(str(ours), columns)}")
    for ours, unit in row.get("units", {}).items():
        if ours not in columns:
            faults.append(f"units: {ours!r} is not a column{nearest(ours, columns)}")
        elif not isinstance(unit, str) or units.known(unit) is None:
            faults.append(f"units: {ours} = {unit!r} is not a known spelling of a unit")
    for ours, codes in row.get("codes", {}).items():
        if ours not in columns or columns[ours].kind not in ("code", "yes_no"):
            faults.append(f"codes: {ours!r} is not a column of codes or of yes and no")
            continue
        allowed = columns[ours].codes if columns[ours].kind == "code" else ("yes", "no")
        for own, our in codes.items():
            if our not in allowed:
                faults.append(f"codes.{ours}: {own!r} = {our!r} is not one of {', '.join(allowed)}")
    for ours in row.get("units_confirmed", []):
        if ours not in columns or not columns[ours].unit:
            faults.append(f"units_confirmed: {ours!r} is not a quantity{nearest(ours, columns)}")
    for ours, mark in row.get("prefix", {}).items():
        if ours not in NUMBERED:
            faults.append(f"prefix: {ours!r} is no column of numbers ({', '.join(NUMBERED)})")
        elif not isinstance(mark, str) or not mark.strip() or len(mark) > LONGEST_MARK:
            faults.append(f"prefix: {ours} = {mark!r} must be a short text, as in 'R-'")
    if row.get("decimal", ".") not in (".", ","):
        faults.append("decimal must be '.' or ','")
    if len(row.get("separator", ";")) != 1:
        faults.append("separator must be one character (\\t for a tab)")
    if row.get("header_row", 1) < 1:
        faults.append("header_row counts from 1")
    if row.get("date_form") and not date_pattern(row["date_form"]):
        faults.append("date_form is made of DD, MM and YYYY, as in DD.MM.YYYY")
    try:
        "".encode(row.get("encoding", "utf-8"))
    except LookupError:
        faults.append(f"encoding {row['encoding']!r} is not known; as in utf-8, windows-1252, utf-16")
    return faults


def date_pattern(form: str) -> str:
    """``DD.MM.YYYY`` as a strptime pattern; empty when it isn't day, month and four-digit year, once each."""
    date, _, clock = form.partition(" ")
    parts = re.findall(r"[A-Za-z]+", date)
    if sorted(parts) != ["DD", "MM", "YYYY"]:
        return ""
    if clock and re.findall(r"[A-Za-z]+", clock) not in (["hh", "mm"], ["hh", "mm", "ss"]):
        return ""
    return re.sub(r"YYYY|MM|DD|hh|mm|ss", lambda m: DATE_PARTS[m.group()], form.replace("%", "%%"))


def nearest(name: str, names: Any) -> str:
    """``; did you mean ...?`` or nothing."""
    close = difflib.get_close_matches(name, list(names), 1, 0.6)
    return f"; did you mean {close[0]!r}?" if close else ""


def _word(kind: type) -> str:
    return {str: "text", int: "a whole number", dict: "a table", list: "a list"}[kind]


def name_table(name: str) -> Table | None:
    """The table whose name a file's stem or a sheet's name begins with, None where there is none."""
    plain = re.sub(r"[\s-]+", "_", name.strip()).casefold()
    fits = [
        table
        for table in tables.record_tables().values()
        if plain == table.name or re.match(re.escape(table.name) + r"[^a-z]", plain)
    ]
    return max(fits, key=lambda table: len(table.name)) if fits else None


def split_header(text: str) -> tuple[str, str | None]:
    """``gap [mm]`` as ("gap", "mm"); the unit is None where the header carries none."""
    if len(text) > LONGEST_HEADER:
        return text.strip(), None
    found = _UNIT.match(text)
    if found:
        return found["name"], found["unit"].strip()
    found = _ROUND.match(text)
    if found and units.known(found["unit"]) is not None:
        return found["name"], found["unit"].strip()
    return text.strip(), None


def plain_name(text: str) -> str:
    """A header's name as the dictionary writes names: small letters, underscores."""
    return re.sub(r"[\s-]+", "_", text.strip()).casefold()


def match_header(text: str, table: Table, source: Source = NOTHING) -> tuple[Column | None, str | None]:
    """The column and unit that one header says, by the mapping first, then by the dictionary's own names."""
    columns = {column.name: column for column in table.columns}
    own = {key.strip(): value for key, value in source.columns.items()}
    folded = {plain_name(key): value for key, value in own.items()}
    name, unit = split_header(text)
    ours = (
        own.get(text.strip()) or own.get(name) or folded.get(plain_name(text)) or folded.get(plain_name(name))
    )
    if ours in columns:
        return columns[ours], unit
    if plain_name(name) in columns:
        return columns[plain_name(name)], unit
    for column in table.columns:  # exports carry the stored name, whose end is the unit
        if unit is None and column.unit and plain_name(name) == column.stored.casefold():
            return column, column.unit
    return None, unit


def find_header(rows: Sequence[Sequence[str]], table: Table, source: Source, where: str) -> int:
    """Position in ``rows`` of the row that holds the headers.

    Told by the mapping's ``header_row``, else the first row that names the most columns and a key of the table.
    """
    if source.header_row:
        if source.header_row > len(rows):
            raise InputError(f"{where}: has no row {source.header_row}; correct header_row in the mapping")
        return source.header_row - 1
    best, found = -1, 0
    for position, cells in enumerate(rows[:LOOK]):
        matched = {
            column.name
            for cell in cells
            if cell and len(cell) <= LONGEST_HEADER and (column := match_header(cell, table, source)[0])
        }
        if len(matched) > found:
            best, found = position, len(matched)
        if len(matched) >= MOST and len(matched) >= 0.8 * sum(1 for cell in cells if cell):
            break
    if not found:
        names = ", ".join(column.header for column in table.columns[:4])
        raise InputError(
            f"{where}: no row of headers found for table {table.name}; give headers such as {names}, or a mapping"
        )
    return best


def resolve_fields(
    headers: Sequence[str], table: Table, source: Source, where: str
) -> tuple[list[Field], list[FileNote]]:
    """Fields of a sheet. Every fault is listed at once in one InputError: a quantity without unit, an unknown or
    unfit unit, a column that stands twice, a required column that is missing.
    """
    faults, fields, notes, unknown = [], [], [], []
    seen: dict[str, str] = {}
    for header in headers:
        column, unit = match_header(header, table, source) if header.strip() else (None, None)
        if column is None:
            fields.append(Field(header.strip(), holds=_find_holds(header, source)))
            if header.strip() and header.strip() not in GIVEN_BACK:
                unknown.append(header.strip())
            continue
        if column.name in seen:
            faults.append(
                f"{where}: columns {seen[column.name]!r} and {header!r} both say {column.name}; leave one out"
            )
        seen[column.name] = header
        told = source.units.get(column.name)
        if told and column.name in source.units_confirmed:
            unit = told  # a person has looked: the mapping's word counts before the header's
        if told and unit and units.known(unit) != units.known(told):
            faults.append(f"{where}: column {header!r} says {unit}, the mapping says {told}; let them agree")
        fault = check_unit(column, header, unit or told or "", where)
        faults += [fault] if fault else []
        fields.append(Field(header.strip(), column, (unit or told or "") if column.unit else ""))
    missing = [column for column in table.columns if column.required and column.name not in seen]
    if missing:
        words = []
        for column in missing:
            close = difflib.get_close_matches(column.name, [plain_name(name) for name in unknown], 1, 0.6)
            words.append(column.name + (f" (is it {close[0]!r}?)" if close else ""))
        faults.append(
            f"{where}: required column missing: {', '.join(words)}; add it, or name it in a mapping file"
        )
    if faults:
        raise InputError("\n".join(faults))
    notes += [FileNote("unknown_column", column=name[:200]) for name in dict.fromkeys(unknown)]
    return fields, notes


def _find_holds(header: str, source: Source) -> str:
    """``names`` or ``plain`` where the mapping says so of a column that is not known."""
    said = {plain_name(name): kind for kind in ("plain", "names") for name in getattr(source, kind)}
    return said.get(plain_name(header), "")


def check_unit(column: Column, header: str, unit: str, where: str) -> str:
    """What is wrong with a column's unit, empty when nothing is."""
    if not column.unit:
        if unit and not (units.known(unit) is not None and units.dimension_of(unit) == "plain"):
            return f"{where}: column {header!r} has unit {unit!r}, but {column.name} takes none; take it out"
        return ""
    allowed = ", ".join(short_spellings(column))
    if not unit:
        return f"{where}: column {header!r} has no unit; write it as {column.header}; it may be {allowed}"
    found = units.known(unit)
    if found is None:
        return f"{where}: column {header!r} has the unknown unit {unit!r}; it may be {allowed}"
    if found.dimension != column.dimension:
        kind = found.dimension.replace("_", " ")
        return (
            f"{where}: column {header!r}: {unit} is {kind}, but {column.name} is "
            f"{column.dimension.replace('_', ' ')}; it may be {allowed}"
        )
    return ""


def short_spellings(column: Column) -> list[str]:
    """The first spelling of each unit that a quantity may carry."""
    first: dict[str, str] = {}
    for spelling in units.spellings(column.dimension):
        unit = units.known(spelling)
        if unit is not None:
            first.setdefault(unit.spellings[0], spelling)
    return list(first)


def choose_table(path: Path, source: Source) -> Table:
    """The table of a text or Parquet file, from the mapping or the stem. InputError when neither says."""
    table = tables.record_tables()[source.table] if source.table else name_table(path.stem)
    if table is None:
        names = ", ".join(tables.record_tables())
        raise InputError(
            f"{path.name}: the name doesn't say which table it holds; begin it with one of {names}, "
            "or give a mapping file"
        )
    return table
