"""Which venting is planned, and everything that is foreseen of it, worked out once a page.

The venting is a row of the table of planned ventings, values entered as parameters, or both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ventbook import tables
from ventbook.physics import priming
from ventbook.reports.account import UNEXPLAINED, account_tables, make_account
from ventbook.reports.page import Page, once_a_page
from ventbook.reports.parameters import ParameterError, nearest
from ventbook.reports.scope import cut_before
from ventbook.results import Estimate, no_estimate
from ventbook.statistics import causes
from ventbook.statistics.forecast import (
    Shift,
    estimate_cure,
    learn_from,
    off_support,
    predict_rotations,
    predict_times,
    rank_positions,
    roll_chances,
)
from ventbook.tables import units

PREFIX = "plan_"
NOTHING = "No venting is planned from the records' date on. Hand in a table of planned ventings, or enter one by the plan_ parameters."
UPCOMING_LEVEL = 0.9
UNSEEN_SPREAD = 0.7  # logit, of an engine type or lines beyond all on record (assumption)
POSITIONS = 3
LIFTER_COLUMNS = (
    "date", "engine_id", "engine_type", "position", "over_first", "over_last", "cured", "checks", "extra_run_between", "run_between_taken",
)  # fmt: skip
"""What the forecast reads of the lifters."""


def planned_rows(page: Page) -> pd.DataFrame:
    """Planned ventings from the snapshot's date on that pass the filters, by date, with engine columns and expectation."""
    planned = page.records.get("planned", pd.DataFrame())
    if planned.empty:
        return pd.DataFrame()
    rows = planned.merge(page.records["engines"], on="engine_id", how="left")
    rows = page.keep(rows[rows["date"] >= pd.Timestamp(page.today)])
    return _expect(page, rows.sort_values(["date", "venting_id"], kind="stable").reset_index(drop=True))


@once_a_page
def past_constants(page: Page) -> priming.Constants:
    """The formula's constants as all ventings before the records' date give them."""
    past = cut_before(page.all_jobs, page.today)
    return page.fit_constants(past) if len(past) else priming.Constants()


def _expect(page: Page, rows: pd.DataFrame) -> pd.DataFrame:
    expected = priming.expected_rotations(rows, constants=past_constants(page))
    return pd.concat([rows, expected.drop(columns=[c for c in expected if c in rows])], axis=1)


@once_a_page
def the_row(page: Page) -> pd.DataFrame:
    """The planned venting as a frame of one row with engine columns and expectation; empty where none is given."""
    entered = _read_entered(page)
    asked = page.parameters["planned"]
    every = page.records.get("planned", pd.DataFrame())
    if asked:
        known = every["venting_id"].astype("str").tolist() if len(every) else []
        if asked not in known:
            listed = ", ".join(known[:12]) or "none"
            raise ParameterError(
                f"{page.name}: planned {asked!r} is not in the records{nearest(asked, known)}; known: {listed}"
            )
        row = every[every["venting_id"] == asked].merge(page.records["engines"], on="engine_id", how="left")
    elif "engine_type" in entered:
        row = pd.DataFrame([{"venting_id": "entered", "date": pd.Timestamp(page.today)}])
    else:
        row = planned_rows(page).head(1)
        row = row.drop(columns=[c for c in row if str(c).startswith("expected_")])
    if row.empty:
        return row
    for name in (*_stored_columns(), "engine_type", "site", "engine_id"):
        if name not in row.columns:
            row[name] = pd.NA
    for name, value in entered.items():
        row[name] = [value]
    return _expect(page, _typed(row).reset_index(drop=True))


def _stored_columns() -> list[str]:
    by_name = tables.record_tables()
    return [c.stored for t in ("planned", "engines") for c in by_name[t].columns]


def _typed(row: pd.DataFrame) -> pd.DataFrame:
    """The row with the types that the analysis tables have, whatever was entered."""
    kinds = {c.stored: c.kind for t in ("planned", "engines") for c in tables.record_tables()[t].columns}
    out = row.copy()
    for name in row.columns:
        kind = kinds.get(str(name), "")
        values = row[name].astype(object).where(row[name].notna(), None)
        if kind in ("text", "code"):
            out[name] = values.astype("str").where(values.notna())
        elif kind == "yes_no":
            out[name] = values.astype("boolean")
        elif kind == "integer":
            out[name] = pd.to_numeric(values).astype("Int64")
        elif kind in ("number", "quantity"):
            out[name] = pd.to_numeric(values).astype("float64")
    return out


def _read_entered(page: Page) -> dict[str, Any]:
    """Values of the plan_ parameters by stored column; every fault in one error."""
    columns = {c.name: c for t in ("engines", "ventings") for c in tables.record_tables()[t].columns}
    found: dict[str, Any] = {}
    faults = []
    for name, text in page.parameters.items():
        if not name.startswith(PREFIX) or not str(text).strip():
            continue
        column = columns[name.removeprefix(PREFIX)]
        if column.kind == "yes_no":
            found[column.stored] = text == "yes"
        elif column.kind != "quantity":
            found[column.stored] = str(text).strip()
        else:
            value, fault = _read_quantity(name, str(text), column)
            if fault:
                faults.append(fault)
            else:
                found[column.stored] = value
    if faults:
        raise ParameterError(f"{page.name}: {'; '.join(faults)}")
    return found


def _read_quantity(name: str, text: str, column: tables.Column) -> tuple[float, str]:
    number, _, spelling = text.strip().partition(" ")
    try:
        value = float(number)
    except ValueError:
        return 0.0, f"{name} must be a number with its unit, as in 1.5 {column.unit}; got {text!r}"
    if not spelling.strip():
        return 0.0, f"{name} needs its unit, as in {number} {column.unit}; got {text!r}"
    try:
        value = float(units.convert(value, spelling.strip(), column.unit))
    except ValueError as error:
        return 0.0, f"{name}: {error}"
    low, high = column.low, column.high
    if isinstance(low, int | float) and isinstance(high, int | float) and not low <= value <= high:
        return 0.0, f"{name} must be from {low:g} to {high:g} {column.unit}; got {text!r}"
    return value, ""


@dataclass(frozen=True)
class Forecast:
    """What is expected of one planned venting. ``rotations`` and ``times``: median, low, high (and stop)."""

    row: pd.Series
    rotations: dict[str, float]
    times: dict[str, float]
    chance: Estimate
    base: float
    causes: dict[str, float]
    cured: Estimate
    runs_taken: int
    positions: list[tuple[str, int, int]]
    beyond: list[str]
    past: pd.DataFrame
    like: int
    of_type: int
    limit: float | None

    @property
    def stop(self) -> float | None:
        """Where to stop and look: 95 in 100 had pressure by then, and never past the manual's number; None without one."""
        return stop_at(self.rotations["stop"], self.limit)

    @property
    def over_manual(self) -> bool:
        """Whether the rotations to be expected, as said, are more than the manual allows."""
        median = self.rotations["median"]
        return self.limit is not None and np.isfinite(median) and round(median) > math.floor(self.limit)

    @property
    def group(self) -> dict[str, str]:
        return {"venting_id": str(self.row["venting_id"])}


def stop_at(had: float, limit: float | None) -> float | None:
    """Whole rotations at which to stop: where 95 in 100 had pressure, and never past the manual's number; None without one."""
    if limit is None:
        return None
    most = float(math.floor(limit))
    return min(float(round(had)), most) if np.isfinite(had) else most


@once_a_page
def foresee(page: Page) -> Forecast | None:
    """The forecast of the page's planned venting, or None where none is planned."""
    rows = the_row(page)
    if rows.empty:
        return None
    row = rows.iloc[0]
    past = cut_before(page.all_jobs, page.today)
    beyond = off_support(past, rows)[0] if len(past) else ["no venting on record at all"]
    rotations = (
        _one(predict_rotations(past, rows, constants=past_constants(page), level=UPCOMING_LEVEL))
        if len(past)
        else _physics_alone(row)
    )
    times = (
        _one(predict_times(past, rows, level=UPCOMING_LEVEL))
        if len(past)
        else dict.fromkeys(("median", "low", "high"), np.nan)
    )
    lifters = cut_before(page.all_lifters[list(LIFTER_COLUMNS)], page.today)
    own = lifters[lifters["engine_type"].astype("str") == str(row["engine_type"])]
    same = past[past["engine_type"].astype("str") == str(row["engine_type"])]
    like = same
    for name in ("lines_empty", "cooler_empty"):
        if pd.notna(row[name]):
            like = like[like[name].eq(row[name]).fillna(False).astype(bool)]
    return Forecast(
        row, rotations, times, *_chance(page, row, beyond), *estimate_cure(own, lifters, level=page.level),
        rank_positions(own, most=POSITIONS), beyond, past, len(like), len(same), limit_of(page, row),
    )  # fmt: skip


def limit_of(page: Page, row: pd.Series) -> float | None:
    """The manual's limit on crankshaft rotations in force for this engine type on that day; None where none is entered."""
    limit = page.limits.find("rotations_max", str(row["engine_type"]), row["date"].date())
    return limit.high if limit is not None and limit.status == "manual" else None


def expect_again(page: Page, ahead: Forecast, changed: dict[str, Any]) -> float | None:
    """The middle of the rotations to expect with these columns changed; None where it would not prime."""
    row = _typed(ahead.row.to_frame().T.assign(**changed))
    row = _expect(
        page, row.drop(columns=[c for c in row if str(c).startswith("expected_")]).reset_index(drop=True)
    )
    if row["expected_state"].iloc[0] != "primes":
        return None
    if not len(ahead.past):
        return float(row["expected_rotations"].iloc[0])
    said = predict_rotations(ahead.past, row, constants=past_constants(page), level=UPCOMING_LEVEL)
    return float(said["median"].iloc[0])


def _one(frame: pd.DataFrame) -> dict[str, float]:
    return {str(name): float(value) for name, value in frame.iloc[0].items()}


def _physics_alone(row: pd.Series) -> dict[str, float]:
    low, high = float(row["expected_low"]), float(row["expected_high"])
    return {"median": float(row["expected_rotations"]), "low": low, "high": high, "stop": high}


@once_a_page
def past_account(page: Page) -> causes.Account | None:
    """The account of every venting before the records' date; None where none or all of fewer than five failed."""
    account = make_account(page, pd.Timestamp(page.today))
    return account if account.ventings >= 5 and 0 < account.failing < account.ventings else None


@once_a_page
def past_chances(page: Page) -> pd.DataFrame:
    """Each past quarter's chances as they would have been told at the end of the quarter before, and what came."""
    jobs, lifters, gauges = account_tables(page, pd.Timestamp(page.today))
    return page.keep_made(tell_chances, jobs, lifters, gauges if page.gauges.by_correction else None)


def tell_chances(jobs: pd.DataFrame, lifters: pd.DataFrame, gauges: pd.DataFrame | None) -> pd.DataFrame:
    """:func:`roll_chances`; without ``gauges`` each quarter's account has the biases that its own past told."""

    def explain(some: pd.DataFrame, theirs: pd.DataFrame) -> causes.Account:
        return causes.explain_failures(some, theirs, gauges=gauges, draws=0)

    return roll_chances(jobs, lifters, explain=explain)


def past_shift(page: Page) -> Shift:
    """What past quarters tell of how far the account's chances are off."""
    return learn_from(past_chances(page))


def _chance(page: Page, row: pd.Series, beyond: list[str]) -> tuple[Estimate, float, dict[str, float]]:
    """The chance of a spongy lifter, the share of all past ventings, and each cause's part of the chance by its words."""
    method = "account of failures: the site's own rate and the named causes that stand here; corrected by what came after earlier ones were told"
    account = past_account(page)
    if account is None:
        return no_estimate("too_few", level=page.level, unit="share", n=0, method=method), np.nan, {}
    found = causes.chance_for(account, row)
    said, low, high = past_shift(page).correct_one(found, spread=UNSEEN_SPREAD if beyond else 0.0)
    engines = int(cut_before(page.all_jobs[["date", "engine_id"]], page.today)["engine_id"].nunique())
    chance = Estimate(said, low, high, found.level, "share", account.ventings, engines, method)
    titles = causes.name_causes(account)
    parts = {titles.get(name, name): share for name, share in found.shares.items() if name != UNEXPLAINED}
    return chance, account.failing / account.ventings, parts
