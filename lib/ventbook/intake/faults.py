"""Faults found in rows, collected by rule, and turned into issues with sentences at the end."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np

from ventbook import dictionary

VALUE_LENGTH = 200
MOST_NOTES = 200  # of one rule in one intake, row by row
CHANGES = frozenset({"corrected", "released", "correction_applied"})


@dataclass
class Fault:
    """One rule's finding: reason code, column, positions of the rows in their table, their values as text, and
    what else the sentence needs (``common`` for all rows, ``each`` row by row).
    """

    code: str
    column: str
    rows: np.ndarray
    values: Sequence[str] = ()
    common: dict[str, Any] = field(default_factory=dict)
    each: Sequence[dict[str, Any]] = ()
    once: bool = False  # one issue for all rows together
    _said: dict[Any, tuple[str, str, str]] = field(default_factory=dict, init=False, repr=False)

    def __post_init__(self) -> None:
        if len(self.rows) and self.rows.min() < 0:
            raise ValueError(f"{self.code}: a fault speaks of rows of this intake only")

    @property
    def holds(self) -> bool:
        return dictionary.issue(self.code).severity == "set_aside"

    def moved(self, offset: int) -> Fault:
        """The same with row positions counted from ``offset``."""
        return Fault(
            self.code, self.column, self.rows + offset, self.values, self.common, self.each, self.once
        )

    def text(self, position: int, clean: Callable[[str], str] = lambda text: text) -> tuple[str, str, str]:
        """(value, what, do) of the fault's row number ``position`` (not the row's position in the table); ``clean``
        is applied to what came from the row before it goes into the sentence.
        """
        value = self.values[position] if len(self.values) else str(self.common.get("value", ""))
        if self.each:
            return self._say(value, position, clean)
        known = self._said.get((value, clean))
        if known is None:
            known = self._said[(value, clean)] = self._say(value, position, clean)
        return known

    def _say(self, value: str, position: int, clean: Callable[[str], str]) -> tuple[str, str, str]:
        value = clean(value)
        words = {"value": shorten(value), "column": self.column, "unit": "", **self.common}
        if self.each:
            words |= self.each[position]
        words |= {name: clean(words[name]) for name in ("old", "why") if name in words}
        if len(self.values):
            words["value"] = shorten(value)
        wording = dictionary.issue(self.code)
        what = wording.what.format(**words)
        if self.once and len(self.values) > 1:
            what += f" (and {len(self.rows) - 1} more rows like it)"
        return shorten(value), what, wording.do.format(**words)


def shorten(text: str, length: int = VALUE_LENGTH) -> str:
    """Text cut to a length that fits a line, with a mark where it was cut."""
    text = str(text)
    return text if len(text) <= length else text[: length - 1] + "…"


def merge_notes(faults: Iterable[Fault]) -> list[Fault]:
    """The same faults, where a note that speaks for very many rows becomes one issue for all of them.

    What tells of a change to a value always stays row by row.
    """
    return [
        replace(fault, once=True)
        if not fault.once and len(fault.rows) > MOST_NOTES and not fault.holds and fault.code not in CHANGES
        else fault
        for fault in faults
    ]


def mark_held(count: int, faults: Iterable[Fault]) -> np.ndarray:
    """True for the rows that some fault sets aside."""
    held = np.zeros(count, dtype=bool)
    for fault in faults:
        if fault.holds:
            held[fault.rows] = True
    return held


@cache
def thresholds() -> dict[str, Any]:
    """The thresholds of ``data/checks.toml``."""
    found: dict[str, Any] = tomllib.loads((dictionary.DATA / "checks.toml").read_text("utf-8"))
    return found


def note_site(code: str, column: str, row: int, **words: object) -> Fault:
    """A note on many rows of a site, told once at the first of them, ``row``."""
    return Fault(code, column, np.array([row], dtype=np.int64), (), dict(words), once=True)


Pattern = Callable[[Any, Any], list[Fault]]  # (SiteRows of one table, Context)
