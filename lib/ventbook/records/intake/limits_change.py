"""A shop's limits: the table in which it enters its manual's, and what was filled in taken into the file beside the store.

The table is written with every step and what is in force; none in force is ever dropped when its rows are read back.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ventbook import tables
from ventbook.errors import InputError
from ventbook.places import Place, find_place, write_whole
from ventbook.records.intake.trace_features import renew_features
from ventbook.records.intake.upgrade import upgrade_store
from ventbook.records.readers import cell_text, read_cells
from ventbook.records.store import Store, Writer, open_store, write_snapshot
from ventbook.tables import Limit, TableError
from ventbook.tables.limits import FIELDS, NUMBERS, check_overlaps, read_limit, read_limits
from ventbook.tables.reader import quote_text

SHEET = "limits"
DAYS = ("effective_from", "effective_to")
COLUMNS = {
    "step": ("which step; one of the names on the sheet of explanations", 26),
    "engine_type": ('as in the engine records, or "*" for all types', 12),
    "low": ("lowest value within the limit; empty: open", 9),
    "high": ("highest value within the limit; empty: open", 9),
    "reference": ("check_force and check_hold only: for which the gap limit is meant", 10),
    "tolerance": (
        "check_force and check_hold without low and high: this near the reference counts as it",
        10,
    ),
    "unit": ("of the numbers in this row; another unit of the same kind may be written instead", 8),
    "revision": ("of the manual", 18),
    "effective_from": ("first day on which the row is in force, 2026-07-01", 14),
    "effective_to": ("first day on which it no longer is; empty: still in force", 14),
    "source": ("where it stands in the manual", 32),
    "text": ("what the limit is about", 60),
}
NOTE = "note"
LINES = (
    "One row a limit. A row without any number is passed over: its step stays without a limit, is recorded and described, and is not judged.",
    "A value is within when low <= value <= high. Yes or no is kept as 1 and 0: low 1 asks for yes, high 0 for no.",
    "A new revision: leave the old row as it is and add a row with the day from which the new value holds; the old one is ended on that day.",
    "A row in force is never taken out by leaving it out of this table.",
    "Read it back with: ventbook limits FILE.xlsx --store DIR",
)
HEAD = """# Limits from this shop's manual, written by: ventbook limits FILE.xlsx --store DIR
# What a row may hold is said at the head of data/limits.toml.
"""


def write_limits_table(
    path: str | Path, *, rows: Sequence[Mapping[str, Any]] = (), engine_types: Iterable[str] = ()
) -> Path:
    """Write the table to ``path`` (.xlsx, not there yet) and return it: the shop's own ``rows`` as its file has them, then one
    empty row for each step that has none. InputError when it can't be written.
    """
    import xlsxwriter

    path = check_name(path)
    if path.exists():
        raise InputError(f"{path} stands already; name another file")
    own = [row for row in rows if row.get("status") == "manual"]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with xlsxwriter.Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False}) as book:
            book.set_properties({"title": "Limits", "created": dt.datetime(2026, 1, 1)})
            _write_rows(book, [*own, *_empty_rows(own)])
            _write_explanations(book, engine_types)
    except (OSError, xlsxwriter.exceptions.FileCreateError) as error:
        raise InputError(f"{path}: can't be written ({error}); choose another place") from None
    return path


def check_name(path: str | Path) -> Path:
    """``path``, if it is a workbook's name."""
    path = Path(path)
    if path.suffix.lower() != ".xlsx":
        raise InputError(f"{path}: name a file that ends in .xlsx")
    return path


def _empty_rows(own: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """One row without numbers for every limit that ``own`` does not hold, with what stands in for it meanwhile."""
    known = {row["step"] for row in own}
    rows: dict[str, dict[str, Any]] = {}
    for step in tables.load_steps().values():
        if step.limit not in known:
            words = "no limit entered"
            shipped = next((row for row in tables.load_limits().rows if row.step == step.limit), None)
            if shipped is not None:
                numbers = ", ".join(
                    f"{name} {getattr(shipped, name):g}"
                    for name in NUMBERS
                    if getattr(shipped, name) is not None
                )
                words = f"placeholder until then: {numbers} {shipped.unit} ({shipped.source})"
            row = {"step": step.limit, "engine_type": "*", "unit": step.unit, "text": step.text, NOTE: words}
            rows.setdefault(step.limit, row)
    return list(rows.values())


def _write_rows(book: Any, rows: Sequence[Mapping[str, Any]]) -> None:
    sheet = book.add_worksheet(SHEET)
    head = book.add_format({"bold": True, "bottom": 1})
    text, day = book.add_format({"num_format": "@"}), book.add_format({"num_format": "yyyy-mm-dd"})
    grey = book.add_format({"font_color": "#707070", "italic": True})
    for place, (name, (words, width)) in enumerate(COLUMNS.items()):
        sheet.write_string(0, place, name, head)
        sheet.write_comment(0, place, words)
        sheet.set_column(place, place, width, None if name in NUMBERS else day if name in DAYS else text)
    sheet.write_string(0, len(COLUMNS), NOTE, head)
    sheet.set_column(len(COLUMNS), len(COLUMNS), 60, grey)
    for line, row in enumerate(rows, 1):
        for place, name in enumerate(COLUMNS):
            value = row.get(name)
            if value is None or value == "":
                continue
            if name in NUMBERS:
                sheet.write_number(line, place, float(value))
            elif name in DAYS:
                when = value if isinstance(value, dt.date) else dt.date.fromisoformat(str(value))
                sheet.write_datetime(line, place, dt.datetime.combine(when, dt.time()), day)
            else:
                sheet.write_string(line, place, str(value), text)
        sheet.write_string(line, len(COLUMNS), str(row.get(NOTE, "")), grey)
    sheet.freeze_panes(1, 2)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)


def _write_explanations(book: Any, engine_types: Iterable[str]) -> None:
    sheet = book.add_worksheet("explanations")
    bold, wrap = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
    for line, words in enumerate(LINES):
        sheet.write_string(line, 0, words)
    line = len(LINES) + 1
    by_name = (
        (("column", "what stands there"), [(name, words) for name, (words, _) in COLUMNS.items()]),
        (("step", "what its limit is about, and its unit"), _describe_steps()),
        (("engine type", "where it is known from"), _describe_types(engine_types)),
    )
    for titles, rows in by_name:
        for place, title in enumerate(titles):
            sheet.write_string(line, place, title, bold)
        for row in rows:
            line += 1
            for place, words in enumerate(row):
                sheet.write_string(line, place, words, wrap)
        line += 2
    sheet.set_column(0, 0, 30)
    sheet.set_column(1, 1, 90)


def _describe_steps() -> list[tuple[str, str]]:
    found: dict[str, tuple[str, str]] = {}
    for step in tables.load_steps().values():
        kind = "yes or no" if step.yes_no else "a number" if step.unit == "1" else step.unit
        found.setdefault(step.limit, (step.limit, f"{step.text} [{kind}]"))
    return list(found.values())


def _describe_types(engine_types: Iterable[str]) -> list[tuple[str, str]]:
    recorded = sorted(set(engine_types))
    table = sorted(tables.known_engine_types() - set(recorded) - {"*"})
    return [
        ("*", "all types that have no row of their own"),
        *[(name, "engines on record") for name in recorded],
        *[(name, "data/engine_types.toml") for name in table],
    ]


def read_limits_table(path: str | Path) -> list[tuple[str, dict[str, Any]]]:
    """The filled-in rows as (address, row), each row as a shop's limits.toml would hold it; rows without numbers are passed over.

    TableError or InputError names what is wrong and where.
    """
    path = check_name(path)
    cells = read_cells(path, SHEET)
    if not cells:
        raise InputError(f"{path.name}, sheet {SHEET}: is empty; write a table with ventbook limits --out")
    header = [cell_text(cell).strip() for cell in cells[0][1]]
    wrong = sorted({name for name in header if name and name not in (*COLUMNS, NOTE)})
    missing = [name for name in COLUMNS if header.count(name) != 1]
    if wrong or missing:
        faults = [f"unknown column {', '.join(wrong)}"] if wrong else []
        faults += [f"column {', '.join(missing)} missing or there twice"] if missing else []
        raise TableError(f"{path.name}, sheet {SHEET}: {'; '.join(faults)}")
    found = []
    for number, row in cells[1:]:
        where = f"{path.name}: row {number}"
        given = {name: cell for name, cell in zip(header, row, strict=False) if name in COLUMNS}
        values = {name: _read_cell(name, cell, where) for name, cell in given.items()}
        values = {name: value for name, value in values.items() if value != ""}
        if any(name in values for name in NUMBERS):
            found.append((where, {"status": "manual", "source": "", **values}))
    return found


def _read_cell(name: str, cell: Any, where: str) -> Any:
    """A cell as limits.toml holds it: a number, a day as ISO text, or text; "" where it is empty."""
    if name not in NUMBERS:
        return cell_text(cell).strip()
    if isinstance(cell, bool) or not isinstance(cell, str):
        return "" if cell is None else cell
    text = cell.strip()
    if not text:
        return ""
    try:
        return float(text)
    except ValueError:
        raise TableError(f"{where}: {name} must be a number; got {text!r}") from None


@dataclass(frozen=True)
class LimitsChange:
    """What a filled-in table changed: the file, what is new in words, the starts read again and the snapshot they came in."""

    path: Place
    changes: tuple[str, ...]
    renewed: int = 0
    number: int | None = None


def export_limits(path: str | Path, *, store: str | Place) -> Path:
    """Write the table of all steps to ``path``, with the rows of the limits beside ``store`` filled in."""
    store = find_place(store)
    types = _recorded_types(_find_store(store))
    own = _read_own(store, types)
    return write_limits_table(path, rows=[raw for _, raw in own], engine_types=types or ())


def change_limits(file: str | Path, *, store: str | Place, dry_run: bool = False) -> LimitsChange:
    """Take the rows of a filled-in table into the limits beside ``store``.

    A new row ends the one of the same step and engine type that was in force, on the day from which it holds itself; rows
    that the table leaves out stay. The file is replaced in one step, its earlier text kept as ``limits.before.toml``. Traces
    whose thresholds or bands are others now are read again, in a snapshot of their own.

    TableError and InputError name the row and what to do; nothing is written then, nor on a dry run.
    """
    store = find_place(store)
    target = _find_store(store)
    filled = read_limits_table(file)
    beside = tables.own_limits_path(store)
    held = nullcontext(None) if target is None or dry_run else write_snapshot(target)
    with held as writer:
        types = _recorded_types(target)
        own = _read_own(store, types)
        rows, changes = merge_limits(own, filled, engine_types=types)
        if dry_run or not changes:
            return LimitsChange(beside, tuple(changes))
        if writer is not None:
            writer.still_held()
        _replace_file(beside, write_toml(rows), types)
        if writer is None or writer.before is None:
            return LimitsChange(beside, tuple(changes))
        return _renew(writer, beside, changes)


def _renew(writer: Writer, path: Place, changes: Sequence[str]) -> LimitsChange:
    assert writer.before is not None
    renewed = renew_features(writer)
    upgraded = upgrade_store(writer) if renewed else ""
    if not renewed:
        return LimitsChange(path, tuple(changes))
    note = "; ".join(filter(None, [f"limits changed: features of {renewed} starts made anew", upgraded]))
    today = writer.before.today
    number = writer.commit(kind="limits", today=today, counts={}, sources=[], note=note)
    return LimitsChange(path, tuple(changes), renewed, number)


def merge_limits(
    own: Sequence[tuple[str, dict[str, Any]]],
    filled: Sequence[tuple[str, dict[str, Any]]],
    *,
    engine_types: Sequence[str] | None = (),
) -> tuple[list[dict[str, Any]], list[str]]:
    """The rows of the shop's file after the filled-in ones, and what changes, in words, one line a change.

    Both as (address, row). TableError where a filled-in row would change or drop one in force instead of following it.
    """
    rows = [dict(raw) for _, raw in own]
    limits = [read_limit(raw, where=where, engine_types=engine_types) for where, raw in own]
    new = [(read_limit(raw, where=where, engine_types=engine_types), raw) for where, raw in filled]
    changes = []
    for limit, raw in sorted(new, key=lambda pair: pair[0].effective_from):
        same = [n for n, other in enumerate(limits) if _key(other) == _key(limit)]
        twin = next((n for n in same if limits[n].effective_from == limit.effective_from), None)
        if twin is not None:
            changes += _update(rows[twin], limits[twin], limit, raw)
            limits[twin] = read_limit(rows[twin], where=limit.where.split(" (")[0], engine_types=engine_types)
            continue
        for n in same:
            if _follow(limits[n], limit):
                rows[n]["effective_to"] = limit.effective_from.isoformat()
                limits[n] = read_limit(
                    rows[n], where=limits[n].where.split(" (")[0], engine_types=engine_types
                )
                changes.append(f"{_name(limits[n])} ends on {limit.effective_from}")
        rows.append(
            {name: raw[name] for name in FIELDS if name in raw and raw[name] != ""}
            | {"source": raw["source"]}
        )
        limits.append(limit)
        changes.append(f"{_name(limit)} holds from {limit.effective_from}")
    check_overlaps(limits)
    return rows, changes


def _key(limit: Limit) -> tuple[str, str, str]:
    return limit.step, limit.engine_type, limit.status


def _update(row: dict[str, Any], old: Limit, new: Limit, raw: dict[str, Any]) -> list[str]:
    """What a row that begins on the same day may change: its end and its words. Its numbers are another row's matter."""
    if not _same_numbers(old, new) or old.revision != new.revision:
        raise TableError(
            f"{new.where}: differs from the row in force since {old.effective_from} ({_name(old)}); leave that one as it is "
            "and add a row with the day from which the new value holds"
        )
    changes = []
    if old.effective_to != new.effective_to:
        row.pop("effective_to", None)
        ends = "stays in force"
        if "effective_to" in raw:
            row["effective_to"], ends = new.effective_to.isoformat(), f"ends on {new.effective_to}"
        changes.append(f"{_name(old)} {ends}")
    for name in ("source", "text"):
        if raw.get(name) and raw[name] != row.get(name):
            row[name] = raw[name]
            changes.append(f"{_name(old)}: {name} is now: {raw[name]}")
    return changes


def _same_numbers(a: Limit, b: Limit) -> bool:
    pairs = [(getattr(a, name), getattr(b, name)) for name in NUMBERS]
    return all(
        (x is None and y is None)
        or (x is not None and y is not None and math.isclose(x, y, rel_tol=1e-9, abs_tol=1e-12))
        for x, y in pairs
    )


def _follow(old: Limit, new: Limit) -> bool:
    """Whether ``new`` takes over from ``old``, which then ends; TableError where it would cut a piece out of it."""
    if not (old.effective_from < new.effective_to and new.effective_from < old.effective_to):
        return False
    if new.effective_from < old.effective_from:
        raise TableError(
            f"{new.where}: begins before {_name(old)}, which is in force from {old.effective_from}; "
            f"end the new row on that day (effective_to), or let it begin later"
        )
    if new.effective_to < old.effective_to:
        raise TableError(
            f"{new.where}: ends on {new.effective_to}, before {_name(old)} does; after that day no limit would be in force: "
            "leave effective_to empty, or add the row that follows"
        )
    return True


def _name(limit: Limit) -> str:
    """``lifter_gap, *: high 0.4 mm (revision B)``."""
    numbers = [f"{name} {getattr(limit, name):g}" for name in NUMBERS if getattr(limit, name) is not None]
    unit = "" if limit.unit == "1" else f" {limit.unit}"
    return f"{limit.step}, {limit.engine_type}: {', '.join(numbers)}{unit} (revision {limit.revision})"


def write_toml(rows: Sequence[dict[str, Any]]) -> str:
    """The rows as a limits file."""
    parts = [HEAD]
    for row in rows:
        lines = ["[[limit]]"]
        for name in FIELDS:
            value = row.get(name)
            if value is None or (value == "" and name not in ("source",)):
                continue
            if name in NUMBERS:
                number = float(value)
                lines.append(f"{name} = {int(number) if number.is_integer() else repr(number)}")
            else:
                text = value.isoformat() if isinstance(value, dt.date) else str(value)
                lines.append(f"{name} = {quote_text(text)}")
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)


def _replace_file(path: Place, text: str, engine_types: Sequence[str] | None) -> None:
    """Write the file beside the one in use, read it back, and put it in its place in one step."""
    draft = path.with_name("limits.toml.draft")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            write_whole(draft, text)
            read_limits([tables.DATA / "limits.toml", draft], engine_types=engine_types)
            if path.is_file():
                path.with_name("limits.before.toml").write_bytes(path.read_bytes())
            write_whole(path, text)
        finally:
            draft.unlink(missing_ok=True)
    except OSError as error:
        raise InputError(f"{path}: can't be written ({error.strerror or error})") from None


def _find_store(path: Place) -> Store | None:
    """The store, None where there is none yet."""
    return open_store(path) if path.exists() else None


def _recorded_types(store: Store | None) -> list[str] | None:
    """Engine types on record; None where there are no records yet, so that any name may be meant."""
    if store is None or store.empty:
        return None
    return store.snapshot().engine_types


def _read_own(store: Place, engine_types: Sequence[str] | None) -> list[tuple[str, dict[str, Any]]]:
    """The rows of the shop's file as (address, row), checked; none where there is no file."""
    path = tables.find_own_limits(store)
    if path is None:
        return []
    read_limits([tables.DATA / "limits.toml", path], engine_types=engine_types)
    raw = tables.read_toml(path).get("limit", [])
    return [(f"{path.name}: row {number}", dict(row)) for number, row in enumerate(raw, 1)]
