"""What a report may be asked: reads ``data/parameters.toml`` and holds a call against it before anything runs.

A notebook runner would run on with its defaults when a name is misspelt; here an unknown name or a wrong value
stops the run first, with one line that names every fault at once and the nearest known name.
"""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from ventbook.dictionary import DATA, Parameter, TableError, parameters, read_toml
from ventbook.errors import InputError

from .period import read_period


class ParameterError(InputError):
    """A call that can't be run; its message is one line and names every fault."""


@dataclass(frozen=True)
class ReportSpec:
    """One report: its name on the command line, its notebook, titles, and the parameters that it takes.

    ``quiet_periods``: a period without ventings is stated where it lies between the first record and the last.
    ``weight`` says how long it takes, roughly: heavier ones start first when several are made side by side.
    """

    name: str
    notebook: str
    title: str
    short: str
    needs_ventings: bool
    quiet_periods: bool
    weight: int
    parameters: Mapping[str, Parameter]


@cache
def report_specs(path: Path = DATA / "parameters.toml") -> Mapping[str, ReportSpec]:
    """All reports by name, in reading order.

    Raises TableError naming file and row when the table itself is wrong.
    """
    specs: dict[str, ReportSpec] = {}
    for number, row in enumerate(read_toml(path).get("report", ()), 1):
        where = f"{path.name}: report {number} ({row.get('name', '?')})"
        if missing := {"name", "notebook", "title", "short"} - set(row):
            raise TableError(f"{where}: {', '.join(sorted(missing))} missing")
        name = row["name"]
        if name in specs:
            raise TableError(f"{where}: stands twice")
        specs[name] = ReportSpec(
            name,
            row["notebook"],
            row["title"],
            row["short"],
            row.get("needs_ventings", True),
            row.get("quiet_periods", False),
            row.get("weight", 1),
            parameters(name),
        )
    return specs


def find_report(name: str) -> ReportSpec:
    """The report of that name; raises ParameterError with the nearest names."""
    specs = report_specs()
    if name in specs:
        return specs[name]
    raise ParameterError(f"report {name!r} is not known{nearest(name, specs)}; known: {', '.join(specs)}")


def nearest(name: str, known: Iterable[str]) -> str:
    """`` (did you mean harbour?)`` where a known name is near, else an empty text."""
    names = {item.casefold().replace("_", "-"): item for item in known}
    near = difflib.get_close_matches(name.casefold().replace("_", "-"), list(names), n=1, cutoff=0.5)
    return f" (did you mean {names[near[0]]}?)" if near else ""


def check_value(parameter: Parameter, value: Any) -> str:
    """What is wrong with a value for this parameter, or an empty text."""
    name = parameter.name
    if parameter.type == "bool":
        return "" if isinstance(value, bool) else f"{name} must be true or false; got {value!r}"
    if parameter.type in ("int", "float"):
        wanted = "a whole number" if parameter.type == "int" else "a number"
        right = isinstance(value, int) or (parameter.type == "float" and isinstance(value, float))
        if isinstance(value, bool) or not right:
            return f"{name} must be {wanted}; got {value!r}"
        low, high = parameter.low, parameter.high
        if (low is not None and not value >= low) or (high is not None and not value <= high):
            span = f"from {low:.10g} to {high:.10g}" if low is not None and high is not None else ""
            span = span or (f"{low:.10g} or more" if low is not None else f"{high:.10g} or less")
            return f"{name} must be {wanted} {span}; got {value!r}"
    elif not isinstance(value, str):
        return f"{name} must be text; got {value!r}"
    elif "\0" in value:
        return f"{name} must be text without control characters; got {value!r}"
    if parameter.allowed and value not in parameter.allowed:
        return f"{name} must be {' or '.join(map(str, parameter.allowed))}; got {value!r}"
    return _check_dates(name, value)


def _check_dates(name: str, value: Any) -> str:
    if not value or name not in ("period", "since", "until"):
        return ""
    try:
        if name == "period":
            read_period(value)
        else:
            dt.datetime.strptime(value, "%Y-%m-%d")
    except ValueError as error:
        return str(error) if name == "period" else f"{name} must be a date like 2026-07-01; got {value!r}"
    return ""


def check_parameters(spec: ReportSpec, given: Mapping[str, Any]) -> dict[str, Any]:
    """All parameters of a report: the given values, checked, and the defaults of the others.

    Raises ParameterError that lists every unknown name (with the nearest known one) and every wrong value.
    """
    faults = []
    for name, value in given.items():
        if name in spec.parameters:
            faults.append(check_value(spec.parameters[name], value))
        else:
            faults.append(f"unknown parameter {name!r}{nearest(name, spec.parameters)}")
    faults = [fault for fault in faults if fault]
    if not faults and given.get("period") and (given.get("since") or given.get("until")):
        faults.append("give either period or since/until, not both")
    if faults:
        raise ParameterError(f"{spec.name}: {'; '.join(faults)}")
    checked = {name: given.get(name, parameter.default) for name, parameter in spec.parameters.items()}
    return {n: float(v) if spec.parameters[n].type == "float" else v for n, v in checked.items()}
