"""Mapping files: how a workshop's own forms become the record format.

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
[source.codes.reason]           # own code = our code
"Kühler neu" = "cooler_replaced"
"""

from __future__ import annotations

import difflib
import re
import tomllib
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from ventbook import dictionary, units
from ventbook.errors import InputError

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
}
DATE_PARTS = {"YYYY": "%Y", "MM": "%m", "DD": "%d", "hh": "%H", "mm": "%M", "ss": "%S"}


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

    def fits(self, name: str) -> bool:
        return fnmatchcase(name.casefold(), self.files.casefold())


NOTHING = Source()


def load_mapping(path: str | Path | None) -> tuple[Source, ...]:
    """The sources of a mapping file, checked; InputError lists every fault, one line each."""
    if path is None:
        return ()
    path = Path(path)
    try:
        text = path.read_text("utf-8-sig")
    except OSError:
        raise InputError(f"{path}: no such mapping file; check the path") from None
    except UnicodeDecodeError as error:
        raise InputError(f"{path.name}: not a TOML file ({error}); save it in UTF-8") from None
    return read_mapping(text, path.name)


def read_mapping(text: str, name: str) -> tuple[Source, ...]:
    """The sources of a mapping's text, checked; ``name`` is for the messages."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{name}: not a TOML file ({error}); mend that line") from None
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
    if faults:
        return faults
    if "files" not in row:
        faults.append("files is missing; give a pattern of file names")
    tables = dictionary.tables()
    if "table" in row and row["table"] not in tables:
        faults.append(f"table {row['table']!r} is not one of {', '.join(tables)}")
        return faults
    known = [tables[row["table"]]] if "table" in row else list(tables.values())
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
    return {str: "text", int: "a whole number", dict: "a table"}[kind]
