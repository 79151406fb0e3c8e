"""Values on their way into blocks and files: what a cell may be, numbers that JSON can hold, safe names."""

from __future__ import annotations

import hashlib
import math
import re
import unicodedata
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from ventbook.document import wording
from ventbook.results import DIGITS

Cell = str | int | float | bool | None
Made = TypeVar("Made")
_HALVES = re.compile(r"[\ud800-\udfff]")
_ACTING = ("=", "+", "-", "@", "\t", "\r")
_RESERVED = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)$", re.IGNORECASE)


def json_number(value: float | None) -> float | None:
    """A float of ten significant digits, or None for everything that JSON has no number for."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{DIGITS}g}")


def plain_cell(value: Any) -> Cell:
    """A value of a frame as a block holds it: exact, dates as ISO text, None for everything missing.

    Text stays as it was written; whoever shows it cleans it. Only halves of characters, which no file can hold, are replaced.
    """
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return None if math.isnan(value) else float(value)
    if hasattr(value, "isoformat"):
        return str(value.isoformat()).removesuffix("T00:00:00")
    return _HALVES.sub("\ufffd", str(value))


def json_scalar(value: Any, *, longest: int = 400) -> Cell:
    """A cell's or group's value as JSON can hold it; free text is cleaned and cut at ``longest`` characters."""
    cell = plain_cell(value)
    if isinstance(cell, float):
        return json_number(cell)
    return wording.clean_text(cell, longest=longest) if isinstance(cell, str) else cell


def each_value(column: pd.Series, make: Callable[[Any], Made]) -> list[Made]:
    """``make`` of every value of a column; of text and dates once for each that differs."""
    if not isinstance(column.dtype, (pd.StringDtype, pd.CategoricalDtype)) and column.dtype.kind != "M":
        return [make(value) for value in column.tolist()]
    codes, distinct = pd.factorize(column)
    made = [*map(make, distinct), make(None)]
    return [made[code] for code in codes]


def say_each(say: Callable[..., str], *columns: pd.Series) -> list[str]:
    """``say`` of every row of these columns, worded once for each row that differs."""
    codes = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        places, distinct = pd.factorize(column)
        codes, _ = pd.factorize(codes * (len(distinct) + 1) + places + 1)
    first = np.unique(codes, return_index=True)[1]
    texts = [say(*row) for row in zip(*(column.iloc[first] for column in columns), strict=True)]
    return [texts[code] for code in codes.tolist()]


def neutral_text(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe goes before = + - @, a tab or a return."""
    return f"'{text}" if text.startswith(_ACTING) else text


def safe_name(text: str, *, longest: int = 60) -> str:
    """A file or folder name for any text: unchanged where it is safe everywhere, else cleaned and made unique.

    Letters of other alphabets are kept out, because archives and old file systems spoil them. Whatever had to be
    changed gets eight characters of the text's own hash, so that two texts never share a name (``a/b`` and ``a:b``).
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    clean = re.sub(r"[^A-Za-z0-9._-]+", "_", plain).strip("._-")[:longest].rstrip("._-")
    if clean and clean == text and not _RESERVED.match(clean) and "." not in clean:
        return clean
    return f"{clean or 'x'}-{hashlib.sha256(text.encode('utf-8', 'surrogatepass')).hexdigest()[:8]}"
