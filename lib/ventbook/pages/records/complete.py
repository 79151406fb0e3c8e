"""How complete the records are, and what that costs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ventbook import dictionary, plots
from ventbook.pages.base import Page
from ventbook.pages.show import Shown
from ventbook.plots.records import draw_recorded
from ventbook.waiting_times import test_heaping
from ventbook.wording import records as words

QUARTERS = 8
_READ_AS = {
    0: "counted one by one",
    5: "rounded to fives: read as the two counts either way",
    10: "rounded to tens: read as the counts up to half a ten either way",
}


@dataclass(frozen=True)
class Question:
    """One row of ``data/questions.toml``."""

    name: str
    of: str
    needs: tuple[str, ...]
    weight: int
    gain: str
    when: str = ""


def read_questions() -> list[Question]:
    """The questions and the columns that each needs."""
    rows = dictionary.read_toml(dictionary.DATA / "questions.toml")["question"]
    return [Question(**{**row, "needs": tuple(row["needs"])}) for row in rows]


def recorded_map(page: Page) -> Shown:
    """Share recorded by column and quarter: what the questions need."""
    needed = list(dict.fromkeys(name for q in read_questions() for name in q.needs))
    jobs, lifters = page.history_jobs, page.history_lifters
    quarters = sorted(jobs["quarter"].dropna().unique())[-QUARTERS:]
    share = np.full((len(needed), len(quarters)), np.nan)
    for i, name in enumerate(needed):
        frame = jobs if name in jobs else lifters
        if name not in frame or frame.empty:
            continue
        if name == "return_flow_time_s":
            frame = frame[frame["turbocharged"].fillna(False).astype(bool)]
        by = frame[name].notna().groupby(frame["quarter"]).mean().reindex(quarters)
        share[i] = by.to_numpy(dtype=float)
    if not quarters:
        return page.text("There is no venting in these records, so nothing is recorded or missing.")
    labels = [_label(name) for name in needed]
    figure, ax = plots.new_figure(height=0.9 + 0.24 * len(needed), width=7.2)
    draw_recorded(ax, share, labels, quarters)
    figure.subplots_adjust(left=0.36, right=0.99, top=0.99, bottom=0.09)
    known = ~np.isnan(share)
    mean = np.where(known, share, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    where = labels[int(np.argmin(np.where(known.any(axis=1), mean, np.inf)))] if known.any() else "nothing"
    table = pd.DataFrame(share, columns=quarters)
    table.insert(0, "column", needed)
    shown = page.add_figure(
        "recorded",
        figure,
        alt=f"Map of the share recorded, {len(needed)} columns by {len(quarters)} quarters. Recorded least often: {where}.",
        caption="What was recorded, by quarter of the venting. Only columns that a question of these reports needs.",
    )
    kept = page.add_table(
        "recorded",
        table,
        title="Share recorded, by column and quarter",
        columns={"column": "Column"} | {quarter: (quarter, "share", "") for quarter in quarters},
        rows=10,
    )
    return shown + kept


def _label(name: str) -> str:
    words_of = {"failed_first": "gaps of all lifters", "time_low_s": "time to pressure at first start"}
    for table in ("ventings", "engines", "lifter_checks", "starts"):
        for column in dictionary.tables()[table].columns:
            if column.stored == name:
                return column.name.replace("_", " ")
    return words_of.get(name, name.removesuffix("_crank").replace("_", " "))


def _rows_of(page: Page, question: Question) -> pd.DataFrame:
    if question.of == "ventings":
        frame = page.jobs
    elif question.of == "findings":
        frame = page.lifters[page.lifters["over_first"].fillna(False).astype(bool)]
    else:
        frame = page.lifters
    if question.when:
        frame = frame[frame[question.when].fillna(False).astype(bool)]
    return frame


def missing_cost(page: Page) -> Shown:
    """For how many ventings each question can be answered, and what keeps it from the rest."""
    rows: list[dict[str, Any]] = []
    for question in read_questions():
        frame = _rows_of(page, question)
        present = frame[list(question.needs)].notna()
        whole = present.all(axis=1)
        worst = present.mean().idxmin() if len(frame) else ""
        gap = bool(len(frame)) and not whole.all()
        rows.append(
            {
                "question": question.name,
                "answered": int(whole.sum()),
                "of": len(frame),
                "share": float(whole.mean()) if len(frame) else np.nan,
                "counted": question.of,
                "missing_most": _label(str(worst)) if gap else "",
                "why": question.gain if gap else "",
            }
        )
    frame = pd.DataFrame(rows)
    return page.add_table(
        "questions",
        frame,
        title="Which questions these records can answer",
        columns={
            "question": "Question",
            "answered": ("Can be answered for", "", "integer"),
            "of": ("of", "", "integer"),
            "counted": "Counted in",
            "share": ("Share", "share", ""),
            "missing_most": "Missing most often",
            "why": "Why it matters",
        },
    )


def rank_columns(page: Page) -> list[dict[str, Any]]:
    """Columns by what recording them would gain: weight of each question times the share it can't be answered."""
    gains: dict[str, float] = {}
    recorded: dict[str, float] = {}
    for question in read_questions():
        frame = _rows_of(page, question)
        if frame.empty:
            continue
        present = frame[list(question.needs)].notna()
        for name in question.needs:
            if name in ("failed_first", "rotations_crank"):
                continue
            alone = present.drop(columns=name).all(axis=1) if len(question.needs) > 1 else True
            lost = float((~present[name] & alone).mean())
            gains[name] = gains.get(name, 0.0) + question.weight * lost
            recorded[name] = min(recorded.get(name, 1.0), float(present[name].mean()))
    ranked = sorted(gains, key=lambda name: (-gains[name], name))
    return [
        {"column": name, "name": _label(name), "gain": gains[name], "recorded": recorded[name]}
        for name in ranked
        if gains[name] > 0.05
    ]


def record_better(page: Page) -> Shown:
    """The columns whose recording would answer most, best first."""
    frame = pd.DataFrame(rank_columns(page), columns=["column", "name", "gain", "recorded"])
    shown = page.text(
        words.record_better(
            [(str(n), float(r)) for n, r in frame[["name", "recorded"]].head(3).itertuples(index=False)]
        )
    )
    return shown + page.add_table(
        "record_better",
        frame,
        title="What to record better, most useful first",
        columns={
            "name": "Column",
            "recorded": ("Recorded in", "share", ""),
            "gain": ("Gain", "", "2"),
        },
        note="Gain: over all questions, the question's weight times the share of rows for which this column alone is missing.",
    )


def by_site(page: Page) -> Shown:
    """Ventings, open jobs and share recorded by site in the period."""
    needed = [n for n in dict.fromkeys(n for q in read_questions() for n in q.needs) if n in page.jobs]
    rows = []
    for site, frame in page.jobs.groupby("site", sort=True):
        rows.append(
            {
                "site": site,
                "ventings": len(frame),
                "engines": frame["engine_id"].nunique(),
                "open": int(frame["open"].sum()),
                "all_lifters": float(frame["all_checked"].fillna(False).mean()),
                "recorded": float(frame[needed].notna().to_numpy().mean()),
                "findings_only": int((frame["recorded_because"] == "finding_only").sum()),
            }
        )
    return page.add_table(
        "records_by_site",
        pd.DataFrame(rows),
        title="Records by site in this period",
        columns={
            "site": "Site",
            "ventings": ("Ventings", "", "integer"),
            "engines": ("Engines", "", "integer"),
            "open": ("Not yet closed", "", "integer"),
            "all_lifters": ("All lifters checked", "share", ""),
            "recorded": ("Recorded of what is needed", "share", ""),
            "findings_only": ("Written down only for a finding", "", "integer"),
        },
    )


def digits(page: Page) -> Shown:
    """Rotations counted in fives and tens, by site."""
    jobs = page.history_jobs
    frame = test_heaping(jobs["rotations"], group=jobs["site"])
    frame = frame.assign(
        read_as=[
            "too few counts to tell" if state == "too_few" else _READ_AS[int(width)]
            for state, width in zip(frame["state"], frame["widen_to"], strict=True)
        ]
    )
    return page.add_table(
        "digit_preference",
        frame,
        title="Counts of rotations that stand on fives and tens, all quarters to date",
        columns={
            "group": "Site",
            "n": ("Counts", "", "integer"),
            "on_fives": ("Ending in 0 or 5", "", "integer"),
            "share": ("Share", "share", ""),
            "index": ("Times as many as by chance", "", "1"),
            "read_as": "Read as",
        },
        note="One count in five ends in 0 or 5 by chance. Where more do, counts are read as intervals, and never altered.",
    )
