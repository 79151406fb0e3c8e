"""What the investigation is about, worked out once a page: the findings, the ventings beside them, the effects."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np
import pandas as pd

from ventbook.model.verdicts import only_findings
from ventbook.reports.account import list_named, load_account
from ventbook.reports.page import Page, once_a_page
from ventbook.reports.parameters import Period
from ventbook.reports.suggestions import suggest
from ventbook.statistics import causes
from ventbook.tables import evidence


@dataclass(frozen=True)
class ReportData:
    """Everything that the sections share.

    ``jobs`` and ``lifters``: ventings of the period that pass the filters and the lot. ``beside`` and
    ``beside_lifters``: what causes are looked for in: everything at the site and of the engine type up to the period's
    end, other engines and lots among it. ``account`` of every failing venting up to the period's end; ``effects`` of each
    circumstance by outcome, which name nothing; ``signs`` of the period's findings, ``matched`` modes, ``readings`` that would decide.
    """

    lot: str
    jobs: pd.DataFrame
    lifters: pd.DataFrame
    beside: pd.DataFrame
    factors: tuple[causes.Factor, ...]
    account: causes.Account
    effects: dict[str, pd.DataFrame]
    signs: pd.DataFrame
    matched: pd.DataFrame
    readings: pd.DataFrame
    recurrence: causes.Recurrence
    tier: str
    checked: int
    failing: int

    @property
    def few(self) -> bool:
        """Whether there are too few ventings to look for causes at all."""
        return not evidence.allows(self.tier, "compare")

    def factor(self, name: str) -> causes.Factor | None:
        """The factor of that name; None for the site."""
        return next((factor for factor in self.factors if factor.name == name), None)

    def title(self, name: str) -> str:
        """A factor's name in words."""
        factor = self.factor(name)
        return factor.title if factor else name.replace("_", " ")


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """A frame's rows as dicts by column name."""
    return cast(list[dict[str, Any]], frame.to_dict("records"))


@once_a_page
def load_data(page: Page) -> ReportData:
    """What the report's sections read."""
    lot = str(page.parameters.get("lot", ""))
    jobs, lifters = page.jobs, page.lifters
    if lot:
        lifters = lifters[(lifters["lifter_lot"] == lot).fillna(False).to_numpy(dtype=bool)].reset_index(
            drop=True
        )
        jobs = jobs[(jobs["lifter_lot"] == lot).fillna(False).to_numpy(dtype=bool)].reset_index(drop=True)
    beside = _take_beside(page)
    factors = causes.load_factors()
    some = page.look_at(beside)
    effects = {
        outcome: causes.screen_factors(some, outcome=outcome, factors=factors, level=page.level)
        for outcome in ("lifter_failure", "time_to_pressure", "rotations_to_prime")
    }
    account = load_account(page)
    signs = causes.describe_findings(
        page.all_lifters,
        page.all_jobs,
        lots=named_lots(account),
        gauge_shift_mm=dict(zip(account.gauges["gauge"], account.gauges["bias"], strict=True)),
        time_limit_s=_time_limit(page),
    )
    place = pd.MultiIndex.from_frame(signs[causes.KEY])
    mine = pd.MultiIndex.from_frame(lifters[causes.KEY])
    signs = signs[place.isin(mine)].reset_index(drop=True)
    known = beside["failed_first"].dropna()
    sides = [
        min(row["exposed"], row["ventings"] - row["exposed"])
        for row in rows_of(effects["lifter_failure"])
        if row["state"] == "estimated"
    ]
    tier = evidence.tier(
        ventings=len(known),
        findings=int(known.sum()),
        groups=[max(sides)] * 2 if sides else None,
        coefficients=2,
        denominators_known=not only_findings(beside),
    )
    return ReportData(
        lot,
        jobs,
        lifters,
        beside,
        factors,
        account,
        effects,
        signs,
        causes.match_modes(signs),
        causes.choose_readings(signs, table=_sayable(page)),
        causes.find_recurrent_engines(_keep_place(page, page.all_jobs), seed=page.seed),
        tier,
        int(jobs["failed_first"].notna().sum()),
        int(jobs["failed_first"].sum()),
    )


def _sayable(page: Page) -> causes.ModeTable:
    """The failure modes with those readings that leave no limit in force."""
    table = causes.load_modes()
    return replace(table, readings=tuple(r for r in table.readings if suggest(page, r.check)))


def _keep_place(page: Page, frame: pd.DataFrame) -> pd.DataFrame:
    """Rows at the page's site and of its engine type (that of its engine), up to the end of the period."""
    wanted = {name: value for name, value in page.filters.items() if name != "engine"}
    if "engine" in page.filters and "engine_type" not in wanted:
        own = page.all_jobs.loc[page.all_jobs["engine_id"] == page.filters["engine"], "engine_type"].dropna()
        if len(own):
            wanted["engine_type"] = str(own.iloc[0])
    for name, value in wanted.items():
        frame = frame[(frame[name] == value).fillna(False).to_numpy(dtype=bool)]
    return page.within(frame.reset_index(drop=True), Period("", dt.date.min, page.period.end))


def _take_beside(page: Page) -> pd.DataFrame:
    lifters = _keep_place(page, page.all_lifters)
    jobs = causes.add_lifter_columns(_keep_place(page, page.all_jobs), lifters)
    if only_findings(jobs):
        # ventings written down only because of a finding have no comparison in them
        every = (jobs["recorded_because"] != "finding_only").fillna(True).to_numpy(dtype=bool)
        jobs = jobs[every].reset_index(drop=True)
    return jobs


def named_lots(account: causes.Account) -> list[str]:
    """Lots that the account names."""
    return [
        str(row["name"]).partition("=")[2]
        for row in list_named(account)
        if str(row["name"]).startswith("lifter_lot=")
    ]


def _time_limit(page: Page) -> float | None:
    kinds = page.all_engine_types or ["*"]
    day = page.period.end - dt.timedelta(days=1)
    found = [page.limits.find("time_to_pressure", kind, day) for kind in kinds]
    ends = [limit.high for limit in found if limit is not None and limit.high is not None]
    return float(np.max(ends)) if ends else None
