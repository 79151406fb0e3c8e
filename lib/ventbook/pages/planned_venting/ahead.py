"""Everything that is foreseen of one planned venting, worked out once a page."""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd

from ventbook import rates
from ventbook.jobs import count_runs_taken
from ventbook.pages.base import Page
from ventbook.pages.planned_venting.chance import UNSEEN_SPREAD, ChanceModel, fit_chance
from ventbook.pages.planned_venting.forecast import off_support, predict_rotations, predict_times
from ventbook.pages.planned_venting.plan import the_row
from ventbook.results import Estimate, no_estimate

LEVEL = 0.9
POSITIONS = 3
_FORECASTS: WeakKeyDictionary[Page, Forecast | None] = WeakKeyDictionary()


@dataclass(frozen=True)
class Forecast:
    """What is expected of one planned venting. ``rotations`` and ``times``: median, low, high (and stop)."""

    row: pd.Series
    rotations: dict[str, float]
    times: dict[str, float]
    chance: Estimate
    base: float
    cured: Estimate
    runs_taken: int
    positions: list[tuple[str, int, int]]
    beyond: list[str]
    past: pd.DataFrame
    like: int
    of_type: int
    limit: float | None
    placeholder: bool

    @property
    def stop(self) -> float:
        """Where to stop and look: 95 in 100 had pressure by then, or the limit in force where that is lower."""
        stop = self.rotations["stop"]
        return stop if self.limit is None else min(stop, self.limit)

    @property
    def group(self) -> dict[str, str]:
        return {"venting_id": str(self.row["venting_id"])}


def foresee(page: Page) -> Forecast | None:
    """The forecast of the page's planned venting, or None where none is planned."""
    if page not in _FORECASTS:
        _FORECASTS[page] = _foresee(page)
    return _FORECASTS[page]


def _foresee(page: Page) -> Forecast | None:
    rows = the_row(page)
    if rows.empty:
        return None
    row = rows.iloc[0]
    past = page.all_jobs[page.all_jobs["date"] < pd.Timestamp(page.today)]
    beyond = off_support(past, rows)[0] if len(past) else ["no venting on record at all"]
    rotations = _one(predict_rotations(past, rows, level=LEVEL)) if len(past) else _physics_alone(row)
    times = (
        _one(predict_times(past, rows, level=LEVEL))
        if len(past)
        else dict.fromkeys(("median", "low", "high"), np.nan)
    )
    model = fit_chance(past) if len(past) else None
    lifters = page.all_lifters[page.all_lifters["date"] < pd.Timestamp(page.today)]
    own = lifters[lifters["engine_type"].astype("str") == str(row["engine_type"])]
    same = past[past["engine_type"].astype("str") == str(row["engine_type"])]
    like = same
    for name in ("lines_empty", "cooler_empty"):
        if pd.notna(row[name]):
            like = like[like[name].eq(row[name]).fillna(False).astype(bool)]
    return Forecast(
        row, rotations, times, _chance(model, rows, beyond, page.level), model.base if model else np.nan, *_cured(own, lifters, page.level),
        _positions(own), beyond, past, len(like), len(same), *limit_of(page, row),
    )  # fmt: skip


def limit_of(page: Page, row: pd.Series) -> tuple[float | None, bool]:
    """The limit on crankshaft rotations in force for this engine type on that day, and whether it is a placeholder."""
    limit = page.limits.find("rotations_max", str(row["engine_type"]), row["date"].date())
    if limit is None:
        return None, False
    return limit.high, limit.status == "placeholder"


def _one(frame: pd.DataFrame) -> dict[str, float]:
    return {str(name): float(value) for name, value in frame.iloc[0].items()}


def _physics_alone(row: pd.Series) -> dict[str, float]:
    low, high = float(row["expected_low"]), float(row["expected_high"])
    return {"median": float(row["expected_rotations"]), "low": low, "high": high, "stop": high}


def _chance(model: ChanceModel | None, rows: pd.DataFrame, beyond: list[str], level: float) -> Estimate:
    method = "logistic regression, effects pulled towards none as far as left-out engines ask for, clustered by engine"
    if model is None:
        return no_estimate("too_few", level=level, unit="share", n=0, method=method)
    unseen = UNSEEN_SPREAD if beyond else 0.0
    low, high = model.interval(rows, level=level, unseen=unseen)
    return Estimate(
        float(model.predict(rows)[0]),
        float(low[0]),
        float(high[0]),
        level,
        "share",
        model.n,
        model.engines,
        method,
    )


def _cured(own: pd.DataFrame, every: pd.DataFrame, level: float) -> tuple[Estimate, int]:
    """On this engine type where 8 were read again, else on all; and of how many the run is taken from the starts."""
    found = None
    for lifters in (own, every):
        found = rates.cured_share(
            lifters["over_first"], lifters["over_last"], lifters["extra_run_between"], cluster=lifters["engine_id"], level=level
        )  # fmt: skip
        if found.n >= 8:
            break
    assert found is not None
    return found, count_runs_taken(lifters)[0]


def _positions(lifters: pd.DataFrame) -> list[tuple[str, int, int]]:
    """The positions most often over the limit, by share with 20 lifters' worth of the overall share added."""
    judged = lifters[lifters["over_first"].notna()]
    if judged.empty or not judged["over_first"].any():
        return []
    table = (
        judged.assign(over=judged["over_first"].astype(bool)).groupby("position")["over"].agg(["sum", "size"])
    )
    base = table["sum"].sum() / table["size"].sum()
    table["rank"] = (table["sum"] + 20 * base) / (table["size"] + 20)
    best = table[table["rank"] > base].sort_values("rank", ascending=False, kind="stable").head(POSITIONS)
    return [(str(name), int(line["sum"]), int(line["size"])) for name, line in best.iterrows()]
