"""The answer for one venting, of an engine or named: what was there, what its readings fit, what happened to like jobs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.document import wording
from ventbook.reports.account import cured_sentence, find_check, list_named, venting_sentence
from ventbook.reports.page import Page
from ventbook.reports.spongy_lifters.data import ReportData
from ventbook.reports.suggestions import Said, suggest
from ventbook.statistics import causes

# A cause stands at a venting where it brings at least this much of the rate that it brings where it stands fully; what
# lies between that and nothing is a circumstance that wasn't recorded and counts at what is usual.
PRESENT = 0.5


def is_of_one(page: Page) -> bool:
    """Whether the page was asked for an engine or a venting."""
    return bool(page.filters.get("engine") or page.parameters.get("venting"))


def choose_venting(page: Page, facts: ReportData) -> str | None:
    """The venting asked for, else the one of the period with most lifters over the limit (latest first).

    Of an engine without a finding in the period, its latest venting there.
    """
    asked = str(page.parameters.get("venting", ""))
    if asked:
        return asked if (page.all_jobs["venting_id"] == asked).any() else None
    failing = facts.jobs[facts.jobs["failed_first"].fillna(False).to_numpy(bool)]
    if failing.empty and page.filters.get("engine"):
        failing = facts.jobs.sort_values("date", kind="stable").tail(1)
    if failing.empty:
        return None
    order = failing.sort_values(
        ["lifters_over_first", "date", "venting_id"], ascending=[False, False, True], kind="stable"
    )
    return str(order["venting_id"].iloc[0])


def headline(page: Page, job: pd.Series) -> str:
    """One sentence on a venting: lifters over the limit, rotations against expected, the engine's earlier ventings."""
    over, checked = job["lifters_over_first"], job["lifters_checked"]
    told = f"Venting {wording.clean_text(job['venting_id'])} of engine {wording.clean_text(job['engine_id'])}, {job['date']:%Y-%m-%d}, {wording.clean_text(job['site'])}"
    if pd.isna(checked) or checked == 0:
        return f"{told}: no lifter check was handed in."
    told += f": {int(over)} of {int(checked)} lifters over the limit at the first check"
    if pd.notna(job["lifters_over_last"]) and int(job["lifters_rechecked"] or 0):
        told += f", {int(job['lifters_over_last'])} at the last"
    if pd.notna(job["rotations_ratio"]):
        told += (
            f"; {job['rotations_crank']:.0f} rotations where {job['expected_rotations']:.0f} were expected"
        )
    earlier = page.all_jobs[
        (page.all_jobs["engine_id"] == job["engine_id"]) & (page.all_jobs["date"] < job["date"])
    ]
    bad = int(earlier["failed_first"].sum())
    before = wording.count(len(earlier), "earlier venting")
    return f"{told}. {before[0].upper()}{before[1:]} of this engine" + (
        f", {bad} with a finding." if len(earlier) else "."
    )


def answer_for_one(page: Page, facts: ReportData) -> tuple[list[str], list[str | Said]]:
    """The answer for one venting and what to do; a line that says so where there is none."""
    name = choose_venting(page, facts)
    if name is None:
        asked = str(page.parameters.get("venting", ""))
        none = f"There is no venting {asked!r} in these records." if asked else "No venting in this period."
        return [none], []
    job = page.all_jobs[page.all_jobs["venting_id"] == name].iloc[0]
    lines = [
        headline(page, job),
        causes_present(facts.account, job),
        readings_sentence(page, name),
        cured_sentence(facts.account, page.all_lifters, sort_causes(facts.account, job)[0]),
    ]
    return lines, next_steps(page, facts, job)


def sort_causes(account: causes.Account, job: pd.Series) -> tuple[list[str], list[str], list[str]]:
    """Names of the named causes that stood at the venting, of those not recorded for it, and of those that didn't stand."""
    chance = causes.chance_for(account, job)
    total = -np.log1p(-min(chance.chance, 1 - 1e-12))
    lifters = job.get("lifters_judged_first")
    lifters = float(lifters) if pd.notna(lifters) and lifters else account.model.judged
    present: list[str] = []
    unknown: list[str] = []
    absent: list[str] = []
    for row in list_named(account):
        of_full = chance.shares.get(row["name"], 0.0) * total / (row["rate"] * lifters)
        place = absent if of_full <= 0 else present if of_full >= PRESENT else unknown
        place.append(str(row["name"]))
    return present, unknown, absent


def causes_present(account: causes.Account, job: pd.Series) -> str:
    """Which of the causes that the records name stood at this venting."""
    if not list_named(account):
        return "The records up to the end of this period name no cause of failing ventings, so there is none to look for at this one."
    titles = causes.name_causes(account)
    present, unknown, _ = sort_causes(account, job)
    all_of = wording.count(len(list_named(account)), "cause")
    told = f"Of the {all_of} that these records name, {len(present) or 'none'} {'was' if len(present) < 2 else 'were'} present here"
    told += f": {wording.join_words([titles[name] for name in present])}" if present else ""
    if unknown:
        told += f"; not recorded for this job: {wording.join_words([titles[name] for name in unknown])}"
    share = venting_sentence(account, job)
    return f"{told}. {share}".strip()


def readings_sentence(page: Page, venting: str) -> str:
    """What the readings over the limit fit."""
    own = page.all_lifters[page.all_lifters["venting_id"] == venting]
    over = own[own["over_first"].fillna(False).astype(bool)]
    if over.empty:
        return ""
    words = {"leak_down": "leak-down", "both": "both", "bottomed": "a bottomed plunger", "air": "air"}
    counts = over["cause"].value_counts()
    parts = [f"{words[name]} at {count}" for name, count in counts.items() if name in words]
    rest = len(over) - sum(int(counts.get(name, 0)) for name in words)
    parts += [f"neither for certain at {rest}"] if rest else []
    return f"Its readings over the limit fit {wording.join_words(parts)}."


def next_steps(page: Page, facts: ReportData, job: pd.Series) -> list[str | Said]:
    """The cheapest next check at this venting, and whom to ask."""
    present, _, _ = sort_causes(facts.account, job)
    named = [row for row in list_named(facts.account) if row["name"] in present]
    site = wording.clean_text(job["site"])
    ask = f"Ask whoever closed this job at {site}."
    said = (find_check(page, row) for row in sorted(named, key=lambda row: row["cost"]))
    if check := next(filter(None, said), None):
        return [check.led_by("Cheapest next check:"), ask]
    own = facts.readings[
        (facts.readings["venting_id"] == job["venting_id"]) & (facts.readings["reading"] != "")
    ]
    if own.empty:
        return [ask]
    reading = suggest(page, str(own["reading"].mode().iloc[0]))
    return [*([reading.led_by("What would decide most:")] if reading else []), ask]
