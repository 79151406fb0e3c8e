"""Parameters as words of a command line: ``NAME=VALUE`` by the kind that the table of parameters gives."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from ventbook.errors import InputError
from ventbook.pages.parameters import ParameterError, find_report, nearest, report_specs

_YES_NO = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


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
            raise ParameterError(f"unknown parameter {name!r}{nearest(name, known)}")
        kind = known[name].type
        try:
            values[name] = _READERS[kind](text)
        except (ValueError, KeyError):
            wanted = {"int": "a whole number", "float": "a number", "bool": "yes or no"}[kind]
            raise ParameterError(f"{name} must be {wanted}; got {text!r}") from None
    return values


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
