"""What moved in the mix, the state of the records, open jobs, the last period restated, earlier signals."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.document import wording
from ventbook.document.blocks import Column
from ventbook.document.sequence import Blocks
from ventbook.reports.page import Page, section
from ventbook.reports.quarterly_review.data import ALSO, ReportData, intakes_of, load_data
from ventbook.reports.records import count_rows, share_of_rows
from ventbook.statistics import trends

#: Columns whose completeness the review shows: what the reports need first.
NEEDED = (
    "lines_empty", "cooler_empty", "filter_new", "tank_overpressure_bar", "oil_temperature_degC", "oil_grade",
    "suction_line_length_m", "suction_line_bore_mm", "pressure_threshold_bar", "rotations_after_pressure", "lifter_lot",
    "time_to_pressure_s", "failed_first", "all_checked",
)  # fmt: skip


@section
def mix(page: Page) -> Blocks:
    """What came through the door and with what it was worked on: this period's shares beside the earlier ones."""
    facts = load_data(page)
    if page.asked_against:
        return _show_mix(
            page, pd.concat([facts.before.assign(part="before"), facts.now.assign(part="now")]), ["before"], ["now"],
            period="part", title=f"What moved, {facts.period.label} against {facts.before_period.label}",
        )  # fmt: skip
    past = [label for label in facts.labels if label < facts.step.label]
    if not past:
        return page.text("There is no earlier period, so nothing can have moved yet.")
    title = f"What moved, {facts.step.label} against {past[-4:][0]} to {past[-1]}"
    return _show_mix(page, facts.jobs, past[-4:], [facts.step.label], period="step", title=title)


def _show_mix(
    page: Page, jobs: pd.DataFrame, past: list[str], recent: list[str], *, period: str, title: str
) -> Blocks:
    table = trends.compare_mix(jobs, past=past, recent=recent, columns=ALSO, period=period)
    told = table[(table["change"].abs() >= 0.05) & (table["column"] != "technician")].head(20)
    told = told.assign(
        column=told["column"].str.replace("_", " "), level=told["level"].str.replace("_", " ").map(wording.clean_text),
        points=100 * told["change"], new=np.where(told["is_new"], "new", ""),
    )  # fmt: skip
    shown = page.add_table(
        "mix", told.drop(columns=["p"]), title=title,
        columns=["column", "level", "before", "now", "points", "new"],
        note="Changes of at least 5 points, largest first. The signals above allow for engine type, reason, empty lines and coolers and new filters.",
    )  # fmt: skip
    person = table[table["column"] == "technician"]
    if len(person) and person["now"].iloc[0] > 0:
        shown += page.text(
            f"{wording.number(float(person['now'].iloc[0]), 'share')} of the ventings were done by people who did none in what it is held against."
        )
    return shown


@section
def data_quality(page: Page) -> Blocks:
    """How complete the period's records are, what is held back, and what was noted."""
    facts = load_data(page)
    rows = []
    for name in NEEDED:
        now, before = (_recorded(jobs, name) for jobs in (facts.now, facts.before))
        rows.append(
            (
                name.rsplit("_", 1)[0].replace("_", " ")
                if name.endswith(("_bar", "_degC", "_m", "_mm", "_s"))
                else name.replace("_", " "),
                now,
                before,
            )
        )
    table = pd.DataFrame(rows, columns=["column", "now", "before"]).astype({"now": float, "before": float})
    table["column"] = table["column"].replace(
        {"failed first": "result of the first lifter check", "all checked": "every lifter checked"}
    )
    shown = page.add_table(
        "completeness", table, title="How much is recorded",
        columns=["column", Column("now", facts.period.label, "share"), Column("before", facts.before_period.label, "share")],
        note="Share of ventings with an entry. An empty cell is not a no.",
    )  # fmt: skip
    shown += _held(page, facts)
    issues = page.records.get("issues", pd.DataFrame())
    if len(issues):
        here = issues[issues["intake"].isin(intakes_of(page, facts)).to_numpy()]
        if page.filters.get("site"):
            here = here[here["site"].isin(facts.sites) | here["site"].isna()]
        counts = (
            here.groupby(["severity", "code"], sort=True)
            .agg(n=("code", "size"), what=("what", "first"))
            .reset_index()
        )
        counts["severity"] = counts["severity"].map(wording.SEVERITY_WORDS).fillna(counts["severity"])
        counts = counts.sort_values("n", ascending=False, kind="stable")
        shown += page.add_table(
            "issues", counts, title=f"What was noted or quarantined in the deliveries that brought {facts.period.label}",
            columns=["severity", "n", "what"],
        )  # fmt: skip
    return shown


def _held(page: Page, facts: ReportData) -> Blocks:
    """Rows held back now, of all rows handed in up to this snapshot."""
    intakes = page.records.get("intakes")
    if intakes is None or intakes.empty:
        return Blocks("", "")
    handed_in, held, _ = count_rows(page)
    share = share_of_rows(page, handed_in, held)
    sentence = (
        f"Of {wording.count(handed_in, 'row')} handed in so far, {wording.count(held, 'row')} "
        f"{'is' if held == 1 else 'are'} held back and not counted."
    )
    own_rows, own_held, _ = count_rows(page, intakes_of(page, facts))
    own = (
        f"Of {wording.count(own_rows, 'row')} that came in with the ventings of {facts.period.label}, "
        f"{own_held or 'none'} {'are' if own_held > 1 else 'is'} held back."
    )
    return page.add_finding("quarantined_share", share, tier=facts.tier, sentence=sentence) + page.text(own)


def _recorded(jobs: pd.DataFrame, name: str) -> float:
    if jobs.empty:
        return float("nan")
    if name == "all_checked":
        return float(jobs["all_checked"].fillna(False).astype(bool).mean())
    return float(jobs[name].notna().mean())


@section
def open_jobs(page: Page) -> Blocks:
    """Open ventings of the period, by site."""
    facts = load_data(page)
    waiting = facts.open_now
    table = pd.DataFrame({
        "site": facts.sites,
        "ventings": [int((facts.now["site"] == s).sum()) for s in facts.sites],
        "open": [int((waiting["site"] == s).sum()) for s in facts.sites],
        "no_result": [int(facts.now.loc[facts.now["site"] == s, "failed_first"].isna().sum()) for s in facts.sites],
    })  # fmt: skip
    return page.add_table(
        "open_jobs", table, title=f"Open jobs of {facts.period.label}",
        columns=["site", "ventings", "open", "no_result"],
        note="Jobs with trouble close later than jobs without, so a period looks better while jobs are open.",
    )  # fmt: skip


@section
def ventings(page: Page) -> Blocks:
    """The ventings behind every number of the page."""
    facts = load_data(page)
    table = facts.now.assign(
        spongy=facts.now["lifters_over_first"], why=facts.now["reason"].str.replace("_", " "), result=_result_words(facts.now),
        open=np.where(facts.now["venting_id"].isin(facts.open_now["venting_id"]), "open", ""),
    )  # fmt: skip
    kept = [
        "venting_id", "engine_id", "date", "site", "engine_type", "reason", "why", "result", "spongy", "lifters_checked", "gap_worst_first_mm",
        "time_to_pressure_s", "rotations_ratio", "gauge", "lifter_lot", "open",
    ]  # fmt: skip
    failing = (table["failed_first"] == True).fillna(False).astype(int)  # noqa: E712
    table = table.assign(_first=-failing).sort_values(["_first", "date", "venting_id"], kind="stable")[kept]
    return page.add_table(
        "ventings", table, title=f"Ventings of {facts.period.label}, failing ones first",
        columns=["venting_id", "date", "site", "engine_type", "why", "result", "spongy", "lifters_checked", "gap_worst_first_mm", "time_to_pressure_s", "rotations_ratio", "open"],
    )  # fmt: skip


def _result_words(jobs: pd.DataFrame) -> list[str]:
    words = {True: "spongy lifter", False: "none"}
    return ["no result" if pd.isna(v) else words[bool(v)] for v in jobs["failed_first"]]
