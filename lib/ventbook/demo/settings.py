"""Settings of the invented fleet, read from ``data/demo_fleet.toml``, and its calendar."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd

from ventbook import dictionary
from ventbook.dictionary.limits import read_limits

PLANTS = ("tank_not_pressurised", "leaking_lot", "high_gauge", "worsening_site")


@cache
def read_settings() -> dict[str, Any]:
    """The settings as nested dicts, as they stand in the file."""
    return tomllib.loads((Path(dictionary.DATA) / "demo_fleet.toml").read_text("utf-8"))


@cache
def manual_value(step: str, of: str) -> float:
    """A number of the invented manual (``data/demo_limits.toml``), in its latest revision: ``of`` is low, high or reference.

    KeyError where the manual doesn't give it.
    """
    rows = [row for row in read_limits([dictionary.DATA / "demo_limits.toml"]).rows if row.step == step]
    value = getattr(rows[-1], of) if rows else None
    if value is None:
        raise KeyError(f"the demo's manual has no {of} for {step}")
    return float(value)


def check_plant(plant: Iterable[str] | None) -> tuple[str, ...]:
    """The causes to plant: all of them for None, none for an empty list.

    Raises ValueError naming what is allowed when a name is unknown.
    """
    if plant is None:
        return PLANTS
    if isinstance(plant, str):
        raise ValueError(f"plant must be a list of names, got the text {plant!r}")
    names = tuple(plant)
    wrong = [name for name in names if name not in PLANTS]
    if wrong:
        raise ValueError(f"plant must be among {', '.join(PLANTS)}; got {', '.join(map(repr, wrong))}")
    return names


def list_quarters() -> list[str]:
    """Labels of the fleet's quarters, first to last, as in 2024Q4."""
    fleet = read_settings()["fleet"]
    return [str(q) for q in pd.period_range(fleet["first_quarter"], periods=fleet["quarters"], freq="Q")]


def quarter_bounds(label: str) -> tuple[date, date]:
    """First day of a quarter and first day of the next one."""
    year, number = int(label[:4]), int(label[-1])
    start = date(year, 3 * number - 2, 1)
    return start, date(year + number // 4, 3 * number % 12 + 1, 1)


def hand_in_day(label: str) -> date:
    """The day on which a quarter's delivery is handed in."""
    return quarter_bounds(label)[1] + timedelta(days=read_settings()["fleet"]["handed_in_after_d"] - 1)
