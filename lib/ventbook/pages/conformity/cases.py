"""Case by case: what is open, whether it goes with spongy lifters, every step, and what the data can't say."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook import conformity, contexts, evidence, wording
from ventbook.contexts import Factor
from ventbook.pages.base import Page
from ventbook.pages.conformity.facts import find_open, past_verdicts, period_verdicts, say_open
from ventbook.pages.show import Shown
from ventbook.results import Estimate
from ventbook.wording import conformity as words

OUTCOME = "lifter_failure"
STEP_COLUMNS = (
    "tank_overpressure_bar",
    "pressurised_before_turning_s",
    "plugs_removed",
    "turned_by",
    "tank_ran_low",
    "turned_backwards",
    "rotations_ratio",
)


def open_findings(page: Page) -> Shown:
    """Engines whose latest venting, as recorded, ended with a lifter over the limit or without return flow."""
    table = find_open(page)
    shown = page.text(say_open(page, table))
    if table.empty:
        return shown + _facts(page)
    pairs = [
        wording.reading_and_limit(value, limit, unit, units=page.units) if unit == "mm" else ("not seen", "")
        for value, limit, unit in zip(table["value"], table["limit_high"], table["unit"], strict=True)
    ]
    table = table.assign(
        reading=[reading for reading, _ in pairs],
        limit=[limit for _, limit in pairs],
        against=np.where(table["status"] == "placeholder", "placeholder", table["revision"]),
        job=table["open"].map({True: "open", False: "closed"}).fillna("closing not recorded"),
    )
    label = wording.unit_label("mm", page.units)
    return (
        shown
        + page.add_table(
            "open_findings",
            table,
            title=f"Open findings as of {page.today.isoformat()}",
            columns={
                "venting_id": ("Venting", "", "text"),
                "engine_id": ("Engine", "", "text"),
                "site": ("Site", "", "text"),
                "date": ("Date", "", "date"),
                "finding": "Finding",
                "reading": f"Reading [{label}]",
                "limit": f"Limit [{label}]",
                "against": "Against",
                "job": "Job",
                "days": "Days since",
            },
            note="Periods don't matter here: every engine that passes the filters, at its latest venting on record.",
        )
        + _facts(page)
    )


def _facts(page: Page) -> Shown:
    """What needs no limit to be told, of the period's ventings: listed for every shop."""
    table = conformity.list_facts(period_verdicts(page))
    if table.empty:
        return page.text(f"Of {page.period.label}, no fact is on record that needs no limit.")
    return page.add_table(
        "facts",
        table,
        title="Facts that need no limit",
        columns={
            "fact": "Fact",
            "venting_id": ("Venting", "", "text"),
            "engine_id": ("Engine", "", "text"),
            "site": ("Site", "", "text"),
            "date": ("Date", "", "date"),
            "note": "Note",
        },
        note=f"Of {page.period.label}. Listed whatever the limits are; none of these counts as within.",
    )


def with_spongy(page: Page) -> Shown:
    """Whether ventings with a step outside before the check go with spongy lifters, at like circumstances."""
    verdicts = past_verdicts(page)
    marks = conformity.mark_ventings(verdicts)
    jobs = page.history_jobs.merge(marks[["venting_id", "off_procedure"]], on="venting_id", how="left")
    both = jobs[jobs["off_procedure"].notna() & jobs["failed_first"].notna()]
    off = both["off_procedure"].astype(bool)
    failing = both["failed_first"].astype(bool)
    effect, matters, why = _screen(jobs, level=page.level)
    sentence = words.goes_with_spongy(
        off_failing=int((failing & off).sum()),
        off=int(off.sum()),
        by_book_failing=int((failing & ~off).sum()),
        by_book=int((~off).sum()),
        effect=effect,
        level=page.level,
        matters=matters,
        other=why,
    )
    centre, low, high = effect if effect else (None, None, None)
    estimate = Estimate(
        centre,
        low,
        high,
        page.level,
        "odds ratio",
        len(both),
        both["engine_id"].nunique(),
        "odds of a spongy lifter with any action outside before the check over without, given site and circumstances",
        "estimated" if effect else "too_few",
    )
    tier = evidence.tier(
        ventings=len(both), findings=int(failing.sum()), groups=[int(off.sum()), int((~off).sum())]
    )
    return page.add_finding("off_procedure_effect", estimate, tier=tier, sentence=sentence) + page.text(
        f"Looked at over all {len(jobs)} ventings up to {page.period.label}; "
        f"{len(jobs) - len(both)} of them are left out because a step or the check was not written down."
    )


def all_steps(page: Page) -> Shown:
    """Table conformity.csv: every step of every venting; readers see those outside first."""
    order = {name: number for number, name in enumerate(("outside", "fact", "near_limit", "not_comparable"))}
    steps = conformity.steps()
    table = period_verdicts(page)
    yes_no = table["step"].map({name: step.yes_no for name, step in steps.items()})
    table = table.assign(
        title=table["step"].map({name: step.title for name, step in steps.items()}),
        reading=[words.reading(*row) for row in zip(table["value"], table["unit"], yes_no, strict=True)],
        limit=[
            words.limit(*row)
            for row in zip(table["limit_low"], table["limit_high"], table["unit"], yes_no, strict=True)
        ],
        verdict_text=[words.verdict(*row) for row in zip(table["verdict"], table["status"], strict=True)],
        against=np.select(
            [table["status"] == "manual", table["status"] == "placeholder"],
            [table["revision"], "placeholder"],
            "no limit entered",
        ),
        rank=table["verdict"].map(order).fillna(9),
    )
    table = table.sort_values("rank", kind="stable").drop(columns="rank").reset_index(drop=True)
    shown = table["verdict"].isin(list(order)).sum()
    return page.add_table(
        "conformity",
        table,
        title="Every step, those outside first",
        columns={
            "venting_id": ("Venting", "", "text"),
            "title": "Step",
            "item": "At",
            "reading": "Recorded",
            "limit": "Limit",
            "verdict_text": "Verdict",
            "against": "Against",
            "source": "From",
            "note": "Note",
        },
        note="Readings and limits in metric units. conformity.csv holds all rows; yes and no stand there as 1 and 0.",
        rows=int(min(max(shown, 10), 60)),
    )


def not_said() -> list[str]:
    """What these records can't say."""
    return [
        "Whether a step was done: the records say what was written down. A reading from a trace is taken where a good "
        "one stands.",
        "Whether an engine may run: a record within a limit is no release, and against a placeholder it is not even "
        "a comparison with a manual.",
        "Why a step was outside: the job may have had a reason that no column holds.",
    ]


def _screen(jobs: pd.DataFrame, *, level: float) -> tuple[tuple[float, float, float] | None, float, str]:
    """(odds ratio with interval or None, the smallest that matters, why there is none)."""
    factor = Factor(
        name="off_procedure",
        title="a step outside its limit before the check",
        column="off_procedure",
        kind="yes_no",
        reference="no",
        outcomes=(OUTCOME,),
        adjust=(),
        mechanism="procedure",
        plausibility="moderate",
        direction="raises",
    )
    # What is itself one of the steps is not adjusted for: that would take away what is asked about.
    table = contexts.load_factors()
    taken = {f.name for f in table if f.column in STEP_COLUMNS}
    others = tuple(f for f in table if f.name not in taken and not taken & set(f.parts))
    effects = contexts.screen_factors(jobs, outcome=OUTCOME, factors=(factor, *others), level=level)
    row = effects[effects["factor"] == "off_procedure"].iloc[0]
    matters = factor.matters(OUTCOME)
    if pd.isna(row["adjusted"]):
        return None, matters, str(row["note"] or "")
    return (float(row["adjusted"]), float(row["adjusted_low"]), float(row["adjusted_high"])), matters, ""
