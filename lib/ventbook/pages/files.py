"""Values on their way into files: numbers that JSON can hold, CSV that a spreadsheet can't execute, safe names."""

from __future__ import annotations

import csv
import hashlib
import io
import math
import re
import unicodedata
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from ventbook import wording

# Significant digits kept in files: far beyond what any record carries, and short of the last bits in which two
# machines' numerical libraries differ.
DIGITS = 10
Cell = TypeVar("Cell")
_ACTING = ("=", "+", "-", "@", "\t", "\r")


def json_number(value: float | None) -> float | None:
    """A float of ten significant digits, or None for everything that JSON has no number for."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{DIGITS}g}")


def json_scalar(value: Any, *, longest: int = 400) -> str | int | float | bool | None:
    """A cell's or group's value as JSON can hold it; free text is cleaned and cut at ``longest`` characters."""
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return json_number(float(value))
    if hasattr(value, "isoformat"):
        return str(value.isoformat()).removesuffix("T00:00:00")
    return wording.clean_text(value, longest=longest)


def each_value(column: pd.Series, make: Callable[[Any], Cell]) -> list[Cell]:
    """``make`` of every value of a column; of text and dates once for each that differs."""
    if not isinstance(column.dtype, pd.StringDtype) and column.dtype.kind != "M":
        return [make(value) for value in column.tolist()]
    codes, distinct = pd.factorize(column)
    made = [*map(make, distinct), make(None)]
    return [made[code] for code in codes]


def neutral_text(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe goes before = + - @, a tab or a return."""
    return f"'{text}" if text.startswith(_ACTING) else text


def csv_text(frame: pd.DataFrame) -> str:
    """The whole frame as CSV: comma, point, ISO dates, empty for missing, text cells made inert."""
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\n")
    writer.writerow([neutral_text(str(column)) for column in frame.columns])
    columns = [each_value(frame[column], _csv_cell) for column in frame.columns]
    writer.writerows(zip(*columns, strict=True))
    return target.getvalue()


def _csv_cell(value: Any) -> str:
    if value is None or value is pd.NA or value is pd.NaT:
        return ""
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, (int, np.integer)):
        return str(int(value))
    if isinstance(value, (float, np.floating)):
        return "" if math.isnan(value) else f"{value:.{DIGITS}g}"
    if hasattr(value, "isoformat"):
        return str(value.isoformat()).removesuffix("T00:00:00")
    return neutral_text(wording.clean_text(value, longest=10_000))


_RESERVED = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)$", re.IGNORECASE)


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
