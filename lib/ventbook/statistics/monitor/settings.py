"""What is watched and how, from ``data/monitor.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Annotated

import numpy as np
import numpy.typing as npt

from ventbook.shipped import DATA
from ventbook.tables.evidence import load_budget
from ventbook.tables.reader import OneOf, TableError, make_row, make_rows, read_toml

FAILING, LEAK_DOWN = "failing", "leak_down"
KINDS = (FAILING, LEAK_DOWN)
FIRST, QUARTER = "first", "quarter"
#: Family of the error budget that alarms in the reports of a quarter draw on.
FAMILY = "alarms.monitor"


@dataclass(frozen=True)
class StreamRule:
    """One sort of stream; ``data/monitor.toml`` says what the fields mean."""

    name: str
    column: str
    share: float
    odds_ratio: float
    sd: float
    starts: Annotated[str, OneOf(FIRST, QUARTER)]
    factor: float
    more: float
    first_year: int
    note_step: str
    alarm_step: str
    tells: bool = False


@dataclass(frozen=True)
class Expected:
    """Prior means and standard deviations of the expected log odds."""

    intercept_mean: float
    intercept_sd: float
    site_sd: float
    engine_type_sd: float
    mix_sd: float
    last_time_sd: float


@dataclass(frozen=True)
class Settings:
    """The monitor's limits, prior and streams. ``firm`` is the limit of weight x evidence that the quarter's share of the
    error budget allows: four quarters' share is the chance of ever reaching it in a year.
    """

    alarm: float
    note: float
    firm: float
    expected: Expected
    grid: npt.NDArray[np.float64]
    rules: tuple[StreamRule, ...]


@cache
def load_settings() -> Settings:
    """The settings of ``data/monitor.toml``, checked.

    Returns
    -------
    Settings
        Limits, prior and streams; the streams' shares add up to 1.

    Raises
    ------
    TableError
        With one line, where the table can't be used.

    Examples
    --------
    >>> from ventbook.statistics import monitor
    >>> settings = monitor.load_settings()
    >>> settings.alarm, [rule.name for rule in settings.rules]
    (20.0, ['lot', 'site', 'gauge', 'engine type', 'revision'])
    """
    raw = read_toml(DATA / "monitor.toml")
    rules = make_rows(raw["stream"], StreamRule, where="monitor.toml: ", word="stream", unique=True)
    if not np.isclose(sum(rule.share for rule in rules), 1.0):
        raise TableError("monitor.toml: the shares of the streams must add up to 1")
    grid = raw["grid"]
    steps = round((grid["high"] - grid["low"]) / grid["step"])
    return Settings(
        alarm=float(raw["limits"]["alarm"]),
        note=float(raw["limits"]["note"]),
        firm=1.0 / (4.0 * load_budget().share(FAMILY)),
        expected=make_row(raw["expected"], Expected, where="monitor.toml: expected"),
        grid=np.round(grid["low"] + grid["step"] * np.arange(steps + 1), 9),
        rules=rules,
    )
