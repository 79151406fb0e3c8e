"""Earlier actions, each judged on the findings it aims at beside those it can't touch, and when the next look is due."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from ventbook.document import wording
from ventbook.document.sequence import Blocks
from ventbook.model.verdicts import quarter_of
from ventbook.places import place_beside
from ventbook.reports.page import Page, section
from ventbook.reports.quarterly_review import words
from ventbook.reports.quarterly_review.data import add_gauges
from ventbook.reports.quarterly_review.signals import propose_actions
from ventbook.reports.scope import cut_before, find_path
from ventbook.shipped import DATA
from ventbook.statistics import trends
from ventbook.statistics.trends import before_after
from ventbook.tables.actions import (
    AIR,
    ELSEWHERE,
    FILE,
    GAUGE,
    LEAK_DOWN,
    PLACES,
    Action,
    read_actions,
    yes_no_columns,
)
from ventbook.tables.reader import quote_text

#: A finding is of a kind where its readings speak for it by so much, whatever is common.
SPEAKS = 0.8
QUARTER_DAYS = 365.25 / 4
#: How many quarters before the bad one are the usual ones.
USUAL_QUARTERS = 4
#: What is read of the two analysis tables, besides circumstances.
JOBS_READ = ("venting_id", "date", "site", "engine_type", "reason", "lifter_lot", "failed_first")
LIFTERS_READ = (
    "venting_id",
    "date",
    "gauge",
    "over_first",
    "lifter_history",
    "air_likelihood",
    "leak_down_likelihood",
)
DRAFT_HEAD = """# Draft of actions from the review of {label}, to be filled in by the people who take them; what is not done is struck out.
# Then: ventbook actions THIS-FILE takes it into actions.toml beside the store. What each key means stands in data/actions.toml.
"""


@dataclass(frozen=True)
class Span:
    """Ventings from ``start`` to the day before ``end`` that could show what is looked for, and what they showed."""

    start: dt.date
    end: dt.date
    found: trends.Findings
    ventings: int


@dataclass(frozen=True)
class Judged:
    """An action with its spans; ``looks`` are those due, ``verdict`` None where ``why_not`` says why it isn't judged."""

    action: Action
    usual: Span | None = None
    bad: Span | None = None
    waiting: Span | None = None
    since: Span | None = None
    looks: tuple[Span, ...] = ()
    verdict: trends.ActionVerdict | None = None
    why_not: str = ""
    remarks: tuple[str, ...] = ()


@section
def earlier_actions(page: Page) -> Blocks:
    """Earlier actions, what became of what they aim at, and when the next look is due."""
    actions = own_actions(page)
    if not actions:
        return page.text(
            "No earlier actions are written down (actions.toml, kept by the team beside the store; `ventbook actions` drafts it)."
        )
    jobs = count_findings(page)
    rows = [make_row(judge_action(jobs, action, end=page.period.end)) for action in actions]
    columns = [
        "id",
        "where",
        "what",
        "since",
        "aims_at",
        "before",
        "after",
        "others",
        "judgement",
        "next_look",
    ]
    return page.add_table(
        "earlier_actions",
        pd.DataFrame(rows, columns=columns),
        title="Earlier actions",
        columns=columns,
        note="Counted are failing ventings of the kind an action aims at, beside others that it can't touch: what acts on both, a season or a "
        "stricter check, drops out. Before: the year before the bad quarter that led to the action. Two looks, after two and after four quarters. "
        "A rise that ends by itself can't be told from an action that worked: begin at half of the sites, drawn by lot.",
    )


def own_actions(page: Page) -> tuple[Action, ...]:
    """The team's own list: ``actions.toml`` beside the store, else the one of ``data/``."""
    beside = place_beside(find_path(page.parameters["store"]), FILE)
    return read_actions(beside if beside.is_file() else DATA / FILE)


def count_findings(page: Page) -> pd.DataFrame:
    """All ventings with a known result up to the period's end, whatever the page's filters, with what their findings are.

    Added columns: ``gauge``; ``air``, ``leak_down`` (readings of a lifter over the limit speak for it); ``fitted_new``
    (a lifter fitted new was checked; missing where no record says which were), and both kinds on such lifters alone
    (``air_new``, ``leak_down_new``, ``failed_new``: either or neither).
    """
    read = [name for name in (*JOBS_READ, *yes_no_columns()) if name in page.all_jobs]
    jobs = cut_before(page.all_jobs[read], page.period.end)
    lifters = cut_before(page.all_lifters[list(LIFTERS_READ)], page.period.end)
    jobs = add_gauges(jobs[jobs["failed_first"].notna().to_numpy(bool)], lifters)
    over = lifters["over_first"].fillna(False).to_numpy(bool)
    new = lifters["lifter_history"].eq("new").fillna(False).to_numpy(bool)
    told = lifters["air_likelihood"] + lifters["leak_down_likelihood"]
    marks: dict[str, np.ndarray] = {"fitted_new": new, "failed_new": over & new}
    for kind in (AIR, LEAK_DOWN):
        speaks = (lifters[f"{kind}_likelihood"] >= SPEAKS * told).fillna(False).to_numpy(bool)
        marks |= {kind: over & speaks, f"{kind}_new": over & speaks & new}
    table = pd.DataFrame(marks).groupby(lifters["venting_id"].to_numpy()).any()
    table = table.reindex(jobs["venting_id"].to_numpy(), fill_value=False)
    return jobs.assign(**{name: table[name].to_numpy(bool) for name in marks})


def judge_action(jobs: pd.DataFrame, action: Action, *, end: dt.date) -> Judged:
    """One action on the ventings of :func:`count_findings`, which reach to the day before ``end``."""
    if not action.kind:
        return Judged(action, why_not='say what it aims at (kind = "air", "leak_down" or "gauge")')
    if jobs.empty:
        return Judged(action, why_not="no venting with a result")
    if action.lifter_lot and not jobs["fitted_new"].any():
        return Judged(action, why_not="no record says which lifters were fitted new")
    marked = mark_ventings(jobs, action)
    first = marked["date"].min().date()
    if action.start >= end:
        return Judged(action, why_not=f"it begins on {action.since}, after the end of the period")
    if action.bad_quarter:
        bad_start, assumed = action.quarter_start, ""
    else:
        bad_start = worst_quarter(marked, action.start)
        assumed = (
            f"The quarter that led to it is not written down (bad_quarter): the worst of the year before, {quarter_of(bad_start)}, "
            "and all up to the action are left out."
        )
    bad_end = min(_add_months(bad_start, 3), action.start)
    usual_start = max(_add_months(bad_start, -3 * USUAL_QUARTERS), first)
    usual = cut_span(marked, usual_start, max(bad_start, usual_start))
    bad, waiting = cut_span(marked, bad_start, bad_end), cut_span(marked, bad_end, action.start)
    due = [_add_months(action.start, 3 * quarters) for quarters, _ in before_after.LOOKS]
    looks = tuple(cut_span(marked, action.start, day) for day in due if day <= end)
    since = cut_span(marked, action.start, end)
    remarks = [assumed, *still_fitted(jobs, action), *_untold(marked, usual_start)]
    judged = Judged(action, usual, bad, waiting, since, looks, remarks=tuple(r for r in remarks if r))
    if not usual.ventings:
        return replace(
            judged,
            why_not=f"none of the ventings looked at lies before {bad_start.isoformat()}, so nothing says what was usual",
        )
    if looks and not since.ventings:
        return replace(judged, why_not=f"no such venting since {action.since}")
    verdict = trends.judge_before_after(usual.found, bad.found, waiting.found, [look.found for look in looks])
    return replace(judged, verdict=verdict)


def mark_ventings(jobs: pd.DataFrame, action: Action) -> pd.DataFrame:
    """The ventings that could show the kind (``here``) or the control, and which did (``kind``, ``control``)."""
    here, known = np.ones(len(jobs), dtype=bool), np.ones(len(jobs), dtype=bool)
    for key in PLACES:
        if value := getattr(action, key):
            column = jobs[value] if key == "circumstance" else jobs[key].eq(value)
            here &= column.fillna(False).to_numpy(bool)
            known &= jobs[value if key == "circumstance" else key].notna().to_numpy(bool)
    suffix = ""
    if action.lifter_lot:
        here, suffix = here & jobs["fitted_new"].to_numpy(bool), "_new"
    failed = jobs["failed_new" if suffix else "failed_first"].astype(bool).to_numpy()
    kind = failed if action.kind == GAUGE else jobs[action.kind + suffix].to_numpy(bool)
    if action.beside == ELSEWHERE:
        elsewhere = known & ~here
        if action.kind == GAUGE:
            # the same sites, read with other gauges
            elsewhere &= jobs["site"].isin(jobs.loc[here, "site"].unique()).to_numpy(bool)
        control = elsewhere & kind
    else:
        elsewhere = np.zeros(len(jobs), dtype=bool)
        control = here & ~kind & jobs[action.beside + suffix].to_numpy(bool)
    either = (
        failed if action.kind == GAUGE else (jobs[AIR + suffix] | jobs[LEAK_DOWN + suffix]).to_numpy(bool)
    )
    untold = here & failed & ~either
    marked = jobs.assign(here=here, kind=here & kind, control=control, elsewhere=elsewhere, untold=untold)
    return marked[here | elsewhere]


def cut_span(marked: pd.DataFrame, start: dt.date, end: dt.date) -> Span:
    """What the ventings from ``start`` to the day before ``end`` showed."""
    own = marked[(marked["date"] >= pd.Timestamp(start)) & (marked["date"] < pd.Timestamp(end))]
    here, elsewhere = int(own["here"].sum()), int(own["elsewhere"].sum())
    exposure = here / elsewhere if here and elsewhere else 1.0
    quarters = (
        (end - start).days / QUARTER_DAYS if here and (elsewhere or not marked["elsewhere"].any()) else 0.0
    )
    kind, control = (int(own[name].sum()) if quarters else 0 for name in ("kind", "control"))
    return Span(start, end, trends.Findings(kind, control, quarters, exposure), here)


def worst_quarter(marked: pd.DataFrame, start: dt.date) -> dt.date:
    """First day of the calendar quarter, of the four before the day ``start``, with the greatest share of the kind; the later of two alike."""
    last = dt.date(start.year, 3 * ((start.month - 1) // 3) + 1, 1)
    firsts = [_add_months(last, -3 * back) for back in range(1, USUAL_QUARTERS + 1)]
    spans = [cut_span(marked, first, _add_months(first, 3)) for first in firsts]
    return max(spans, key=lambda span: (span.found.kind / max(span.ventings, 1), span.start)).start


def still_fitted(jobs: pd.DataFrame, action: Action) -> list[str]:
    """Where a lot taken out of stock was still fitted after the action, and how many ventings came back with it in."""
    if not action.lifter_lot:
        return []
    lot = wording.clean_text(action.lifter_lot)
    after = jobs[
        (jobs["date"] >= pd.Timestamp(action.start)) & jobs["lifter_lot"].eq(action.lifter_lot).fillna(False)
    ]
    new = after["fitted_new"].to_numpy(bool)
    said = []
    if new.any():
        where = [
            f"{wording.clean_text(v)} ({wording.clean_text(s)}, {d.date().isoformat()})"
            for v, s, d in after.loc[new, ["venting_id", "site", "date"]].itertuples(index=False)
        ]
        more = f" and {wording.count(len(where) - 6, 'other')}" if len(where) > 6 else ""
        said.append(
            f"{lot} was still fitted after the action: {wording.join_words(where[:6])}{more}. They count as after it."
        )
    if (~new).any():
        failed = int(after.loc[~new, "failed_first"].sum())
        came = wording.count(int((~new).sum()), "venting")
        said.append(
            f"{came} since with {lot} fitted before, {failed or 'none'} of them failing, {'are' if (~new).sum() > 1 else 'is'} not counted here."
        )
    return said


def _untold(marked: pd.DataFrame, start: dt.date) -> list[str]:
    lost = int(marked.loc[marked["date"] >= pd.Timestamp(start), "untold"].sum())
    if not lost:
        return []
    left_out = f"{wording.count(lost, 'failing venting')} {'is' if lost == 1 else 'are'} left out"
    return [f"{left_out}: the readings don't say which kind it was."]


def _add_months(day: dt.date, months: int) -> dt.date:
    return (pd.Timestamp(day) + pd.DateOffset(months=months)).date()


def make_row(judged: Judged) -> tuple[str, ...]:
    """An action's row of the table."""
    action = judged.action
    places = [
        wording.clean_text(getattr(action, key))
        for key in PLACES
        if getattr(action, key) and key != "circumstance"
    ]
    if action.circumstance:
        places.append(action.circumstance.replace("_", " "))
    before = after = others = ""
    if judged.usual is not None and judged.since is not None:
        before, after = (_count(span) for span in (judged.usual, judged.since))
        others = f"{judged.usual.found.control}, then {judged.since.found.control}"
    return (
        wording.clean_text(action.id), ", ".join(places) or "all sites", wording.clean_text(action.what), action.since,
        words.aim_words(action.kind, action.beside, lot=wording.clean_text(action.lifter_lot)), before, after, others,
        " ".join([words.action_judgement(judged.verdict, why_not=judged.why_not, spans=_told(judged)), *judged.remarks]),
        next_look(judged),
    )  # fmt: skip


def _count(span: Span) -> str:
    return wording.of_total(span.found.kind, span.ventings) if span.ventings else "none"


def _told(judged: Judged) -> tuple[str, ...]:
    """The counts that the verdict rests on, in words: usual, bad, and at the look that speaks."""
    if judged.verdict is None or judged.usual is None or judged.bad is None or not judged.verdict.look:
        return ()
    quarters: Sequence[int] = [q for q, _ in before_after.LOOKS]
    return tuple(
        _count(s) for s in (judged.usual, judged.bad, judged.looks[quarters.index(judged.verdict.look)])
    )


def next_look(judged: Judged) -> str:
    """The day of the next look, or that no other is taken."""
    if judged.verdict is None:
        return ""
    taken = len(judged.looks)
    if judged.verdict.called == before_after.WORKED or taken == len(before_after.LOOKS):
        return "no other"
    return _add_months(judged.action.start, 3 * before_after.LOOKS[taken][0]).isoformat()


def draft_actions(page: Page) -> str:
    """The review's proposed actions as a draft of ``actions.toml``, for a person to fill in: since when, and what each aims at."""
    label = quarter_of(page.period.end - dt.timedelta(days=1))
    numbers = [
        0,
        *(
            int(a.id.rsplit("-", 1)[-1])
            for a in own_actions(page)
            if re.fullmatch(rf"A-{label[:4]}-\d{{1,6}}", a.id)
        ),
    ]
    jobs = count_findings(page)
    now = jobs[jobs["date"] >= pd.Timestamp(page.period.start)]
    parts = [DRAFT_HEAD.format(label=page.period.label)]
    for number, proposed in enumerate((a for a in propose_actions(page) if a.aims), max(numbers) + 1):
        site = proposed.where if proposed.where in set(jobs["site"]) else ""
        own = now[now["site"] == site] if site else now
        failing, air, leak = (int(own[name].sum()) for name in ("failed_first", AIR, LEAK_DOWN))
        rows = {
            "id": f"A-{label[:4]}-{number:02d}",
            "since": "",
            "kind": "",
            "control": "",
            "bad_quarter": label,
            "site": site,
        }
        if proposed.gauge is not None:
            rows |= {"kind": GAUGE, "control": ELSEWHERE, "gauge": proposed.gauge[0]}
        rows["what"] = proposed.what
        notes = {
            "since": "the first day in force",
            "kind": ""
            if rows["kind"]
            else f"air or leak_down; of {wording.count(failing, 'failing venting')} there air speaks in {air}, leak-down in {leak}",
            "control": "" if rows["control"] else "findings it can't touch: air, leak_down or elsewhere",
        }
        lines = [
            f"{k} = {quote_text(v)}" + (f"  # {notes[k]}" if notes.get(k) else "")
            for k, v in rows.items()
            if v or k in notes
        ]
        parts.append("\n".join([f"# {' '.join(proposed.why.split())}", "[[action]]", *lines]) + "\n")
    if len(parts) == 1:
        parts.append("# Nothing in this review asks for an action that findings could judge.\n")
    return "\n".join(parts)
