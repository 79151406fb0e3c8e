"""What the sections of the conformity report share: verdicts, shares, what is open."""

from __future__ import annotations

from weakref import WeakKeyDictionary

import pandas as pd

from ventbook import conformity, evidence, rates
from ventbook.conformity import JUDGED
from ventbook.pages.base import Page
from ventbook.results import Estimate, no_estimate
from ventbook.wording import conformity as words

_VERDICTS: WeakKeyDictionary[Page, pd.DataFrame] = WeakKeyDictionary()


def every_verdict(page: Page) -> pd.DataFrame:
    """Verdicts of all ventings in the snapshot that pass the filters, worked out once a page."""
    if page not in _VERDICTS:
        jobs, lifters = page.keep(page.all_jobs), page.keep(page.all_lifters)
        _VERDICTS[page] = conformity.check_steps(page.records, jobs, lifters, limits=page.limits)
    return _VERDICTS[page]


def past_verdicts(page: Page) -> pd.DataFrame:
    """Those up to the end of the period."""
    every = every_verdict(page)
    return every[every["venting_id"].isin(page.history_jobs["venting_id"])].reset_index(drop=True)


def period_verdicts(page: Page) -> pd.DataFrame:
    """Those of the period."""
    every = every_verdict(page)
    return every[every["venting_id"].isin(page.jobs["venting_id"])].reset_index(drop=True)


def find_open(page: Page) -> pd.DataFrame:
    """Open findings over all periods up to the snapshot, filters kept."""
    return conformity.list_open_findings(every_verdict(page), page.keep(page.all_jobs), today=page.today)


def say_open(page: Page, table: pd.DataFrame) -> str:
    """The open findings in a sentence, with how many engines the records say nothing about."""
    findings = table.drop_duplicates("venting_id")
    jobs = page.keep(page.all_jobs).sort_values(["date", "venting_id"], kind="stable")
    latest = jobs.drop_duplicates("engine_id", keep="last")
    every = every_verdict(page)
    last = every[(every["step"] == "gap_at_last_check") & every["venting_id"].isin(latest["venting_id"])]
    known = last["verdict"].isin(JUDGED).sum()
    return words.open_findings(
        len(findings),
        open_jobs=int(findings["open"].sum()),
        closed_jobs=int(findings["closed"].notna().sum()),
        known=int(known),
        unknown=len(latest) - int(known),
        placeholder=bool(last["status"].eq("placeholder").any()),
    )


def say_facts(verdicts: pd.DataFrame) -> str:
    """Facts that need no limit, counted by ventings."""
    table = conformity.list_facts(verdicts)
    counts = table.groupby("fact", sort=False)["venting_id"].nunique()
    return words.facts([(str(name), int(n)) for name, n in counts.items()])


def share_within(verdicts: pd.DataFrame, *, level: float) -> Estimate:
    """Within over judged, summed by venting, with the interval that carries engines."""
    judged = verdicts["verdict"].isin(JUDGED)
    sums = (
        verdicts.assign(judged=judged, within=verdicts["verdict"].eq("within"))
        .groupby(["venting_id", "engine_id"], sort=False)[["judged", "within"]]
        .sum()
        .reset_index()
    )
    sums = sums[sums["judged"] > 0]
    if evidence.tier(ventings=len(sums), findings=0) == "list" and len(sums):
        engines = sums["engine_id"].nunique()
        return no_estimate(
            "too_few",
            level=level,
            unit="share",
            n=int(sums["judged"].sum()),
            clusters=engines,
            note="cases only",
        )
    return rates.lifter_share(sums["within"], sums["judged"], cluster=sums["engine_id"], level=level)


def count_within(verdicts: pd.DataFrame) -> int:
    return int(verdicts["verdict"].eq("within").sum())


def say_against(verdicts: pd.DataFrame) -> str:
    return words.against(verdicts["status"].unique().tolist(), verdicts["revision"].unique().tolist())


def say_within(page: Page, verdicts: pd.DataFrame) -> str:
    return words.steps_within(
        share_within(verdicts, level=page.level),
        within=count_within(verdicts),
        ventings=len(page.jobs),
        held_against=say_against(verdicts),
    )


def page_tier(page: Page, ventings: int | None = None) -> str:
    return evidence.tier(ventings=len(page.jobs) if ventings is None else ventings, findings=0)
