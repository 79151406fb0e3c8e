"""Sections and texts of the page for the stand, from ``data/form_page.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from ventbook.tables import DATA, Column, TableError, read_toml, record_tables
from ventbook.tables.reader import make_rows

PAGE = DATA / "form_page.toml"


@dataclass(frozen=True)
class Section:
    """One section: the columns of a table that stand in it, in order; those of ``for_all`` once for all rows."""

    id: str
    title: str
    table: str
    columns: tuple[str, ...] = ()
    for_all: tuple[str, ...] = ()
    rest: bool = False
    texts: tuple[str, ...] = ()

    def find(self, names: tuple[str, ...]) -> list[Column]:
        return [record_tables()[self.table].column(name) for name in names]


@dataclass(frozen=True)
class _Text:
    id: str
    text: str


@cache
def read_sections() -> tuple[Section, ...]:
    """The sections in order, those with ``rest`` completed; TableError naming what no table knows."""
    raw = read_toml(PAGE)
    where = f"{PAGE.name}: "
    sections = make_rows(raw["section"], Section, where=where, word="section", label="id", unique=True)
    by_name = record_tables()
    done = []
    for section in sections:
        if section.table not in by_name:
            raise TableError(f"{where}section {section.id}: no table {section.table!r}")
        known = [column.name for column in by_name[section.table].columns]
        own = [*section.for_all, *section.columns]
        if unknown := sorted(set(own) - set(known)):
            raise TableError(f"{where}section {section.id}: {section.table} has no {', '.join(unknown)}")
        if section.rest:
            taken = {n for s in sections if s.table == section.table for n in (*s.for_all, *s.columns)}
            taken |= set(numbered(section.table)) | {c for t, c in linked() if t == section.table}
            more = tuple(name for name in known if name not in taken)
            section = Section(**{**vars(section), "columns": (*section.columns, *more)})
        done.append(section)
    return tuple(done)


@cache
def linked() -> Mapping[tuple[str, str], tuple[str, str]]:
    """(table, column) that takes what stands in another (table, column)."""
    pairs = read_toml(PAGE)["linked"].items()

    def split(name: str) -> tuple[str, str]:
        table, _, column = name.partition(".")
        record_tables()[table].column(column)
        return table, column

    return {split(own): split(other) for own, other in pairs}


@cache
def filled_ahead() -> frozenset[str]:
    """Columns of ventings that a planned job fills in."""
    names = read_toml(PAGE)["filled_ahead"]
    return frozenset(record_tables()["ventings"].column(name).name for name in names)


def numbered(table: str) -> tuple[str, ...]:
    """Key columns that the page fills in itself: the number of a row, and the lifter that a row stands for."""
    return {"starts": ("start_no",), "lifter_checks": ("check_no", "cylinder", "valve")}.get(table, ())


@cache
def read_texts() -> Mapping[str, str]:
    """The page's own texts by id, and those of ``data/cautions.toml``."""
    rows = [
        *({"id": r["id"], "text": r["text"]} for r in read_toml(DATA / "cautions.toml")["caution"]),
        *read_toml(PAGE)["text"],
    ]
    return {
        row.id: row.text for row in make_rows(rows, _Text, where=f"{PAGE.name}: ", label="id", unique=True)
    }
