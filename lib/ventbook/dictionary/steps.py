"""The steps that are held against a limit, from ``data/steps.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from .. import units
from .files import DATA, TableError, check_keys, read_toml

KINDS = ("action", "outcome")
FACTS = ("yes", "no", "some")
_REQUIRED = ("name", "limit", "unit", "text", "title", "kind", "before")
_ALLOWED = (*_REQUIRED, "yes_no", "fact", "fact_title")


@dataclass(frozen=True)
class Step:
    """One step: its name, the limit it is held against, its title in reports.

    ``unit`` is the one in which its limits are kept, ``text`` says what the limit is about. ``kind`` "action" is what
    was done, "outcome" what the engine showed. ``before`` says that the step lies before the first lifter check,
    ``yes_no`` that the record is yes or no, kept as 1 and 0. ``fact`` is "yes", "no" or "some" (a count over 0) where
    such a record is listed for every shop, whatever its limits, under the words ``fact_title``; "" elsewhere.
    """

    name: str
    limit: str
    unit: str
    text: str
    title: str
    kind: str
    before: bool
    yes_no: bool = False
    fact: str = ""
    fact_title: str = ""


def read_steps(path: Path) -> tuple[Step, ...]:
    """The steps of a file, in order; TableError naming file and row when one is wrong."""
    found: list[Step] = []
    for number, raw in enumerate(read_toml(path).get("step", ()), 1):
        where = f"{path.name}: step {number} ({raw.get('name', '?')})"
        check_keys(raw, where=where, allowed=_ALLOWED, required=_REQUIRED)
        if raw["kind"] not in KINDS:
            raise TableError(f"{where}: kind must be one of {', '.join(KINDS)}; got {raw['kind']!r}")
        if raw["name"] in [step.name for step in found]:
            raise TableError(f"{where}: stands twice")
        if units.known(raw["unit"]) is None:
            raise TableError(f"{where}: unit {raw['unit']!r} is not in units.toml")
        if bool(raw.get("fact")) != bool(raw.get("fact_title")) or raw.get("fact", "yes") not in FACTS:
            raise TableError(f"{where}: fact is one of {', '.join(FACTS)} and comes with fact_title")
        found.append(Step(**raw))
    return tuple(found)


@cache
def steps() -> dict[str, Step]:
    """The steps by name, in the order of the job."""
    return {step.name: step for step in read_steps(DATA / "steps.toml")}
