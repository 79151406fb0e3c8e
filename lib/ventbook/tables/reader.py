"""Tables of ``data/`` and of a shop as typed rows, and the one error for a table that is wrong."""

from __future__ import annotations

import json
import tomllib
import types
import typing
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from fractions import Fraction
from functools import cache
from typing import Any, TypeVar

from ventbook.errors import InputError
from ventbook.places import Place

Row = TypeVar("Row")
_TYPES: dict[Any, tuple[tuple[type, ...], str]] = {
    str: ((str,), "text"),
    bool: ((bool,), "true or false"),
    int: ((int,), "a whole number"),
    float: ((int, float), "a number"),
}


class TableError(InputError):
    """A table of ``data/`` (or a shop's own) is wrong; the message names file and row and what to do."""


def read_toml(path: Place) -> dict[str, Any]:
    """The content of a table of ``data/``, or of a shop's own.

    Parameters
    ----------
    path : Path or Address

    Returns
    -------
    dict

    Raises
    ------
    TableError
        With one line, where the file is missing or not TOML.

    Examples
    --------
    >>> from ventbook.tables import DATA, read_toml
    >>> read_toml(DATA / "dictionary.toml")["version"]
    1
    """
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        raise TableError(f"{path.name}: no such file in {path.parent}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise TableError(f"{path.name}: not a TOML file: {error}") from None


def quote_text(text: str) -> str:
    """A text as it stands in a TOML file, with its quotation marks."""
    # JSON's escapes are TOML's, but for the one control character that JSON leaves alone
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


@dataclass(frozen=True, init=False)
class OneOf:
    """Beside a field's type, ``Annotated[str, OneOf("air", "wear")]``: it holds one of the names, a tuple only such."""

    names: tuple[str, ...]

    def __init__(self, *names: str) -> None:
        object.__setattr__(self, "names", names)


def read_rows(path: Place, section: str, kind: type[Row], **options: Any) -> tuple[Row, ...]:
    """The rows ``[[section]]`` of a file as frozen dataclasses of ``kind``; options and errors as in :func:`make_rows`."""
    return make_rows(
        read_toml(path).get(section, ()), kind, where=options.pop("where", f"{path.name}: "), **options
    )


def make_rows(
    raw: Iterable[Mapping[str, Any]],
    kind: type[Row],
    *,
    where: str,
    word: str = "row",
    label: str = "name",
    unique: bool = False,
    defaults: Mapping[str, Any] | None = None,
) -> tuple[Row, ...]:
    """Rows as dataclasses of ``kind``, whose fields say what a row may and must hold.

    Parameters
    ----------
    raw : the rows as they stand in the file.
    where : how messages begin, up to the row: ``steps.toml: ``.
    word : what a row is called, ``row 3 (rest time)``; the name in brackets is that of the field ``label``.
    unique : whether a label may stand only once.
    defaults : values of fields that a row leaves out.

    Raises
    ------
    TableError : with the faults of all rows: unknown and missing keys, values of another type or outside :class:`OneOf`,
        and what the dataclass itself says of its values by a ValueError in ``__post_init__``.
    """
    rows: list[Row] = []
    faults: list[str] = []
    seen: set[Any] = set()
    for number, entry in enumerate(raw, 1):
        name = entry.get(label, "?")
        place = f"{word} {number} ({name})"
        try:
            rows.append(make_row({**(defaults or {}), **entry}, kind, where=place))
        except TableError as error:
            faults.append(str(error))
        if unique and name in seen:
            faults.append(f"{place}: stands twice")
        if unique:
            seen.add(name)
    if faults:
        raise TableError(where + "; ".join(faults))
    return tuple(rows)


def make_row(raw: Mapping[str, Any], kind: type[Row], *, where: str) -> Row:
    """One row as a dataclass of ``kind``; TableError that begins with ``where`` and tells all that is wrong with it."""
    known = _describe(typing.cast(Any, kind))
    required = [f.name for f, _ in known.values() if f.default is MISSING and f.default_factory is MISSING]
    check_keys(raw, where=where, allowed=known, required=required)
    values, faults = {}, []
    for key, value in raw.items():
        try:
            values[key] = _convert(value, known[key][1])
        except ValueError as error:
            faults.append(f"{key} {error}")
    if faults:
        raise TableError(f"{where}: {'; '.join(faults)}")
    try:
        return kind(**values)
    except ValueError as error:
        raise TableError(f"{where}: {error}") from None


@cache
def _describe(kind: type) -> dict[str, tuple[Field[Any], Any]]:
    """Each field of a row's dataclass with its type."""
    hints = typing.get_type_hints(kind, include_extras=True)
    return {f.name: (f, hints[f.name]) for f in fields(kind) if f.init}


def _convert(value: Any, hint: Any) -> Any:
    """A value as a field's type has it; ValueError saying what it must be. A union of several types takes it as it is."""
    names: tuple[str, ...] = ()
    if typing.get_origin(hint) is typing.Annotated:
        hint, mark = typing.get_args(hint)[:2]
        names = mark.names
    outer, inner = typing.get_origin(hint), typing.get_args(hint)
    if outer in (types.UnionType, typing.Union):
        parts = [part for part in inner if part is not type(None)]
        return _convert(value, parts[0]) if len(parts) == 1 else value
    if outer is tuple:
        if not isinstance(value, list):
            raise ValueError(f"must be a list; got {value!r}")
        if wrong := [item for item in value if names and item not in names]:
            raise ValueError(f"must be among {', '.join(names)}; got {', '.join(map(repr, wrong))}")
        return tuple(_convert(item, inner[0]) for item in value)
    if outer is not None and issubclass(outer, Mapping):
        if not isinstance(value, dict):
            raise ValueError(f"must be a table; got {value!r}")
        return {key: _convert(item, inner[1]) for key, item in value.items()}
    if names and value not in names:
        raise ValueError(f"must be one of {', '.join(names)}; got {value!r}")
    if is_dataclass(hint):
        if not isinstance(value, dict):
            raise ValueError(f"must be a table; got {value!r}")
        return make_row(value, typing.cast(type, hint), where="row")
    if hint is Fraction:
        try:
            return Fraction(value)
        except (TypeError, ValueError, ZeroDivisionError):
            raise ValueError(f'must be a fraction such as "127/5000"; got {value!r}') from None
    wanted, said = _TYPES.get(hint, ((object,), ""))
    if not isinstance(value, wanted) or (isinstance(value, bool) and hint in (int, float)):
        raise ValueError(f"must be {said}; got {value!r}")
    if hint is float:
        return float(value)  # type: ignore[arg-type]
    return tuple(value) if isinstance(value, list) else value


def check_keys(
    row: Mapping[str, Any], *, where: str, allowed: Iterable[str], required: Iterable[str]
) -> None:
    """TableError naming all unknown and all missing keys of one row at once."""
    allowed = set(allowed)
    unknown = sorted(set(row) - allowed)
    missing = [key for key in required if key not in row]
    faults = [f"unknown {', '.join(unknown)}"] if unknown else []
    faults += [f"missing {', '.join(missing)}"] if missing else []
    if faults:
        raise TableError(f"{where}: {'; '.join(faults)} (allowed: {', '.join(sorted(allowed))})")
