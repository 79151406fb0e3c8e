"""Report 01: what came in, what is quarantined and why, how complete the records are, and what that costs."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook import tables
from ventbook.document import plotting
from ventbook.document.blocks import Column
from ventbook.document.sequence import Blocks
from ventbook.document.wording import count, join_words, number
from ventbook.records.store import open_store
from ventbook.reports.first_screen import Row, draw_rows
from ventbook.reports.page import Page, section
from ventbook.results import Estimate
from ventbook.statistics.waiting_times import test_heaping
from ventbook.tables.reader import read_rows

if TYPE_CHECKING:
    from matplotlib.axes import Axes
QUARTERS = 8
_READ_AS = {
    0: "counted one by one",
    5: "rounded to fives: read as the two counts either way",
    10: "rounded to tens: read as the counts up to half a ten either way",
}
COUNTED = "counted: rows held now over all rows handed in up to this snapshot, samples of traces left out"
QUARANTINE_COLUMNS = ["file", "sheet", "line", "table", "column", "code", "value", "what", "do"]
MOST = 6
GIVE_BACK = "Give the quarantined rows back to their senders: ventbook quarantine writes the workbook to be mended and handed in again."


def came_in_sentence(*, handed_in: int, held: int, deliveries: int) -> str:
    """How much came in and how much of it is held."""
    first = f"{count(handed_in, 'row')} came in with {count(deliveries, 'delivery', 'deliveries')}; "
    if held == 0:
        return first + "none of them is quarantined."
    share = number(held / handed_in, "share", decimals=1)
    return (
        first + f"{count(held, 'row')} ({share}) {'is' if held == 1 else 'are'} quarantined until corrected."
    )


def most_held(reasons: list[tuple[str, int]]) -> str:
    """The commonest reasons, in words."""
    if not reasons:
        return ""
    parts = [f"{what} ({rows})" for what, rows in reasons]
    return f"Most often: {join_words(parts)}."


def record_better_sentence(names: list[tuple[str, float]]) -> str:
    """What to record better first, with the share that is recorded now."""
    if not names:
        return "Everything the questions of these reports need was recorded in this period."
    parts = [f"{name} (recorded in {number(share, 'share')})" for name, share in names]
    return f"Recording these better would answer most: {join_words(parts)}."


def draw_recorded(
    ax: Axes, share: npt.NDArray[np.float64], rows: Sequence[str], columns: Sequence[str]
) -> Axes:
    """A map of shares recorded, 0 to 1, (rows, columns); each cell carries its per cent, NaN cells a dash."""
    ax.imshow(np.where(np.isnan(share), 1.0, share), cmap="Greys_r", vmin=-0.6, vmax=1.0, aspect="auto")
    for i, j in np.ndindex(share.shape):
        value = share[i, j]
        text = "-" if np.isnan(value) else f"{100 * value:.0f}"
        dark = not np.isnan(value) and value < 0.35
        ax.text(j, i, text, ha="center", va="center", fontsize=9, color="white" if dark else "black")
    ax.set_xticks(range(len(columns)), columns)
    ax.set_yticks(range(len(rows)), rows)
    ax.tick_params(length=0)
    ax.grid(False)
    for spine in ax.spines.values():
        spine.set_visible(False)
    ax.set_xlabel("quarter of the venting")
    return ax


@dataclass(frozen=True)
class Question:
    """One row of ``data/questions.toml``."""

    name: str
    of: str
    needs: tuple[str, ...]
    weight: int
    gain: str
    when: str = ""


def read_questions() -> tuple[Question, ...]:
    """The questions and the columns that each needs."""
    return read_rows(tables.DATA / "questions.toml", "question", Question)


@section
def recorded_map(page: Page) -> Blocks:
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
    figure, ax = plotting.new_figure(height=0.9 + 0.24 * len(needed), width=7.2)
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
        caption="Per cent of rows in which it is recorded, by quarter of the venting; dark: seldom. Only columns that a question of these reports needs.",
    )
    kept = page.add_table(
        "recorded",
        table,
        title="Share recorded, by column and quarter",
        columns=["column", *(Column(quarter, quarter, "share") for quarter in quarters)],
        rows=10,
    )
    return shown + kept


def _label(name: str) -> str:
    words_of = {"failed_first": "gaps of all lifters", "time_low_s": "time to pressure at first start"}
    for table in ("ventings", "engines", "lifter_checks", "starts"):
        for column in tables.record_tables()[table].columns:
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


@section
def missing_cost(page: Page) -> Blocks:
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
        columns=["question", "answered", "of", "counted", "share", "missing_most", "why"],
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


@section
def record_better(page: Page) -> Blocks:
    """The columns whose recording would answer most, best first."""
    frame = pd.DataFrame(rank_columns(page), columns=["column", "name", "gain", "recorded"])
    shown = page.text(
        record_better_sentence(
            [(str(n), float(r)) for n, r in frame[["name", "recorded"]].head(3).itertuples(index=False)]
        )
    )
    return shown + page.add_table(
        "record_better",
        frame,
        title="What to record better, most useful first",
        columns=["name", "recorded", "gain"],
        note="Gain: over all questions, the question's weight times the share of rows for which this column alone is missing.",
    )


@section
def by_site(page: Page) -> Blocks:
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
        columns=["site", "ventings", "engines", "open", "all_lifters", "recorded", "findings_only"],
    )


@section
def digits(page: Page) -> Blocks:
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
        columns=["group", "n", "on_fives", "share", "index", "read_as"],
        note="One count in five ends in 0 or 5 by chance. Where more do, counts are read as intervals, and never altered.",
    )


@section
def answer(page: Page) -> Blocks:
    """How much came in, how much is held, and what to record better."""
    handed_in, held, deliveries = count_rows(page)
    better = rank_columns(page)
    return page.answer(
        came_in_sentence(handed_in=handed_in, held=held, deliveries=deliveries),
        most_held(_reasons(page.records["quarantine"])[:2]),
        todo=[
            GIVE_BACK if held else "",
            record_better_sentence([(row["name"], row["recorded"]) for row in better[:3]]),
        ],
        picture=lead_picture(page, better[:MOST]),
    )


def lead_picture(page: Page, better: Sequence[Mapping[str, Any]]) -> Blocks:
    """How much of each column that answers most is recorded; nothing where all is."""
    if not better:
        return Blocks()
    rows = [
        Row(str(row["name"]), 100 * row["recorded"], told=f"{100 * row['recorded']:.0f} %") for row in better
    ]
    figure = draw_rows(
        "What to record better, most useful first", rows, xlabel="recorded in [%] of rows", share=True
    )
    return page.add_figure(
        "lead", figure,
        alt="Share recorded of what would answer most: " + join_words([f"{row.label} {row.told}" for row in rows]) + ".",
        caption=f"Share of the rows of {page.period.label} in which it is recorded.",
    )  # fmt: skip


@section
def held_share(page: Page) -> Blocks:
    """Finding quarantined_share: rows held now, of all rows handed in."""
    handed_in, held, deliveries = count_rows(page)
    estimate = share_of_rows(page, handed_in, held)
    sentence = came_in_sentence(handed_in=handed_in, held=held, deliveries=deliveries)
    return page.add_finding("quarantined_share", estimate, tier="describe", sentence=sentence)


def share_of_rows(page: Page, handed_in: int, held: int) -> Estimate:
    """Share of the rows handed in that are held now: counted, so without an interval."""
    state = "estimated" if handed_in else "not_recorded"
    share = held / handed_in if handed_in else None
    return Estimate(share, None, None, page.level, "share", handed_in, 0, COUNTED, state)


def count_rows(page: Page, intakes: set[int] | None = None) -> tuple[int, int, int]:
    """(rows handed in, rows held now, deliveries) of these ``intakes``, by default of all up to this snapshot.

    Every report that speaks of held rows counts them here and says which of the two it is. Samples of traces would drown
    the rest and are left out. A held row counts with the delivery that it came in with.
    """
    counts, all_intakes, held = page.records["intakes"], page.records["intakes"], page.records["quarantine"]
    if getattr(page.snapshot, "path", None) is not None:
        counts = _counts(page).rename(columns={"intake": "number"})
        counts = counts[counts["table"] != "samples"]
    held = held[(held["table"] != "samples").to_numpy(bool)]
    if intakes is not None:
        counts, all_intakes = (part[part["number"].isin(intakes)] for part in (counts, all_intakes))
        held = held[held["intake"].isin(intakes)]
    handed_in = int(counts[["accepted", "duplicate", "corrected", "quarantined"]].to_numpy().sum())
    return handed_in, len(held), int(all_intakes["kind"].eq("intake").sum())


def _counts(page: Page) -> pd.DataFrame:
    """One row an intake and table: accepted, duplicate, corrected, quarantined."""
    rows = open_store(page.snapshot.path).intake_rows(page.snapshot.number)
    found = [
        {"intake": int(number), "table": table, **counted}
        for number, text in zip(rows["number"], rows["counts"], strict=True)
        for table, counted in json.loads(text or "{}").items()
    ]
    columns = ["intake", "table", "accepted", "duplicate", "corrected", "quarantined"]
    return pd.DataFrame(found, columns=columns).fillna(dict.fromkeys(columns[2:], 0))


@section
def came_in(page: Page) -> Blocks:
    """One row an intake, and one row a table."""
    by_table = _counts(page).groupby("table", sort=False)[
        ["accepted", "duplicate", "corrected", "quarantined"]
    ]
    tables = by_table.sum().reset_index()
    shown = page.add_table(
        "rows_by_table",
        tables,
        title="What came in, by table",
        columns=["table", "accepted", "duplicate", "corrected", "quarantined"],
        note="A row held when handed in may have been mended since; the rows held now stand further down.",
    )
    frame = page.records["intakes"].copy()
    frame["file_count"] = [len(str(names).split(", ")) for names in frame["files"]]
    return shown + page.add_table(
        "intakes",
        frame,
        title="What came in, delivery by delivery",
        columns=[
            "number",
            "today",
            "kind",
            "file_count",
            "accepted",
            "duplicate",
            "corrected",
            "quarantined",
        ],
        note="A corrected row replaces an older one with the same key; the older one stays in the history.",
    )


@section
def quarantined(page: Page) -> Blocks:
    """Held rows by reason, and all of them as quarantine.csv."""
    rows = page.records["quarantine"]
    every = page.add_table(
        "quarantine",
        rows[QUARANTINE_COLUMNS],
        title="Rows held, one by one",
        columns=["file", "sheet", "line", "table", "column", "value", "what", "do"],
        rows=15,
    )
    if rows.empty:
        return page.text("No row is held.") + every
    grouped = (
        rows.groupby(["code", "table"], sort=False)
        .agg(rows=("code", "size"), what=("what", "first"), do=("do", "first"), files=("file", "nunique"))
        .reset_index()
        .sort_values(["rows", "code"], ascending=[False, True], kind="stable")
    )
    return (
        page.add_table(
            "held_by_reason",
            grouped,
            title="Why rows are held",
            columns=["what", "table", "rows", "files", "do"],
        )
        + every
    )


@section
def noted(page: Page) -> Blocks:
    """What was kept but looks odd, by reason and site."""
    issues = page.records["issues"]
    issues = issues[issues["severity"] == "note"]
    if issues.empty:
        return page.text("Nothing that was kept looks odd.")
    count = issues["rows"].fillna(1).astype(int)
    grouped = (
        issues.assign(count=count, site=issues["site"].fillna(""))
        .groupby(["code", "site"], sort=False)
        .agg(rows=("count", "sum"), what=("what", "first"), do=("do", "first"))
        .reset_index()
        .sort_values(["rows", "code", "site"], ascending=[False, True, True], kind="stable")
    )
    return page.add_table(
        "notes",
        grouped,
        title="Kept, but looked at twice",
        columns=["what", "site", "rows", "do"],
        note="These rows are counted in every number; nothing was changed in them.",
        rows=25,
    )


def _reasons(rows: pd.DataFrame) -> list[tuple[str, int]]:
    """Codes and how many rows each holds, commonest first, in words."""
    counts = rows["code"].value_counts()
    ranked = sorted(counts.index, key=lambda code: (-int(counts[code]), str(code)))
    return [(str(code).replace("_", " "), int(counts[code])) for code in ranked]


def limitations() -> list[str]:
    """What these records can't tell."""
    return [
        "A row that was never handed in is not missed here: this page counts what came, not what should have come.",
        "The rates of the other reports stand on the rows counted as accepted; quarantined rows wait.",
    ]
