"""A shop's own list of actions taken: what each aims at, where, since when, and what it can't touch."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from ventbook.places import Place
from ventbook.tables.dictionary import record_tables
from ventbook.tables.reader import OneOf, TableError, make_rows, read_toml

AIR, LEAK_DOWN, GAUGE, ELSEWHERE = "air", "leak_down", "gauge", "elsewhere"
KINDS = (AIR, LEAK_DOWN, GAUGE)
CONTROLS = (AIR, LEAK_DOWN, ELSEWHERE)
PLACES = ("site", "engine_type", "reason", "gauge", "circumstance")
"""Keys that say where an action acts; ventings where it does not are the control ``elsewhere``."""
FILE = "actions.toml"


@dataclass(frozen=True)
class Action:
    """One action. ``kind`` is what it aims at, "" where nobody said; ``control`` the findings that it can't touch.

    ``since``: first day in force. ``site``, ``engine_type``, ``reason``, ``gauge``, ``circumstance`` (a yes/no column of
    ventings): where it acts, all of them together; "" is everywhere. ``lifter_lot``: a lot taken out of stock; the
    action acts on lifters fitted new. ``bad_quarter``: the quarter that led to it ("2026Q2"), "" where nobody said.
    ``aims_at``: how files up to 0.3.0 named the kind (air, leak-down) or a lot (lifter_lot=LL-7).
    """

    since: str
    id: str = ""
    what: str = ""
    kind: Annotated[str, OneOf("", *KINDS)] = ""
    control: Annotated[str, OneOf("", *CONTROLS)] = ""
    site: str = ""
    engine_type: str = ""
    reason: str = ""
    gauge: str = ""
    circumstance: str = ""
    lifter_lot: str = ""
    bad_quarter: str = ""
    aims_at: str = ""

    def __post_init__(self) -> None:
        try:
            dt.date.fromisoformat(self.since)
        except ValueError:
            raise ValueError(
                f'since must be the first day in force, such as "2026-04-01"; got {self.since!r}'
            ) from None
        if self.bad_quarter and not re.fullmatch(r"\d{4}Q[1-4]", self.bad_quarter):
            raise ValueError(f'bad_quarter must be like "2026Q2"; got {self.bad_quarter!r}')
        if self.bad_quarter and self.quarter_start >= self.start:
            raise ValueError(f"bad_quarter {self.bad_quarter} must begin before since ({self.since})")
        if self.circumstance and self.circumstance not in yes_no_columns():
            raise ValueError(
                f"circumstance must be one of {', '.join(yes_no_columns())}; got {self.circumstance!r}"
            )
        if self.kind == GAUGE and not self.gauge:
            raise ValueError('kind "gauge" needs gauge = "its name"')
        if self.kind and self.control == self.kind:
            raise ValueError(
                f"control {self.control} is what the action aims at; name findings that it can't touch"
            )
        if self.kind == GAUGE and self.control not in ("", ELSEWHERE):
            raise ValueError('of kind "gauge" the control is elsewhere: what is read with other gauges')
        if self.control == ELSEWHERE and (self.lifter_lot or not self.placed):
            raise ValueError(
                f'control "elsewhere" needs one of {", ".join(PLACES)}, and no lifter_lot: else there is no elsewhere'
            )

    @property
    def start(self) -> dt.date:
        """The first day in force."""
        return dt.date.fromisoformat(self.since)

    @property
    def quarter_start(self) -> dt.date:
        """The first day of ``bad_quarter``."""
        return dt.date(int(self.bad_quarter[:4]), 3 * int(self.bad_quarter[-1]) - 2, 1)

    @property
    def placed(self) -> bool:
        """Whether it acts somewhere only."""
        return any(getattr(self, key) for key in PLACES)

    @property
    def beside(self) -> str:
        """The control: as given, else elsewhere where it acts somewhere only, else the other kind of finding."""
        if self.control or self.kind == GAUGE or (self.placed and not self.lifter_lot):
            return self.control or ELSEWHERE
        return LEAK_DOWN if self.kind == AIR else AIR


def yes_no_columns() -> tuple[str, ...]:
    """Columns of ventings that are yes or no."""
    return tuple(column.name for column in record_tables()["ventings"].columns if column.kind == "yes_no")


def read_actions(path: Place) -> tuple[Action, ...]:
    """The actions of a file, in its order; files of 0.1.0 (without kind) load as well.

    TableError with one line that names file and entry: unknown keys, values that can't be, an id that stands twice.
    """
    raw = read_toml(path).get("action", [])
    if not isinstance(raw, list) or not all(isinstance(entry, dict) for entry in raw):
        raise TableError(f"{path.name}: actions are entries that begin with [[action]]")
    entries = [_modernise(entry) for entry in raw]
    named = [str(entry["id"]) for entry in entries if entry.get("id")]
    if twice := sorted({name for name in named if named.count(name) > 1}):
        raise TableError(f"{path.name}: {', '.join(twice)} stands twice; give each action an id of its own")
    return make_rows(entries, Action, where=f"{path.name}: ", word="action", label="id")


def _modernise(entry: Mapping[str, Any]) -> dict[str, Any]:
    """An entry with its day as text, and with the kind or lot that an older file gave as ``aims_at``."""
    new = dict(entry)
    since = new.get("since")
    if isinstance(since, dt.date):
        new["since"] = (since.date() if isinstance(since, dt.datetime) else since).isoformat()
    aim = new.get("aims_at")
    if isinstance(aim, str) and "kind" not in new:
        name, sign, value = aim.partition("=")
        if aim.replace("-", "_") in (AIR, LEAK_DOWN):
            new["kind"] = aim.replace("-", "_")
        elif sign and name in ("lifter_lot", "gauge", "site", "engine_type", "reason"):
            new.setdefault(name, value)
    return new
