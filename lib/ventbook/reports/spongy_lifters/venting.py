"""A page for one venting: what was done, what was read, what its record fits, and ventings like it.

Those who open the notebook by hand choose the venting by drop-downs; a report that is run never shows them.
"""

from __future__ import annotations

import os
import sys
from typing import Any

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.blocks import Column
from ventbook.document.sequence import Blocks
from ventbook.model import conformity
from ventbook.model.verdicts import is_over
from ventbook.reports import gauges
from ventbook.reports.account import venting_sentence
from ventbook.reports.page import Page, section
from ventbook.reports.parameters import ParameterError
from ventbook.reports.runup import run_up_sheet
from ventbook.reports.spongy_lifters import figures as draw
from ventbook.reports.spongy_lifters.data import ReportData, load_data, rows_of
from ventbook.reports.spongy_lifters.engine import choose_venting, headline
from ventbook.reports.spongy_lifters.page import (
    answer,
    failure_modes,
    failures_by_cause,
    findings,
    next_checks,
)
from ventbook.statistics import causes
from ventbook.tables import units

FIELDS = {
    "date": ("date", ""), "engine_id": ("engine", ""), "engine_type": ("engine type", ""), "site": ("site", ""), "reason": ("reason", ""),
    "lifter_lot": ("lot of the lifters", ""), "hours_since_overhaul_h": ("hours since overhaul", "h"), "lines_empty": ("lines empty", ""),
    "cooler_empty": ("cooler empty", ""), "filter_new": ("filter new", ""), "tank_overpressure_bar": ("tank overpressure", "bar"),
    "oil_grade": ("oil grade", ""), "oil_temperature_degC": ("oil temperature", "degC"), "turned_by": ("turned by", ""),
    "rotations_crank": ("rotations, crankshaft", ""), "expected_rotations": ("rotations expected", ""),
    "rotations_after_pressure": ("rotations after pressure", ""), "pressure_steady": ("pressure while turning", ""),
    "rest_before_start_h": ("rest before start", "h"), "time_to_pressure_s": ("time to pressure", "s"), "extra_runs": ("further runs", ""),
    "lifters_over_first": ("lifters over, first check", ""), "lifters_over_last": ("lifters over, last check", ""),
    "remarks": ("remarks", ""),
}  # fmt: skip
WORKING = "Working it out ..."
AS_OPENED = "The cells below are still those of {scope}: choose in the cell of parameters and run all cells to have the whole page anew."


@section
def one_venting(page: Page) -> Blocks:
    """One venting in full."""
    facts = load_data(page)
    name = choose_venting(page, facts)
    if name is None:
        asked = str(page.parameters.get("venting", ""))
        return page.text(
            f"There is no venting {asked!r} in these records."
            if asked
            else "No venting with a finding to show in full."
        )
    job = page.all_jobs[page.all_jobs["venting_id"] == name].iloc[0]
    lifters = page.all_lifters[page.all_lifters["venting_id"] == name]
    shown = page.text(
        headline(page, job), *_gauge_sentences(page, job, lifters), venting_sentence(facts.account, job)
    )
    shown += page.add_table(
        "one_venting",
        _list_record(page, job),
        title=f"Venting {wording.clean_text(name)}: what was recorded",
        columns=["what", "value"],
        note="Nothing stands where nothing was recorded.",
    )
    shown += page.add_table(
        "engine_timeline",
        list_timeline(page, str(job["engine_id"])),
        title=f"Engine {wording.clean_text(job['engine_id'])}: ventings, starts and checks",
        columns=["date", "venting_id", "event", "told"],
    )  # fmt: skip
    shown += _gap_figure(page, lifters)
    shown += _flags(page, job, lifters)
    shown += _modes(page, facts, name, lifters)
    shown += run_up_sheet(page, name)
    return shown + _like_it(page, facts, name)


def _gauge_sentences(page: Page, job: pd.Series, lifters: pd.DataFrame) -> list[str]:
    """What is known of the gauges that this venting was read with, and what their bias makes of its verdicts."""
    day, both = job["date"].date(), gauges.count_both(lifters)
    rows = [
        gauges.find_told(page.gauges, str(name), day) for name in sorted(lifters["gauge"].dropna().unique())
    ]
    told = [gauges.told_sentence(row, day, units=page.units) for row in rows if row is not None]
    if told and both.judged:
        told.append(gauges.both_sentence(both))
    if both.differ:
        told.append(gauges.decides_sentence(page.gauges))
    return told


def _list_record(page: Page, job: pd.Series) -> pd.DataFrame:
    rows = []
    for column, (header, unit) in FIELDS.items():
        value = job.get(column)
        if value is None or pd.isna(value):
            text = ""
        elif isinstance(value, (bool, np.bool_)):
            text = "yes" if value else "no"
        elif isinstance(value, pd.Timestamp):
            text = f"{value:%Y-%m-%d}"
        elif isinstance(value, str):
            text = wording.clean_text(value.replace("_", " ") if column != "remarks" else value)
        else:
            text = wording.number(float(value), unit, units=page.units, decimals=None if unit else 0)
        rows.append((header, text))
    return pd.DataFrame(rows, columns=["what", "value"])


def list_timeline(page: Page, engine: str) -> pd.DataFrame:
    """All ventings of an engine with their starts and checks, in order: date, venting_id, event, told."""
    jobs = page.all_jobs[page.all_jobs["engine_id"] == engine]
    records = {name: records_of(page, name, jobs) for name in ("starts", "lifter_checks")}
    lifters = page.all_lifters[["venting_id", "limit_mm"]]
    lifters = lifters[(page.all_lifters["engine_id"] == engine).fillna(False).to_numpy(bool)]
    limits = lifters.groupby("venting_id")["limit_mm"].first()
    rows = []
    for job in rows_of(jobs):
        name, told = job["venting_id"], ""
        if pd.notna(job["rotations_crank"]):
            told = f"{job['rotations_crank']:.0f} rotations" + (
                "" if job["pressure_shown"] else ", pressure not shown"
            )
        rows.append((job["date"], name, f"venting ({str(job['reason']).replace('_', ' ')})", told))
        checks = records["lifter_checks"][records["lifter_checks"]["venting_id"] == name]
        steps = [
            (float(start["start_no"]), _start_row(page, job, start))
            for start in rows_of(records["starts"][records["starts"]["venting_id"] == name])
        ]
        for number, part in checks.groupby("check_no"):
            after = part["after_start"].dropna()
            limit = limits.get(name, np.nan)
            over = int(is_over(part["gap_mm"], limit).sum())
            words = f"{wording.count(len(part), 'lifter')} read, worst gap {wording.number(float(part['gap_mm'].max()), 'mm', units=page.units)}, {over} over the limit as read"
            at = float(after.max()) if len(after) else float(part["check_no"].iloc[0])
            steps.append((at + 0.5, (job["date"], name, f"check {number}", words)))
        rows += [row for _, row in sorted(steps, key=lambda step: step[0])]
    return pd.DataFrame(rows, columns=["date", "venting_id", "event", "told"])


def records_of(page: Page, table: str, jobs: pd.DataFrame) -> pd.DataFrame:
    """Rows of a record table that belong to these ventings."""
    return page.snapshot.read_of(table, jobs["venting_id"])


def _start_row(page: Page, job: dict[str, Any], start: dict[str, Any]) -> tuple[Any, str, str, str]:
    day = start["started_at"].normalize() if pd.notna(start["started_at"]) else job["date"]
    words = []
    if pd.notna(start["time_to_pressure_s"]):
        time = wording.number(float(start["time_to_pressure_s"]), "s", units=page.units)
        words.append(
            f"pressure after {time}"
            if start["pressure_shown"]
            else f"shut down without pressure after {time}"
        )
    if pd.notna(start["extra_run_s"]) and start["extra_run_s"] > 0:
        words.append(f"run of {wording.number(float(start['extra_run_s']), 's', units=page.units)}")
    return day, job["venting_id"], f"start {start['start_no']}", ", ".join(words)


def _gap_figure(page: Page, lifters: pd.DataFrame) -> Blocks:
    if lifters.empty:
        return page.text("No lifter check was handed in for it.")
    gap, label = units.display(lifters["gap_first_mm"].to_numpy(dtype=float), "mm", page.units)
    last, _ = units.display(lifters["gap_last_mm"].to_numpy(dtype=float), "mm", page.units)
    limits = lifters["limit_mm"].dropna()
    limit = float(units.display(float(limits.iloc[0]), "mm", page.units)[0]) if len(limits) else float("nan")
    table = pd.DataFrame({"position": lifters["position"].to_numpy(), "first": gap, "last": last})
    figure, ax = plotting.new_figure(height=3.4)
    figure.subplots_adjust(bottom=0.26)
    draw.draw_gaps(
        ax,
        table,
        limit=limit,
        unit=label.label,
        placeholder=bool((lifters["limit_status"] == "placeholder").any()),
    )
    over = lifters.loc[lifters["over_first"].fillna(False).to_numpy(bool), "position"].tolist()
    return page.add_figure(
        "one_venting_gaps",
        figure,
        alt=f"Gaps of {len(lifters)} lifters by position at the first and last check. Over the limit at the first: {wording.join_words(over) or 'none'}.",
        caption="Gap by position, first and last check.",
    )


def _flags(page: Page, job: pd.Series, lifters: pd.DataFrame) -> Blocks:
    own = job.to_frame().T.astype(page.all_jobs.dtypes)
    records = {name: records_of(page, name, own) for name in ("starts", "lifter_checks")}
    verdicts = conformity.check_steps(records, own, lifters, limits=page.limits)
    outside = verdicts[verdicts["verdict"].isin(["outside", "not_comparable", "near_limit"])]
    table = outside.assign(
        what=outside["step"].str.replace("_", " ")
        + outside["item"].fillna("").map(lambda i: f", {i}" if i else ""),
        shown=[
            wording.number(v, u, units=page.units) if pd.notna(v) else ""
            for v, u in zip(outside["value"], outside["unit"], strict=True)
        ],
        said=[
            wording.verdict_words(v, placeholder=s == "placeholder")
            for v, s in zip(outside["verdict"], outside["status"], strict=True)
        ],
    )
    return page.add_table(
        "one_venting_steps",
        table[["what", "shown", "said"]].reset_index(drop=True),
        title="Steps outside their limit, near it, or not comparable with it",
        columns=["what", "shown", "said"],
    )


def _modes(page: Page, facts: ReportData, name: str, lifters: pd.DataFrame) -> Blocks:
    signs = facts.signs[facts.signs["venting_id"] == name]
    if signs.empty and len(lifters):
        signs = causes.describe_findings(page.all_lifters, page.all_jobs)
        signs = signs[signs["venting_id"] == name]
    matched = causes.match_modes(signs)
    kept = matched[matched["verdict"] != "ruled_out"].sort_values(
        [*causes.KEY[1:], "score"], ascending=[True, True, False], kind="stable"
    )
    kept = kept.assign(verdict=kept["verdict"].map({"fits": "fits", "open": "left open"}))
    return page.add_table(
        "one_venting_modes",
        kept.drop(columns=["score"]).reset_index(drop=True),
        title="What its findings fit, and what would decide",
        columns=["cylinder", "valve", "name", "verdict", "speaks_for", "not_recorded"],
        rows=24,
    )  # fmt: skip


def _like_it(page: Page, facts: ReportData, name: str) -> Blocks:
    own = causes.match_cases(facts.beside, venting=name)
    if own.empty:
        return page.text("No venting without a finding of the same engine type and reason to set beside it.")
    jobs = facts.beside.set_index("venting_id").loc[own["venting_id"]].reset_index()
    rows = []
    for column, (header, unit) in FIELDS.items():
        if column in ("remarks", "lifters_over_first", "lifters_over_last", "engine_type", "reason"):
            continue
        texts = [_list_record(page, job).set_index("what")["value"][header] for _, job in jobs.iterrows()]
        if len(set(texts)) > 1:
            rows.append((header, *texts))
        del unit
    heads = ["what", "this", *(f"like{i}" for i in range(1, len(jobs)))]
    likes = zip(heads[2:], jobs["venting_id"].tolist()[1:], strict=True)
    return page.add_table(
        "one_venting_beside",
        pd.DataFrame(rows, columns=heads),
        title="Beside like ventings without a finding: same engine type and reason, nearest in date and hours",
        columns=[
            "what",
            "this",
            *(Column(name, wording.clean_text(like), "", "text") for name, like in likes),
        ],
    )


SECTIONS = (answer, failures_by_cause, failure_modes, findings, one_venting, next_checks)


def is_by_hand(page: Page) -> bool:
    """Whether a person sits at this notebook: a kernel is running it, no report is being written, nobody has said
    otherwise (VENTBOOK_CONTROLS=0), and it is not being executed for a test."""
    if page.parameters["out"] or os.environ.get("VENTBOOK_CONTROLS", "") == "0":
        return False
    if os.environ.get("VENTBOOK_CONTROLS", "") == "1":
        return True
    return (
        "ipykernel" in sys.modules
        and "JPY_SESSION_NAME" in os.environ
        and "PYTEST_CURRENT_TEST" not in os.environ
    )


def list_choices(page: Page) -> dict[str, list[str]]:
    """What each drop-down offers, the empty choice (all) first; quarters newest first."""
    jobs = page.all_jobs
    quarters = sorted(jobs["quarter"].dropna().unique().tolist(), reverse=True)
    failing = jobs[jobs["failed_first"].fillna(False).to_numpy(bool)]
    return {
        "period": ["", *quarters],
        **{
            name: ["", *sorted(map(str, jobs[column].dropna().unique()))]
            for name, column in (
                ("site", "site"),
                ("engine_type", "engine_type"),
                ("engine", "engine_id"),
                ("lot", "lifter_lot"),
            )
        },
        "venting": ["", *sorted(failing["venting_id"].tolist())],
    }


def label_choices(page: Page) -> dict[str, list[tuple[str, str]]]:
    """Words and value of each choice: the empty one says what the page takes where nothing is chosen.

    What was asked for and is in no list (a half year) stands as a choice of its own.
    """
    asked = {name: str(page.parameters.get(name, "")) for name in list_choices(page)}
    empty = dict.fromkeys(asked, "all") | {
        "period": f"{page.period.label} (as opened)" if not asked["period"] else "last complete quarter",
        "venting": "with most lifters over",
    }
    return {
        name: [
            (choice or empty[name], choice)
            for choice in dict.fromkeys([*choices[:1], asked[name], *choices[1:]])
        ]
        for name, choices in list_choices(page).items()
    }


def show_again(page: Page, chosen: dict[str, str]) -> Blocks:
    """The main sections for what is chosen, on a page of its own; the open page stays as it is."""
    asked = {**chosen, "out": ""}
    if chosen.get("period"):
        asked |= {"since": "", "until": ""}
    try:
        other = page.reopen(asked)
    except ParameterError as error:
        return page.text(str(error))
    shown = page.text()
    for show in SECTIONS:
        shown += show(other)
    return shown


def open_by_hand(page: Page) -> Any:
    """Drop-downs that refilter in place, where the notebook is open in front of a person; else nothing."""
    if not is_by_hand(page):
        return None
    import ipywidgets as widgets
    from IPython.display import display

    boxes = {
        name: widgets.Dropdown(
            options=choices, value=str(page.parameters.get(name, "")), description=name.replace("_", " ")
        )
        for name, choices in label_choices(page).items()
    }
    out = widgets.Output()

    def refresh(_: Any) -> None:
        out.clear_output()
        with out:
            display(page.text(WORKING))
            shown = show_again(page, {name: str(box.value) for name, box in boxes.items()})
            out.clear_output(wait=True)
            display(shown + page.text(AS_OPENED.format(scope=page.scope_words)))

    for box in boxes.values():
        box.observe(refresh, names="value")
    return widgets.VBox([widgets.HBox(list(boxes.values())[:3]), widgets.HBox(list(boxes.values())[3:]), out])
