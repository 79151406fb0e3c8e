"""Where the tables are, and the one error for a table that is wrong."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from ventbook.errors import InputError


class TableError(InputError):
    """A table of ``data/`` (or a shop's own) is wrong; the message names file and row and what to do."""


def read_toml(path: Path) -> dict[str, Any]:
    """The content of a table of ``data/``, or of a shop's own.

    Parameters
    ----------
    path : Path

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
