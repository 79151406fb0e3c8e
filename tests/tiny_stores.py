"""Tiny stores of the kinds that make a page fall silent or fall over: taken in from files, as a workshop hands them in."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from ventbook import demo
from ventbook.records import intake

TODAY = dt.date(2026, 10, 10)
Tables = dict[str, pd.DataFrame]


@cache
def _ordinary(ventings: int, seed: int) -> Tables:
    return demo.simulate_fleet(ventings=ventings, seed=seed).tables()


def make_tables(*, ventings: int = 30, seed: int = 5, first: str = "2026-01-01") -> Tables:
    """Record tables of a small invented fleet, its dates moved so that they fill three quarters from ``first``."""
    tables = {name: frame.copy() for name, frame in _ordinary(ventings, seed).items()}
    jobs = tables["ventings"]
    days = pd.to_datetime(jobs["date"])
    place = (days - days.min()) / (days.max() - days.min())
    moved = pd.Timestamp(first) + (place * 240).astype("int64").map(lambda n: pd.Timedelta(days=n))
    later = moved - days
    closed = pd.to_datetime(jobs["closed"]) + later
    jobs["closed"] = closed.where(closed <= pd.Timestamp(TODAY))
    jobs["date"] = moved
    by_venting = dict(zip(jobs["venting_id"], later, strict=True))
    starts = tables["starts"]
    starts["started_at"] = pd.to_datetime(starts["started_at"]) + starts["venting_id"].map(by_venting)
    return tables


def keep_ventings(tables: Tables, keep: pd.Series | np.ndarray) -> Tables:
    """Only these ventings, with what belongs to them."""
    jobs = tables["ventings"][np.asarray(keep, dtype=bool)]
    out = dict(tables, ventings=jobs)
    for name in ("starts", "lifter_checks", "samples"):
        out[name] = tables[name][tables[name]["venting_id"].isin(jobs["venting_id"])]
    return out


def set_gaps(tables: Tables, gap: Callable[[pd.DataFrame], pd.Series | np.ndarray | float]) -> Tables:
    checks = tables["lifter_checks"]
    changed = checks.assign(
        gap_mm=gap(checks), gap_at_once_mm=np.nan, second_force_N=np.nan, second_gap_mm=np.nan
    )
    return dict(tables, lifter_checks=changed.assign(gap_no_force_mm=np.nan))


def set_columns(tables: Tables, name: str, **values: object) -> Tables:
    return dict(tables, **{name: tables[name].assign(**values)})


def drop_rows(tables: Tables, *names: str) -> Tables:
    return {name: frame.iloc[:0] if name in names else frame for name, frame in tables.items()}


def move_days(tables: Tables, days: pd.Series) -> Tables:
    """Ventings on other days; their starts and dates of closing go with them."""
    jobs = tables["ventings"]
    later = pd.to_datetime(days) - pd.to_datetime(jobs["date"])
    by_venting = dict(zip(jobs["venting_id"], later, strict=True))
    starts = tables["starts"]
    return dict(
        tables,
        ventings=jobs.assign(date=pd.to_datetime(days), closed=pd.to_datetime(jobs["closed"]) + later),
        starts=starts.assign(
            started_at=pd.to_datetime(starts["started_at"]) + starts["venting_id"].map(by_venting)
        ),
    )


def _over(checks: pd.DataFrame) -> np.ndarray:
    return np.round(0.8 + 0.01 * (np.arange(len(checks)) % 37), 2)


def _given_up(tables: Tables) -> Tables:
    out = set_columns(tables, "ventings", pressure_shown=False, rotations_after_pressure=None)
    out = set_columns(out, "starts", pressure_shown=False)
    return drop_rows(out, "samples")


def _two_a_day(tables: Tables) -> Tables:
    days = pd.to_datetime(tables["ventings"]["date"])
    return move_days(tables, days.groupby(np.arange(len(days)) // 2).transform("first"))


def _held(tables: Tables) -> Tables:
    return set_columns(tables, "ventings", date="some day") | {
        "engines": tables["engines"].assign(engine_type=None)
    }


KINDS: dict[str, Callable[[Tables], Tables]] = {
    "ordinary": lambda t: t,
    "no check at all": lambda t: drop_rows(t, "lifter_checks"),
    "none over": lambda t: set_gaps(t, lambda c: (c["gap_mm"] % 0.17).round(2)),
    "all over": lambda t: set_gaps(t, _over),
    "all gaps equal": lambda t: set_gaps(t, lambda c: 0.30),
    "one engine each": lambda t: keep_ventings(t, ~t["ventings"]["engine_id"].duplicated()),
    "one venting": lambda t: keep_ventings(t, np.arange(len(t["ventings"])) == len(t["ventings"]) - 1),
    "one site": lambda t: set_columns(t, "ventings", site="Harbour"),
    "one month": lambda t: move_days(
        t, pd.Timestamp("2026-09-01") + pd.to_timedelta(np.arange(len(t["ventings"])) % 28, "D").to_series(index=t["ventings"].index)
    ),
    "everything given up": _given_up,
    "no traces": lambda t: drop_rows(t, "samples"),
    "no lots": lambda t: set_columns(t, "ventings", lifter_lot=None),
    "no gauges": lambda t: drop_rows(set_columns(t, "lifter_checks", gauge=None), "gauge_readings"),
    "no dates of closing": lambda t: set_columns(t, "ventings", closed=pd.NaT),
    "only held rows": _held,
    "two ventings a day": _two_a_day,
}  # fmt: skip


def take_in_tables(tables: Tables, folder: Path) -> Path:
    """Writes the tables as files in ``folder`` and takes them into a store there; returns the store's path."""
    files = folder / "files"
    files.mkdir(parents=True)
    for name, frame in tables.items():
        if name == "samples":
            if len(frame):
                frame.to_parquet(files / "samples.parquet", index=False)
            continue
        shown = frame.copy()
        for column in ("date", "closed"):
            if column in shown and pd.api.types.is_datetime64_any_dtype(shown[column]):
                shown[column] = shown[column].dt.strftime("%Y-%m-%d")
        shown.to_csv(files / f"{name}.csv", index=False)
    intake.ingest(files, store=folder / "store", today=TODAY)
    return folder / "store"
