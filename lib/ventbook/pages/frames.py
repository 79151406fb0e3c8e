"""Frames of fixed shape for tables, also where there is not one row."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

INTERVAL = ("estimate", "low", "high")


def frame_of(
    rows: Sequence[Mapping[str, Any]], texts: Sequence[str], *, numbers: Sequence[str] = INTERVAL
) -> pd.DataFrame:
    """Rows as a frame with the columns ``texts`` and, as float, ``numbers``, also where there is none.

    Further columns of the rows are kept.
    """
    frame = pd.DataFrame(list(rows), columns=None if rows else [*texts, *numbers])
    return frame.astype(dict.fromkeys(numbers, "float64"))
