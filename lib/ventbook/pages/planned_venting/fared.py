"""How earlier predictions fared, how the numbers came about, and what they can't say."""

from __future__ import annotations

from weakref import WeakKeyDictionary

import pandas as pd

from ventbook import plots
from ventbook.pages.base import Page
from ventbook.pages.planned_venting.score import LEVEL, reliability, roll_forward, summarise
from ventbook.pages.show import Shown
from ventbook.plots.planned import draw_reliability
from ventbook.wording import planned as words

_SCORED: WeakKeyDictionary[Page, pd.DataFrame] = WeakKeyDictionary()


def how_it_fared(page: Page) -> Shown:
    """Each past quarter predicted from the quarters before it: coverage, error, Brier score, beside the site's past alone."""
    if page not in _SCORED:
        _SCORED[page] = roll_forward(page.all_jobs[page.all_jobs["date"] < pd.Timestamp(page.today)])
    scored = _SCORED[page]
    if scored.empty:
        return page.text(
            "Too few quarters on record to try the predictions on the past (40 ventings in two quarters are needed first)."
        )
    table = summarise(scored)
    held, brier = (table[column].to_numpy(float) for column in ("held", "brier"))
    said = words.score_sentence(
        float(held[0]), int(table["n"].iloc[0]), LEVEL, float(brier[-2]), float(brier[-1])
    )
    shown = page.text(said) + page.add_table(
        "prediction_scores",
        table,
        title="Predicted before it happened",
        columns={
            "question": "Question",
            "by": "By",
            "n": ("Ventings", "", "integer"),
            "held": (f"In the {100 * LEVEL:.0f} % range", "share"),
            "error": ("Typical error (log)", "", "2"),
            "brier": ("Brier score", "", "3"),
        },
        note="A range of 90 % should hold 90 in 100. Brier score: mean squared distance of the chance said from what came, lower is better.",
    )
    bins = reliability(scored)
    known = bins[bins["n"] > 0]
    if len(known):
        figure, ax = plots.new_figure(height=3.4)
        draw_reliability(ax, known)
        shown += page.add_figure(
            "chance_reliability",
            figure,
            alt="Share of ventings with a spongy lifter against the chance said beforehand, in bins, with the line of agreement: "
            + ", ".join(
                f"said {100 * s:.0f} %, came {100 * c:.0f} % of {n}"
                for s, c, n in known[["said", "came", "n"]].itertuples(index=False)
            ),
            caption="Points on the line: the chances are what they say. Bars: what chance alone makes of so few ventings.",
        )
    by_quarter = (
        scored.groupby("quarter")
        .agg(n=("venting_id", "size"), rotations=("rotations_held", "mean"), times=("time_held", "mean"), chance=("chance", "mean"), failed=("failed", "mean"))
        .reset_index()
    )  # fmt: skip
    return shown + page.add_table(
        "prediction_by_quarter",
        by_quarter,
        title="Quarter by quarter",
        columns={
            "quarter": "Quarter",
            "n": ("Ventings", "", "integer"),
            "rotations": ("Rotations in range", "share"),
            "times": ("Seconds in range", "share"),
            "chance": ("Spongy, said", "share"),
            "failed": ("Spongy, came", "share"),
        },
    )


def methods(page: Page) -> Shown:
    """How this was worked out."""
    return page.explain(
        "Rotations and seconds",
        "Rotations: the physics of this very installation, times the middle ratio of recorded over expected on this engine type, with the scatter of past ventings "
        "about it (their ordered residuals, so no shape is assumed). A job that takes more from usual values, or lies beyond the record, gets a wider range. The "
        "stop-and-look number counts ventings given up as longer than all others.\n\n"
        "Seconds: regression of past first starts on site, engine type or fill, whichever set describes them best (Akaike), with their residuals as the range.",
    ) + page.explain(
        "The chance of a spongy lifter",
        "Logistic regression on how the engine stands (lines, cooler, filter, tank pressure, hours, oil temperature, type, reason, lot, site). Every effect is pulled "
        "towards none, as strongly as predicting engines left out of the fit asks for; where nothing is behind the findings that leaves the overall share. A chance is "
        "no cause: what goes together with findings may stand in for something else.",
    )


def not_said(page: Page) -> Shown:
    """What the data can't say."""
    return page.text(
        "The numbers hold for work done as before: a new procedure, pump or gauge makes the past a poor guide.",
        "A range of 90 % leaves one venting in ten outside with nothing wrong. Fewer rotations than expected are no proof that every lifter is filled.",
    )
