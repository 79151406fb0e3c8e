"""What hands do at a lifter check where nobody wrote it down: the ranges of ``data/hands.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from ventbook.shipped import DATA
from ventbook.tables.reader import TableError, read_rows


@dataclass(frozen=True)
class HandRange:
    """A quantity that is anything from ``low`` to ``high`` where it was not recorded, with where that is from."""

    name: str
    unit: str
    low: float
    high: float
    meaning: str
    source: str

    def __post_init__(self) -> None:
        if not self.low <= self.high:
            raise TableError(f"hands.toml: {self.name}: low {self.low:g} is over high {self.high:g}")


@cache
def hand_range(name: str) -> HandRange:
    """The range of one quantity by name."""
    return next(
        row for row in read_rows(DATA / "hands.toml", "row", HandRange, unique=True) if row.name == name
    )
