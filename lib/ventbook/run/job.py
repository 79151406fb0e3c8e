"""What is to be made, what came of it, and where it goes; parameters as the words ``NAME=VALUE`` of a command line.

How a value is read goes by the kind that the table of parameters gives.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ventbook.document.values import safe_name
from ventbook.errors import InputError
from ventbook.places import Place, find_place
from ventbook.reports.parameters import ParameterError, find_report, nearest, report_specs
from ventbook.reports.scope import FILTERS
from ventbook.tables import DATA, load_parameters

# What the folder's name leaves out: where things lie, and the period, which stands in front by its label.
PLACED = ("store", "out", "period", "since", "until")
LONGEST_SCOPE = 100
SEED = "seed"  # the one parameter of all reports without an option of its own
_YES_NO = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


@dataclass(frozen=True)
class Job:
    """One report to make. ``parameters`` are checked and complete; ``work`` is a folder beside ``final``."""

    name: str
    notebook: Path
    parameters: Mapping[str, Any]
    work: Path
    final: Path
    paper: str = "a4"
    comments: Path | None = None
    cell_timeout_s: int = 900
    environment: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """What came of a job. ``code`` is 0 (done), 1 (our fault) or 2 (the input); ``kept`` the half-run notebook."""

    name: str
    folder: Path
    code: int
    message: str = ""
    kept: Path | None = None
    seconds: float = 0.0

    @property
    def done(self) -> bool:
        return self.code == 0


class ReportError(RuntimeError):
    """A report that could not be made; ``code`` is the exit code that it stands for."""

    def __init__(self, message: str, *, code: int = 1) -> None:
        super().__init__(" ".join(message.split()))
        self.code = code

    def __reduce__(self) -> tuple[Any, ...]:
        return (_rebuild, (str(self), self.code))


def _rebuild(message: str, code: int) -> ReportError:
    return ReportError(message, code=code)


def scope_of(report: str, parameters: Mapping[str, Any], label: str) -> str:
    """The folder name of a report: its period and every other parameter that isn't at its default.

    Whatever changes the content changes the name, so that no sheet, snapshot or system of units takes another's
    place. Safe on every file system; a long one is cut and ends in a mark of the whole.
    """
    parts = [safe_name(label.replace(" ", "_").replace("/", "_to_" if label[4:5] == "-" else "_"))]
    for name, value in _content_of(report, parameters).items():
        word = name.removeprefix("plan_").replace("_", "-")
        shown = Path(value).stem if name == "limits" else str(value)
        shown = shown.replace(".", "-") if isinstance(value, float) else shown
        parts.append(f"{word}-{safe_name(shown)}")
    scope = "_".join(parts)
    if len(scope) <= LONGEST_SCOPE:
        return scope
    return f"{scope[:LONGEST_SCOPE]}-{_mark(scope)}"


def _content_of(report: str, parameters: Mapping[str, Any]) -> dict[str, Any]:
    """The parameters that change what a report says and aren't at their default, filters first."""
    known = find_report(report).parameters
    order = [*FILTERS, *(name for name in known if name not in FILTERS)]
    return {
        name: parameters[name]
        for name in order
        if name in known
        and name not in PLACED
        and parameters.get(name, known[name].default) != known[name].default
    }


def _mark(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def choose_folder(out: Path, name: str, scope: str, parameters: Mapping[str, Any]) -> Path:
    """The report's folder; another name where a report with other parameters already has this one.

    That happens where two sites differ by upper and lower case only, on file systems that don't tell them apart.
    """
    folder = out / name / scope
    try:
        before = json.loads((folder / "run.json").read_text("utf-8"))["parameters"]
    except (OSError, ValueError, KeyError):
        return folder
    told = [key for key in find_report(name).parameters if key not in (*PLACED, "as_of", "limits")]
    if all(before.get(key, parameters.get(key)) == parameters.get(key) for key in told):
        return folder
    return out / name / f"{scope}-{_mark('/'.join(str(parameters.get(key)) for key in told))}"


def bare_path(path: str | Place) -> str:
    """A path as a page may show it: from the project's folder where it lies in there, else its last name only."""
    place = find_place(path)
    if not isinstance(place, Path):
        return place.name
    full = place.resolve()
    root = DATA.parent.resolve()
    return full.relative_to(root).as_posix() if full.is_relative_to(root) else full.name


def shown_path(path: str | Place, start: Path) -> str:
    """A path as it may stand in a report's files: relative to ``start`` where the two have a folder in common.

    An absolute path tells a reader whose computer it was. Only ``run.json`` carries it, to find the store again.
    """
    place = find_place(path)
    if not isinstance(place, Path):
        return str(place)
    full = place.resolve()
    try:
        return Path(os.path.relpath(full, start.resolve())).as_posix()
    except ValueError:
        return full.as_posix()


def check_writable(out: Path) -> None:
    """Raises InputError when nothing can be written in ``out``; makes the folder."""
    probe = out / f".probe.{os.getpid()}"
    try:
        out.mkdir(parents=True, exist_ok=True)
        probe.write_text("", "utf-8")
        probe.unlink()
    except OSError as error:
        raise InputError(f"output folder {out} can't be written ({error.strerror})") from None


def default_paper(units: str) -> str:
    """The paper that goes with a system of units."""
    return "letter" if units == "us" else "a4"


def _read_yes_no(text: str) -> bool:
    return _YES_NO[text.casefold()]


_READERS: dict[str, Callable[[str], Any]] = {"str": str, "int": int, "float": float, "bool": _read_yes_no}


def read_settings(names: Sequence[str], settings: Sequence[str]) -> dict[str, Any]:
    """Values of the parameters given as ``NAME=VALUE``, converted to their kinds.

    Raises ParameterError with one line for a setting without ``=``, an unknown name, or a value of another kind.
    """
    specs = list(report_specs().values()) if list(names) == ["all"] else [find_report(name) for name in names]
    known = {name: parameter for spec in specs for name, parameter in spec.parameters.items()}
    values: dict[str, Any] = {}
    for setting in settings:
        name, sign, text = setting.partition("=")
        if not sign:
            raise ParameterError(f"--set takes NAME=VALUE; got {setting!r}")
        if name not in known:
            own = "; ".join(f"{own} ({what})" for own, what in [*describe_own(names), *describe_own([""])])
            raise ParameterError(f"unknown parameter {name!r}{nearest(name, known)}; --set takes: {own}")
        kind = known[name].type
        try:
            values[name] = _READERS[kind](text)
        except (ValueError, KeyError):
            wanted = {"int": "a whole number", "float": "a number", "bool": "yes or no"}[kind]
            raise ParameterError(f"{name} must be {wanted}; got {text!r}") from None
    return values


def describe_own(names: Sequence[str]) -> list[tuple[str, str]]:
    """Parameters that only ``--set`` gives to these reports (all; none named: to any), with their meanings."""
    chosen = list(report_specs()) if list(names) == ["all"] else names
    known = {p.name: p for name in chosen for p in load_parameters(name).values()}
    if "" in names:
        return [(SEED, known[SEED].help)]
    return [(name, parameter.help) for name, parameter in known.items() if "*" not in parameter.reports]


def write_text(path: Path, text: str) -> Path:
    """Writes a text file; InputError with one line when it can't be, or when something stands there."""
    if path.exists():
        raise InputError(f"{path} stands already; name another file")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path} can't be written ({error.strerror})") from None
    return path
