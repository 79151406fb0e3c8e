"""Groups that reports set side by side: the ventings of each site, engine type, reason and filling, in one order and by one name."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import pandas as pd

from ventbook.statistics.waiting_times.design import NOT_RECORDED, name_levels

#: Title of each grouping by column of the ventings.
GROUPINGS = {
    "site": "Site",
    "engine_type": "Engine type",
    "reason": "Reason",
    "tank_pressurised": "Tank pressurised",
    "cooler_empty": "Cooler empty",
}
#: Those that every report shows.
USUAL = ("site", "engine_type", "reason")


@dataclass(frozen=True)
class Group:
    """One group: the column that it is of, its value as recorded (``yes`` or ``no`` of a yes/no column), and its rows."""

    column: str
    name: str
    rows: pd.DataFrame

    @property
    def title(self) -> str:
        """The grouping's title."""
        return GROUPINGS[self.column]

    @property
    def words(self) -> str:
        """The value without underscores; what is odd in it is cleaned where it is shown."""
        return self.name.replace("_", " ")


def split_groups(
    frame: pd.DataFrame, columns: Iterable[str] = USUAL, *, blanks: bool = False
) -> Iterator[Group]:
    """The groups of a frame, grouping by grouping, in alphabetical order: no ranking. With ``blanks`` also the rows without a value."""
    for column in columns:
        named = name_levels(frame[column])
        for name in sorted(named.unique()):
            if blanks or name != NOT_RECORDED:
                yield Group(column, name, frame[(named == name).to_numpy()])
