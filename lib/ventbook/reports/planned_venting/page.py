"""What to expect at a planned venting, all planned ventings, how earlier predictions fared, and what the numbers can't say."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.blocks import Column
from ventbook.document.plotting import COLORS, LIMIT_COLOR, MARKERS
from ventbook.document.sequence import Blocks
from ventbook.reports.account import account_tables
from ventbook.reports.alarms import ALARM, warning_sentences
from ventbook.reports.first_screen import new_lead
from ventbook.reports.page import Page, once_a_page, section
from ventbook.reports.planned_venting import words
from ventbook.reports.planned_venting.ahead import (
    NOTHING,
    UPCOMING_LEVEL,
    Forecast,
    foresee,
    limit_of,
    past_account,
    past_chances,
    past_constants,
    past_shift,
    planned_rows,
    stop_at,
)
from ventbook.reports.planned_venting.stand import alarms_of, say_rotations, title
from ventbook.reports.scope import cut_before
from ventbook.statistics import causes
from ventbook.statistics.forecast import (
    LEVEL,
    off_support,
    predict_rotations,
    reliability,
    roll_forward,
    summarise,
    tell_deviation,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@section
def answer(page: Page) -> Blocks:
    """Which venting, how many rotations, and the odds of a spongy lifter."""
    ahead = foresee(page)
    if ahead is None:
        return page.answer(NOTHING)
    loud = [alarm for alarm in alarms_of(page, ahead) if alarm.what == ALARM]
    expected, steps = say_rotations(page, ahead)
    return page.answer(
        title(ahead),
        *expected,
        words.chance_sentence(ahead.chance, ahead.base, ahead.causes),
        *warning_sentences(loud),
        todo=steps,
        picture=lead_picture(page, ahead),
    )


def lead_picture(page: Page, ahead: Forecast) -> Blocks:
    """Rotations to expect on a line, with where to stop and the manual's count; nothing where no number is given."""
    r = ahead.rotations
    if str(ahead.row["expected_state"]) != "primes" or not np.isfinite(r["median"]):
        return Blocks()
    figure, ax = new_lead("Rotations until pressure shows", height=2.0)
    figure.subplots_adjust(left=0.06, right=0.94, top=0.70)
    draw_rotations(ax, r, stop=ahead.stop, manual=ahead.limit)
    stop = f"Stop at {ahead.stop:.0f}." if ahead.stop is not None else ""
    return page.add_figure(
        "lead", figure,
        alt=f"Rotations of the crankshaft to expect: {r['median']:.0f}, {100 * UPCOMING_LEVEL:.0f} in 100 from {r['low']:.0f} to {r['high']:.0f}. {stop}".strip(),
        caption=f"Bar: what {100 * UPCOMING_LEVEL:.0f} in 100 such ventings take; point: half of them.",
    )  # fmt: skip


def draw_rotations(
    ax: Axes, rotations: dict[str, float], *, stop: float | None, manual: float | None
) -> Axes:
    """Median and range of rotations as a point on a bar, with the count to stop at and the manual's as upright lines."""
    low, middle, high = (rotations[name] for name in ("low", "median", "high"))
    ax.barh(0, high - low, left=low, height=0.5, color="#b9c9d6")
    ax.plot([middle], [0], MARKERS[0], color=COLORS[0], markersize=9)
    marks = [(stop, "stop", "-"), (manual, "manual", "--")]
    if stop is not None and manual is not None and abs(stop - manual) < 0.5:
        marks = [(stop, "stop, the manual's", "-")]
    shown = [(value, name, line) for value, name, line in marks if value is not None]
    right = 1.12 * max([high, *(value for value, _, _ in shown)])
    for value, name, line in shown:
        ax.axvline(value, color=LIMIT_COLOR, linestyle=line, linewidth=1.6)
        ax.annotate(
            f"{name} {value:.0f}", (value, 1.02), xycoords=("data", "axes fraction"), ha="center" if value < 0.85 * right else "right", va="bottom",
            fontsize=9, color=LIMIT_COLOR,
        )  # fmt: skip
    ax.annotate(f"{middle:.0f}", (middle, -0.62), ha="center", va="center", fontsize=10, color=COLORS[0])
    ax.set(xlim=(0, right), ylim=(-1, 0.8), yticks=[])
    ax.set_xlabel("rotations of the crankshaft")
    ax.grid(visible=False)
    ax.spines["left"].set_visible(False)
    return ax


def draw_reliability(ax: Axes, bins: pd.DataFrame) -> Axes:
    """Share that came against chance said, with the line of agreement and bars of two standard errors of their difference.

    bins : columns said, came, error (0..1) and n, none empty.
    """
    said, came, error, n = (bins[name].to_numpy(float) for name in ("said", "came", "error", "n"))
    bar = 200 * error
    end = max(10.0, 108 * float(max(said.max(), came.max())))
    ax.plot([0, end], [0, end], color="#555555", linestyle="--", linewidth=1, label="as said")
    ax.errorbar(
        100 * said, 100 * came, yerr=bar, fmt=MARKERS[0], color=COLORS[0], capsize=3, label="ventings in bins"
    )
    for x, y, count in zip(100 * said, 100 * came, n, strict=True):
        ax.annotate(
            f"{count:.0f}", (x, y), xytext=(6, -10), textcoords="offset points", fontsize=9, color="#444444"
        )
    ax.set(
        xlim=(0, end),
        ylim=(0, None),
        xlabel="chance of a spongy lifter said beforehand [%]",
        ylabel="came true [%]",
    )
    ax.legend(frameon=False, loc="upper left")
    return plotting.end_at_whole(plotting.end_at_whole(ax), axis="x")


@once_a_page
def score_past(page: Page) -> pd.DataFrame:
    """The past quarters of all ventings in the snapshot, each predicted from those before it."""
    jobs, lifters, _ = account_tables(page, pd.Timestamp(page.today))
    return page.keep_made(roll_forward, jobs, lifters, chances=past_chances(page))


@section
def how_it_fared(page: Page) -> Blocks:
    """Each past quarter predicted from the quarters before it: coverage, error, Brier score, beside the site's past alone."""
    scored = score_past(page)
    if scored.empty:
        return page.text(
            "Too few quarters on record to try the predictions on the past (40 ventings in two quarters are needed first)."
        )
    table = summarise(scored)
    held, brier = (table[column].to_numpy(float) for column in ("held", "brier"))
    said = words.score_sentence(
        float(held[0]), int(table["n"].iloc[0]), LEVEL, float(brier[-2]), float(brier[-1])
    )
    shown = page.text(said, *words.said_and_came(tell_deviation(scored))) + page.add_table(
        "prediction_scores",
        table,
        title="Predicted before it happened",
        columns=[
            "question",
            "by",
            "n",
            Column("held", f"In the {100 * LEVEL:.0f} % range", "share"),
            "error",
            "brier",
        ],
        note="A range of 90 % should hold 90 in 100. Brier score: mean squared distance of the chance said from what came, lower is better.",
    )
    bins = reliability(scored)
    known = bins[bins["n"] > 0]
    if len(known):
        told = list(zip(*(known[name].tolist() for name in ("said", "came", "error")), strict=True))
        in_words = [words.said_of_100(said, came) for said, came, _ in told]
        figure, ax = plotting.new_figure(height=3.4)
        draw_reliability(ax, known)
        shown += page.add_figure(
            "chance_reliability",
            figure,
            alt="Share of ventings with a spongy lifter against the chance said beforehand, in bins, with the line of agreement: "
            + ", ".join(in_words)
            + ". The table below has the numbers.",
            caption="Points on the line: the chances are what they say. Bars: two standard errors of the difference, so wide by luck and by what the chances leave open.",
        )
        shown += page.add_table(
            "chances_said_and_came",
            known.assign(said_and_came=in_words, apart=[words.apart(*three) for three in told]),
            title="Chances said, and what came",
            columns=["bin", "n", "said_and_came", "apart"],
        )
    by_quarter = (
        scored.groupby("quarter")
        .agg(n=("venting_id", "size"), rotations=("rotations_held", "mean"), times=("time_held", "mean"), account_chance=("account_chance", "mean"), chance=("chance", "mean"), failed=("failed", "mean"))
        .reset_index()
    )  # fmt: skip
    return shown + page.add_table(
        "prediction_by_quarter",
        by_quarter,
        title="Quarter by quarter",
        columns=["quarter", "n", "rotations", "times", "account_chance", "chance", "failed"],
    )


@section
def methods(page: Page) -> Blocks:
    """How this was worked out."""
    return page.explain(
        "Rotations and seconds",
        "Rotations: the physics of this very installation, times the middle ratio of recorded over expected on this engine type, with the scatter of past ventings "
        "about it (their ordered residuals, so no shape is assumed). A job that takes more from usual values, or lies beyond the record, gets a wider range. The "
        "stop-and-look number counts ventings given up as longer than all others.\n\n"
        "Seconds: regression of past first starts on site, engine type or fill, whichever set describes them best (Akaike), with their residuals as the range.",
    ) + page.explain(
        "The chance of a spongy lifter",
        "From the account of all failures before: the site's own rate a lifter, and what each named cause adds where it stands at this job, its site's course over "
        "time included; a blank counts at what is usual for the site. What has no name is in the site's rate.\n\n"
        "Corrected by the past: each past quarter was told from the account of the quarters before it alone. The log odds of a quarter's chances turn out to be off by a "
        "middle amount and a scatter between quarters; both are learned from the quarters that are over, beside what is taken of them beforehand (no shift, give or take .4; "
        f"scatter about .2), and the next chance is the mean over what they leave open. {words.shift_sentence(past_shift(page))} Its range comes from drawing "
        "engines and causes anew, widened by that scatter.",
    )


@section
def limitations(page: Page) -> Blocks:
    """What the data can't say."""
    return page.text(
        "The numbers hold for work done as before: a new procedure, pump or gauge makes the past a poor guide.",
        "A range of 90 % leaves one venting in ten outside with nothing wrong. Fewer rotations than expected are no proof that every lifter is filled.",
    )


@section
def next_ventings(page: Page) -> Blocks:
    """All planned ventings, one line each."""
    rows = planned_rows(page)
    if rows.empty:
        return page.text(NOTHING)
    past = cut_before(page.all_jobs, page.today)
    account = past_account(page)
    table = (
        rows.join(predict_rotations(past, rows, constants=past_constants(page), level=UPCOMING_LEVEL))
        if len(past)
        else rows.assign(median=np.nan, low=np.nan, high=np.nan, stop=np.nan)
    )
    limits = [limit_of(page, row) for _, row in rows.iterrows()]
    pairs = zip(table["stop"].tolist(), limits, strict=True)
    table = table.assign(
        stop=pd.Series([stop_at(had, most) for had, most in pairs], index=table.index, dtype="float64"),
        expected_state=table["expected_state"].mask(
            table["median"].round().gt(pd.Series(limits, index=table.index, dtype="float64")),
            "over_the_manual",
        ),
        chance=past_shift(page).correct(causes.predict_failing(account, rows))[0] if account else np.nan,
        beyond=[wording.join_words(s) for s in off_support(past, rows)],
    )
    columns = [
        "venting_id",
        "date",
        "site",
        "engine_id",
        "engine_type",
        "median",
        "low",
        "high",
        "stop",
        "chance",
        "expected_state",
        "beyond",
    ]
    return page.add_table(
        "planned", table[columns].assign(state=table["expected_state"]), title="All planned ventings",
        columns=["venting_id", "date", "site", "engine_type", "median", "low", "high", "stop", "chance", "state", "beyond"],
    )  # fmt: skip
