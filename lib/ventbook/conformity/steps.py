"""The steps that are held against a limit, from ``data/steps.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from ventbook.dictionary import DATA, TableError, read_toml

KINDS = ("action", "outcome")


@dataclass(frozen=True)
class Step:
    """One step: its name, the limit it is held against, its title in reports.

    ``kind`` "action" is what was done, "outcome" what the engine showed. ``before`` says that the step lies before
    the first lifter check, ``yes_no`` that the record is yes or no, kept as 1 and 0.
    """

    name: str
    limit: str
    title: str
    kind: str
    before: bool
    yes_no: bool = False


def read_steps(path: Path) -> tuple[Step, ...]:
    """The steps of a file, in order; TableError naming file and row when one is wrong."""
    found: list[Step] = []
    for number, raw in enumerate(read_toml(path).get("step", ()), 1):
        where = f"{path.name}: step {number} ({raw.get('name', '?')})"
        if {*raw} | {"yes_no"} != {"name", "limit", "title", "kind", "before", "yes_no"}:
            raise TableError(
                f"{where}: needs name, limit, title, kind, before, perhaps yes_no; got {', '.join(raw)}"
            )
        if raw["kind"] not in KINDS:
            raise TableError(f"{where}: kind must be one of {', '.join(KINDS)}; got {raw['kind']!r}")
        if raw["name"] in [step.name for step in found]:
            raise TableError(f"{where}: stands twice")
        found.append(Step(**raw))
    return tuple(found)


@cache
def steps() -> dict[str, Step]:
    """The steps by name, in the order of the job."""
    return {step.name: step for step in read_steps(DATA / "steps.toml")}
