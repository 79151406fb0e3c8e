"""What a page may suggest at an engine, from ``data/suggestions.toml``, held against the limits in force."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache

from ventbook.shipped import DATA
from ventbook.tables.limits import Limit, Limits, load_steps
from ventbook.tables.reader import TableError, make_rows, read_toml

NO_CAUTION = ("open_finding_at_release",)  # a step of paper alone


@dataclass(frozen=True)
class StepCaution:
    """What is said with everything that touches one of ``steps``."""

    name: str
    steps: tuple[str, ...]
    text: str


@dataclass(frozen=True)
class Suggestion:
    """One row of ``data/suggestions.toml``; the file's head explains the fields."""

    name: str
    text: str
    touches: tuple[str, ...] = ()
    values: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    shares: Mapping[str, float] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()
    instead: str = ""

    @property
    def steps(self) -> tuple[str, ...]:
        """Every step that it touches."""
        return tuple(dict.fromkeys((*self.touches, *self.values, *self.shares)))


@dataclass(frozen=True)
class SuggestionTable:
    """All suggestions, cautions and nouns by name."""

    suggestions: Mapping[str, Suggestion]
    cautions: tuple[StepCaution, ...]
    nouns: Mapping[str, str]

    def cautions_of(self, row: Suggestion) -> tuple[str, ...]:
        """The texts of the cautions of all that a suggestion touches, in the table's order."""
        return tuple(c.text for c in self.cautions if c.name in row.cautions or set(c.steps) & set(row.steps))


@dataclass(frozen=True)
class Fit:
    """A suggestion that leaves no limit: its touched steps with the manual's limit, and those that have none of their own."""

    row: Suggestion
    entered: tuple[tuple[str, Limit], ...]
    unentered: tuple[str, ...]


@cache
def load_suggestions() -> SuggestionTable:
    """All of ``data/suggestions.toml``, checked; every fault in one TableError."""
    path = DATA / "suggestions.toml"
    document = read_toml(path)
    where = f"{path.name}: "
    cautions = make_rows(document.get("caution", ()), StepCaution, where=where, word="caution", unique=True)
    rows = make_rows(document.get("suggestion", ()), Suggestion, where=where, word="suggestion", unique=True)
    table = SuggestionTable({row.name: row for row in rows}, cautions, document.get("noun", {}))
    if faults := _find_faults(table):
        raise TableError(where + "; ".join(faults))
    return table


def check_names(names: Sequence[str], *, where: str) -> None:
    """TableError that begins with ``where`` and tells the names that are no suggestion."""
    if unknown := sorted({name for name in names if name and name not in load_suggestions().suggestions}):
        raise TableError(f"{where}: {', '.join(unknown)} not in suggestions.toml")


def fit_suggestion(name: str, limits: Limits, *, engine_types: Sequence[str], day: dt.date) -> Fit | None:
    """The suggestion ``name``, or what stands in for it, where it leaves no limit in force on ``day``; None where it would.

    A value that it would bring about needs a manual's limit that holds it, for every one of ``engine_types`` (none: any).
    """
    row = load_suggestions().suggestions[name]
    kinds = list(engine_types) or ["*"]
    if any(
        not _holds(found, values, shares)
        for step, values, shares in (
            *((s, v, ()) for s, v in row.values.items()),
            *((s, (), (v,)) for s, v in row.shares.items()),
        )
        for found in _in_force(limits, step, kinds, day)
    ):
        return fit_suggestion(row.instead, limits, engine_types=kinds, day=day) if row.instead else None
    entered, unentered = [], []
    for step in row.touches:
        rows = _in_force(limits, step, kinds, day)
        ends = {(r.taken_low, r.taken_high) for r in rows if r is not None}
        if None in rows or len(ends) != 1 or rows[0] is None:
            unentered.append(step)
        else:
            entered.append((step, rows[0]))
    return Fit(row, tuple(entered), tuple(unentered))


def _in_force(limits: Limits, step: str, kinds: Sequence[str], day: dt.date) -> list[Limit | None]:
    """The manual's limit of a step for each engine type; None where only a placeholder stands, or nothing."""
    found = [limits.find(load_steps()[step].limit, kind, day) for kind in kinds]
    return [row if row is not None and row.status == "manual" else None for row in found]


def _holds(found: Limit | None, values: Sequence[float], shares: Sequence[float]) -> bool:
    if found is None or (shares and found.reference is None):
        return False
    low, high = found.taken_low, found.taken_high
    asked = [*values, *((found.reference or 0.0) * share for share in shares)]
    return all((low is None or low <= v) and (high is None or v <= high) for v in asked)


def _find_faults(table: SuggestionTable) -> list[str]:
    steps, kinds = load_steps(), {c.name for c in table.cautions}
    covered = {step for caution in table.cautions for step in caution.steps}
    faults = [f"{step}: no caution stands with it" for step in steps if step not in {*covered, *NO_CAUTION}]
    faults += [f"{step} is not a step" for step in sorted({*covered, *table.nouns} - set(steps))]
    for row in table.suggestions.values():
        faults += [f"{row.name}: {step} is not a step" for step in row.steps if step not in steps]
        faults += [f"{row.name}: no noun for {step}" for step in row.touches if step not in table.nouns]
        faults += [f"{row.name}: no caution {name}" for name in row.cautions if name not in kinds]
        if row.instead and row.instead not in table.suggestions:
            faults.append(f"{row.name}: instead names no suggestion")
    return faults
