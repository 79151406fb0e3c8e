"""What the pages about times and about rotations share: sentences, figures, groups side by side, adjusted ratios."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.blocks import Column
from ventbook.document.plotting import COLORS, HATCHES, series_style, thin_curve
from ventbook.document.sequence import Blocks
from ventbook.model.verdicts import only_findings
from ventbook.reports import wording_budget as budget_words
from ventbook.reports.groups import GROUPINGS, split_groups
from ventbook.reports.page import Page, frame_of
from ventbook.reports.suggestions import Said, suggest
from ventbook.results import Estimate, no_estimate
from ventbook.statistics import causes, time_causes, waiting_times
from ventbook.statistics.causes import Factor
from ventbook.statistics.time_causes import TimeEffects, read_waits
from ventbook.statistics.waiting_times import AftFit
from ventbook.tables import evidence
from ventbook.tables.units import System

if TYPE_CHECKING:
    from matplotlib.axes import Axes
RATIO_TICKS = (0.2, 0.25, 0.33, 0.5, 0.67, 0.8, 1.0, 1.25, 1.5, 2.0, 3.0, 4.0, 5.0)
SIMULATIONS = 19
#: What an effect is told by.
KEYS = ("factor", "level", "reference")
#: How a circumstance comes to be named: part of both pages' explanations.
NAMING_EXPLAINED = (
    "Named are circumstances taken in one at a time beside the sites. Each is asked for by its score, the slope of the log-likelihood along its "
    "coefficient in the fit without it, less what sites, circumstances named before and its own blanks take of it, summed by engine. Were none at work, "
    "all scores of an engine could as well have the other sign: the largest of all scores in 10,000 fleets with such flips says how clear the clearest "
    "would be by chance (Hemerik, Goeman and Finos 2020). Flips ask for symmetric errors, so log-normal or log-logistic, whichever fits better. A "
    "rival that keeps company with the clearest and explains the waits better takes its place, and what no longer stands is dropped. A site is held "
    "against all others. A declared combination is looked at once both its parts are named. What is constant within each site is never named, and what "
    "is written down more often, or less, on long waits is asked about at most."
)


def within(estimate: Estimate, *, part: str, what: str, units: System = "metric", decimals: int = 1) -> str:
    """``Half of the first starts had oil pressure within 2.1 s (plausible range 1.9 to 2.4 s).``"""
    if estimate.state == "not_reached":
        reached = wording.interval(estimate, units=units, decimals=decimals)
        return f"{part} {what}: {reached}."
    if estimate.estimate is None:
        return f"{part} {what}: {wording.state_words(estimate)}."
    return f"{part} {what} within {wording.interval(estimate, units=units, decimals=decimals)}."


def over_limit(estimate: Estimate, *, limit: str, placeholder: bool, noun: str = "first starts") -> str:
    """Share over the limit, with what the limit is; readings that straddle it are named."""
    which = f"the placeholder limit{limit}" if placeholder else f"the limit in force{limit}"
    if estimate.estimate is None:
        return f"Share of {noun} over {which}: {wording.state_words(estimate)}."
    said = f"{wording.share(estimate)} of {noun} took longer than {which}."
    return f"{said} {estimate.note[:1].upper()}{estimate.note[1:]}." if estimate.note else said


def cut_short(count: int, total: int) -> str:
    """Logged starts whose trace or engine ended before pressure had stood for its second."""
    return (
        f"In {wording.of_total(count, total, 'first start')} the trace or the engine ended within the second after pressure showed: they are "
        "read up to there and count neither as shut down nor as over the limit for it (flag cut_short)."
    )


def ratio(title: str, estimate: float, low: float, high: float) -> str:
    """``oil cooler empty before venting (1.31 times as long, plausible range 1.18 to 1.46)``."""
    spread = wording.value_range(low, high, "ratio", decimals=2)
    return f"{title} ({wording.number(estimate, 'ratio', decimals=2)} times, plausible range {spread})"


def clear_effects(
    longer: Sequence[str], shorter: Sequence[str], *, more: str, less: str, ventings: int
) -> str:
    """Which circumstances go with longer and shorter waits, all else recorded being equal.

    ``more`` and ``less`` name the waits: ``longer times``, ``shorter times``.
    """
    if not longer and not shorter:
        return (
            f"In {wording.count(ventings, 'venting')} no recorded circumstance goes clearly with {more} or {less}; "
            "that is not the same as none having an effect: see the ranges."
        )
    parts = []
    if longer:
        parts.append(f"{more} went with {wording.join_words(longer)}")
    if shorter:
        parts.append(
            f"{less} with {wording.join_words(shorter)}"
            if longer
            else f"{less} went with {wording.join_words(shorter)}"
        )
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}, sites and the others named being equal ({wording.count(ventings, 'venting')})."


def effect_word(
    low: float | None,
    high: float | None,
    matters: float,
    *,
    up: str,
    down: str,
    standing: str = evidence.NAMED,
) -> str:
    """What an interval of a ratio says against the smallest ratio that matters; ``up`` and ``down`` name the sides.

    ``standing`` is what the ratios looked at together allow: a side is named, asked (``longer?``), or not known.
    """
    if low is None or high is None or low != low or high != high:
        return "too few"
    if low >= 1 / matters and high <= matters:
        return "too small to matter"
    side = up if low > 1 else down if high < 1 else ""
    if side and standing:
        return side if standing == evidence.NAMED else f"{side}?"
    return "not known"


def heaping(sites: Sequence[tuple[str, float, int]], widened: bool) -> str:
    """Which sites' counts stop at round numbers: (site, share on fives, widened to)."""
    if not sites:
        return "No site's counts stop at fives or tens more often than chance makes plausible."
    parts = [
        f"{site} ({wording.number(share, 'share')} on a multiple of 5, where 20 % are expected)"
        for site, share, _ in sites
    ]
    said = f"Counts stop at round numbers at {wording.join_words(parts)}."
    return (
        f"{said} There a round count is taken as any count nearer to it than to the next round one."
        if widened
        else said
    )


def instruments(estimate: Estimate, *, pairs: int) -> str:
    """Stopwatch less logger on the same starts."""
    if estimate.estimate is None:
        return f"Stopwatch and logger stand together on {wording.count(pairs, 'start')}: too few to compare."
    side = "longer" if estimate.estimate > 0 else "shorter"
    low, high = estimate.low or 0.0, estimate.high or 0.0
    size = wording.number(abs(estimate.estimate), "s", decimals=2)
    spread = f"{low:.2f} to {high:.2f} s"
    if low <= 0 <= high:
        return (
            f"On {wording.count(pairs, 'start')} with both, stopwatch and logger agree on average "
            f"(stopwatch {size} {side}, plausible range {spread})."
        )
    return f"On {wording.count(pairs, 'start')} with both, the stopwatch reads {size} {side} on average (plausible range {spread})."


def draw_share_ended(ax: Axes, points: pd.DataFrame, *, label: str) -> Axes:
    """Share ended by each time, from a curve's points (time, survival, low, high), with its limits as a band."""
    style = series_style(0)
    ax.fill_between(
        points["time"],
        100 * (1 - points["high"]),
        100 * (1 - points["low"]),
        color=style["color"],
        alpha=0.18,
        linewidth=0,
    )
    time, share = thin_curve(points["time"], 100 * (1 - points["survival"]))
    ax.plot(time, share, color=style["color"], linestyle=style["linestyle"], linewidth=1.8, label=label)
    ax.set_ylim(0, 100)
    ax.set_yticks(range(0, 101, 20))
    ax.set_ylabel("share [%]")
    return ax


def draw_model(ax: Axes, time: npt.ArrayLike, share: npt.ArrayLike, *, label: str) -> Axes:
    """A model's share ended by each time, as a thin dashed line."""
    ax.plot(time, 100 * np.asarray(share), color="#333333", linestyle=(0, (4, 2)), linewidth=1.1, label=label)
    return ax


def draw_groups(ax: Axes, groups: pd.DataFrame, *, xlabel: str) -> Axes:
    """Point and interval of each group, one a line from the top (columns label, estimate, low, high, n)."""
    rows = groups.reset_index(drop=True)
    top = float(np.nanmax([*rows["estimate"], *rows["high"], 1.0]))
    for place, (_, row) in enumerate(rows.iterrows()):
        y = len(rows) - 1 - place
        if np.isnan(row["estimate"]):
            ax.text(0.02 * top, y, "too few", va="center", fontsize=9, color="#555555")
            continue
        low = row["low"] if not np.isnan(row["low"]) else row["estimate"]
        open_end = np.isnan(row["high"])
        ax.plot([low, 1.15 * top if open_end else row["high"]], [y, y], color=COLORS[0], linewidth=1.6)
        ax.plot([row["estimate"]], [y], marker="o", color=COLORS[0], markersize=6)
    ax.set_yticks(
        range(len(rows)), [f"{r['label']}  ({r['n']})" for _, r in rows.iloc[::-1].iterrows()], fontsize=9
    )
    ax.set_ylim(-0.6, len(rows) - 0.4)
    ax.set_xlim(0, 1.15 * top)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel(xlabel)
    return ax


def draw_ratios(ax: Axes, ratios: pd.DataFrame, *, matters: float, xlabel: str) -> Axes:
    """Ratio and interval of each effect on a log scale, with the band of differences too small to matter.

    Columns label, estimate, low, high; rows from the top; a row without a number says so.
    """
    rows = ratios.reset_index(drop=True)
    ends = np.array([*rows["low"].dropna(), *rows["high"].dropna(), 1 / 1.3, 1.3], dtype=float)
    left, right = max(float(ends.min()) / 1.1, 0.15), min(float(ends.max()) * 1.1, 6.5)
    ax.set_xscale("log")
    ax.axvspan(1 / matters, matters, color="#e4e4e4", zorder=0, linewidth=0)
    ax.axvline(1.0, color="#555555", linewidth=1.0)
    for place, (_, row) in enumerate(rows.iterrows()):
        y = len(rows) - 1 - place
        if np.isnan(row["estimate"]):
            ax.text(1.0, y, "too few", ha="center", va="center", fontsize=9, color="#555555")
            continue
        clear = row["low"] > 1 or row["high"] < 1
        ax.plot([max(row["low"], left), min(row["high"], right)], [y, y], color=COLORS[0], linewidth=1.6)
        ax.plot(
            [min(max(row["estimate"], left), right)],
            [y],
            marker="o" if clear else "D",
            markerfacecolor=COLORS[0] if clear else "white",
            markeredgecolor=COLORS[0],
            markersize=6,
        )
    ax.set_xlim(left, right)
    ticks = [tick for tick in RATIO_TICKS if left <= tick <= right]
    ax.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    ax.minorticks_off()
    ax.set_yticks(range(len(rows)), list(rows["label"].iloc[::-1]))
    ax.set_ylim(-0.6, len(rows) - 0.4)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel(xlabel)
    return ax


def draw_last_digits(ax: Axes, shares: pd.DataFrame) -> Axes:
    """Share of counts that end in 0 .. 9, one bar group a column (site), with the line of one in ten."""
    width = 0.8 / max(len(shares.columns), 1)
    for place, name in enumerate(shares.columns):
        ax.bar(
            np.arange(10) - 0.4 + width * (place + 0.5),
            100 * shares[name],
            width=width,
            color=COLORS[place % len(COLORS)],
            hatch=HATCHES[place % len(HATCHES)],
            edgecolor="white",
            linewidth=0.4,
            label=str(name),
        )
    ax.axhline(10, color="#333333", linestyle="--", linewidth=1.0)
    ax.set_xticks(range(10))
    ax.set_xlabel("last digit of the count")
    ax.set_ylabel("share of counts [%]")
    ax.grid(axis="x", visible=False)
    return ax


def draw_pairs(
    ax: Axes, first: Sequence[float], second: Sequence[float], *, xlabel: str, ylabel: str
) -> Axes:
    """Readings of the same starts by two instruments, with the line of equal readings."""
    style = series_style(0)
    top = 1.05 * max([*first, *second, 1.0])
    ax.plot([0, top], [0, top], color="#555555", linewidth=1.0)
    ax.plot(
        first, second, linestyle="", marker=style["marker"], color=style["color"], markersize=4.5, alpha=0.6
    )
    ax.set_xlim(0, top)
    ax.set_ylim(0, top)
    ax.set_xlabel(xlabel)
    ax.set_ylabel(ylabel)
    return ax


@dataclass(frozen=True)
class TimeToEvent:
    """One kind of wait: its outcome name, unit, and the words it is spoken of in."""

    outcome: str
    unit: str
    decimals: int
    noun: str
    what: str
    more: str
    less: str
    up: str
    down: str
    axis: str
    median_id: str
    p90_id: str
    prefix: str
    family: str


@dataclass(frozen=True)
class Effects:
    """Adjusted ratios (``table``) and what is named or asked (``named``), both with titles and readings; ``found`` has the fits.

    ``notes``: what was left out, in words; ``doubts``: what can't be told apart, a sentence each.
    """

    found: TimeEffects
    table: pd.DataFrame
    named: pd.DataFrame
    notes: tuple[str, ...]
    doubts: tuple[str, ...]

    @property
    def fit(self) -> AftFit:
        """The regression on all circumstances together."""
        return self.found.fit


def add_groupings(jobs: pd.DataFrame) -> pd.DataFrame:
    """``jobs`` with tank_pressurised (over 0.05 bar) beside the columns that it has."""
    pressure = jobs["tank_overpressure_bar"]
    pressurised = (pressure > 0.05).astype("boolean").mask(pressure.isna())
    return jobs.assign(tank_pressurised=pressurised)


def find_tier(jobs: pd.DataFrame, groups: Sequence[int] | None = None) -> str:
    """Evidence tier of ventings whose wait is recorded (``wait_high`` finite: it ended)."""
    known = jobs[jobs["wait_low"].notna()]
    return evidence.tier(
        ventings=len(known),
        findings=int(np.isfinite(known["wait_high"]).sum()),
        groups=groups,
        denominators_known=not only_findings(jobs),
    )


def add_times(jobs: pd.DataFrame) -> pd.DataFrame:
    """``jobs`` with the first start's time as wait_low, wait_high, wait_from and wait_step."""
    return jobs.assign(**{f"wait_{end}": jobs[f"time_{end}_s"] for end in ("low", "high", "from", "step")})


def find_quantile(jobs: pd.DataFrame, q: float, *, level: float, unit: str) -> Estimate:
    """A point of the curve of the wait, with engines as clusters."""
    low, high, step = read_waits(jobs)
    return waiting_times.estimate_quantile(
        low, high, q, step=step, level=level, unit=unit, cluster=jobs["engine_id"].to_numpy(object)
    )


def share_over_own_limit(jobs: pd.DataFrame, *, level: float) -> Estimate:
    """Share of waits over the limit in force for each (column ``wait_limit``), each taken as a share of its limit."""
    limit = jobs["wait_limit"].to_numpy(float)
    ok = np.isfinite(limit) & (limit > 0)
    if not ok.any():
        note = "no limit in force" if len(jobs) else ""
        return no_estimate(
            "not_recorded", level=level, unit="share", n=0, method="share over a limit", note=note
        )
    low, high, step = read_waits(jobs)
    return waiting_times.share_over(
        low[ok] / limit[ok], high[ok] / limit[ok], 1.0, step=None if step is None else step[ok] / limit[ok],
        level=level, cluster=jobs["engine_id"].to_numpy(object)[ok], unit="share",
    )  # fmt: skip


def tabulate_groups(jobs: pd.DataFrame, wait: TimeToEvent, *, level: float, with_limit: bool) -> pd.DataFrame:
    """Median, 90 % point and, ``with_limit``, share over the limit of every group of GROUPINGS; small ones too_few."""
    rows = []
    for group in split_groups(jobs, GROUPINGS, blanks=True):
        row: dict[str, object] = {"grouping": group.title, "column": group.column, "group": group.name}
        median = find_quantile(group.rows, 0.5, level=level, unit=wait.unit)
        p90 = find_quantile(group.rows, 0.9, level=level, unit=wait.unit)
        row |= {"n": median.n, "engines": median.clusters, "state": median.state}
        for key, found in (("median", median), ("p90", p90)):
            row |= {key: found.estimate, f"{key}_low": found.low, f"{key}_high": found.high}
        if with_limit:
            over = share_over_own_limit(group.rows, level=level)
            row |= {"over": over.estimate, "over_low": over.low, "over_high": over.high}
        row["given_up"] = int(np.isinf(group.rows["wait_high"]).sum())
        rows.append(row)
    numbers = [
        f"{key}{end}" for key in ("median", "p90", *["over"] * with_limit) for end in ("", "_low", "_high")
    ]
    return frame_of(
        rows, ["grouping", "column", "group", "n", "engines", "state", "given_up"], numbers=numbers
    )


def show_groups(page: Page, jobs: pd.DataFrame, wait: TimeToEvent, *, with_limit: bool) -> Blocks:
    """The groups' table and the figure of their medians."""
    table = tabulate_groups(jobs, wait, level=page.level, with_limit=with_limit)
    figure, ax = plotting.new_figure(height=0.9 + 0.26 * len(table))
    labelled = table.assign(label=table["grouping"] + ": " + table["group"].str.replace("_", " "))
    draw_groups(
        ax,
        labelled.rename(columns={"median": "estimate", "median_low": "low", "median_high": "high"}),
        xlabel=f"half within, {wait.axis}",
    )
    figure.subplots_adjust(left=0.36, right=0.97, top=0.98, bottom=0.55 / (0.9 + 0.26 * len(table)))
    few = int((table["state"] == "too_few").sum())
    shown = page.add_figure(
        f"{wait.prefix}_by_group", figure,
        alt=f"Median {wait.axis} with plausible range for {len(table)} groups by site, engine type, reason, tank and cooler.",
        caption=f"Half of each group within this many {wait.axis}, with {wording.level_words(page.level)} ranges; ventings in brackets. Groups differ in "
        "more than the one thing they are named for; the adjusted ratios below take that into account.",
    )  # fmt: skip
    heads = {"median": "Half within", "median_low": "From", "median_high": "To", "p90": "Nine of ten within"}
    waited = [Column(name, head, wait.unit, str(wait.decimals)) for name, head in heads.items()]
    columns: list[str | Column] = ["label", "n", *waited, *["over", "over_high"] * with_limit, "given_up"]
    note = "Empty: not reached, or fewer than five readings."
    if few:
        note += f" {wording.count(few, 'group')} with too few readings for a number."
    return shown + page.add_table(
        f"{wait.prefix}_by_group", labelled.drop(columns="column"), title=f"{wait.noun} by group", columns=columns, note=note,
    )  # fmt: skip


def fit_effects(jobs: pd.DataFrame, wait: TimeToEvent, *, level: float, units: System = "metric") -> Effects:
    """The adjusted ratios of a wait on the ventings given (columns wait_low, wait_high), with titles and readings."""
    found = time_causes.fit_effects(jobs, outcome=wait.outcome, family=wait.family, level=level)
    factors = found.factors
    named = found.naming.rows.copy()
    for frame in (named, found.table):
        frame["label"] = [name_effect(row, factors, units=units) for row in frame.to_dict("records")]
    named["rivals"] = [
        [name_effect(dict(zip(KEYS, key, strict=True)), factors, units=units) for key in rivals]
        for rivals in named["rivals"]
    ]
    named["reading"] = [read_effect(row, wait) for row in named.to_dict("records")]
    table = found.table.merge(
        named[["factor", "level", "standing", "reading"]].rename(columns={"reading": "said"}),
        on=["factor", "level"], how="left",
    )  # fmt: skip
    table["standing"] = table["standing"].fillna(evidence.NOTHING)
    table["reading"] = [
        row["said"] if row["standing"] else read_effect(row, wait) for row in table.to_dict("records")
    ]
    return Effects(
        found, table.drop(columns="said"), named, tuple(say_left_out(found)), tuple(say_doubts(found, wait))
    )


def read_effect(row: dict, wait: TimeToEvent) -> str:
    """What a ratio reads as, from its interval and its standing."""
    if row.get("state", "estimated") != "estimated":
        return "too few"
    return effect_word(
        row["low"], row["high"], row["matters"], up=wait.up, down=wait.down, standing=row["standing"]
    )


def say_doubts(found: TimeEffects, wait: TimeToEvent) -> list[str]:
    """What can't be told from the site, and what is only asked since its blanks go with the waits: a sentence each."""
    naming = found.naming
    stand = set(naming.rows["factor"])
    stand |= {part for name in stand if name in found.factors for part in found.factors[name].parts}
    bound, blank = (
        [found.factors[name].title if name in found.factors else name.replace("_", " ") for name in names]
        for names in (naming.site_bound, [name for name in naming.blank_bound if name in stand])
    )
    said = []
    if bound:
        same = "are" if len(bound) > 1 else "is"
        said.append(
            f"{sentence_start(wording.join_words(bound))} {same} the same on nearly all ventings of a site: what goes with "
            f"{'them' if len(bound) > 1 else 'it'} can't be told from the site."
        )
    if blank:
        said.append(
            f"Whether {wording.join_words(blank)} {'were' if len(blank) > 1 else 'was'} written down goes with {wait.more} or {wait.less}: "
            f"{'they are' if len(blank) > 1 else 'it is'} asked about at most, never named."
        )
    return said


def sentence_start(text: str) -> str:
    return text[:1].upper() + text[1:]


def say_left_out(found: TimeEffects) -> list[str]:
    """What the regression could not take in or drops, a sentence each."""
    if found.too_few:
        return [
            f"{wording.count(found.ventings, 'venting')}, {found.ended} of them to the end, are too few for a regression"
        ]
    said = [
        f"{title} is recorded on {share:.0%} of ventings and was not taken in" for title, share in found.thin
    ]
    if found.late:
        said.append(f"too few ventings to take in {wording.join_words(found.late)}")
    return [*said, *found.fit.notes]


def name_effect(row: dict, factors: Mapping[str, Factor], *, units: System = "metric") -> str:
    """An effect in words: what against what, or per how much."""
    name, level = str(row["factor"]), str(row["level"]).replace("_", " ")
    factor = factors.get(name)
    if factor is None:
        reference = str(row["reference"]).replace("_", " ")
        return f"{name.replace('_', ' ')} {level} against {reference}"
    if not level:
        return f"{factor.title}, per {name_step(factor, units)}"
    if level == "yes" or (factor.kind == "yes_no" and level != "not recorded"):
        return factor.title
    return f"{factor.title}: {level}"


def name_step(factor: Factor, units: System) -> str:
    """A factor's step with its unit; a step of temperature is a difference."""
    if factor.unit == "degC":
        return f"{factor.step:g} °C" if units == "metric" else f"{1.8 * factor.step:g} °F"
    if factor.unit in ("m", "mm", "L", "bar"):
        return wording.number(factor.step, factor.unit, units=units)
    return f"{factor.step:g} {factor.unit}"


def show_effects(page: Page, effects: Effects, wait: TimeToEvent) -> Blocks:
    """Adjusted ratios as a figure and a table, what was left out, and whether the distribution fits."""
    found, fit, table = effects.found, effects.fit, effects.table
    if fit.state != "estimated" or table.empty:
        return page.text(f"No adjusted ratios: {'; '.join(effects.notes) or 'too few ventings'}.")
    drawn = table[table["level"] != "not recorded"]
    size = 1.0 + 0.27 * len(drawn)
    figure, ax = plotting.new_figure(height=size)
    draw_ratios(ax, drawn, matters=1.1, xlabel=f"{wait.axis}, ratio (log scale)")
    figure.subplots_adjust(left=0.5, right=0.97, top=0.98, bottom=0.6 / size)
    shown = page.add_figure(
        f"{wait.prefix}_ratios", figure,
        alt=f"{len(drawn)} ratios of {wait.axis} with plausible ranges against a line at 1; {sum(drawn['low'] > 1)} lie wholly above, "
        f"{sum(drawn['high'] < 1)} wholly below.",
        caption="Ratio of waits, other recorded circumstances being equal. Filled: the range leaves out 1. Grey: differences too small to "
        f"matter. {fit.n} ventings of {fit.clusters} engines, all periods up to the end of this one.",
    )  # fmt: skip
    shown += page.add_table(
        f"{wait.prefix}_ratios", table.drop(columns="df"), title=f"{wait.noun}: adjusted ratios",
        columns=["label", "n", "estimate", "low", "high", "reading", "note"],
        note=f"Each adjusted for all others; ranges are each for itself. Reads as: {wait.up} or {wait.down} where it is named, with a question mark where it is "
        "asked about; too small to matter where the range lies within a tenth of 1; not known otherwise, which is not the same as no effect. Named "
        "are those that stand out beyond what chance makes among all looked at together, taken in one at a time; the answer's ratios are beside "
        "the sites and the others named, and those of an engine type, a reason or a site are against all others.",
    )  # fmt: skip
    shown += page.text(ask_effects(effects, wait), *effects.doubts)
    rng = np.random.default_rng(page.seed)
    checked = waiting_times.check_residuals(
        fit, found.low, found.high, found.design, step=found.step, rng=rng, simulations=SIMULATIONS
    )
    left_out = f"Left out: {'; '.join(effects.notes).replace('_', ' ')}." if effects.notes else ""
    held_to = budget_words.allowance_sentence(wait.family, what="the ratios named here")
    return shown + page.text(checked.sentence, left_out, held_to)


def ask_effects(effects: Effects, wait: TimeToEvent) -> str:
    """The circumstances that are only hints, as a question; never part of the answer."""
    named = effects.named
    asked = named[named["reading"].isin([f"{wait.up}?", f"{wait.down}?"])].sort_values(
        "chance", kind="stable"
    )
    return budget_words.question_sentence(asked["label"].tolist())


def say_effects(effects: Effects, wait: TimeToEvent) -> str:
    """The circumstances that may be named, in a sentence (at most three a side, the largest first), with their rivals."""
    if effects.fit.state != "estimated" or effects.table.empty:
        return ""
    known = effects.named[effects.named["standing"] == evidence.NAMED]
    known = known.assign(size=np.abs(np.log(known["estimate"].to_numpy(float))))
    known = known.sort_values("size", ascending=False)
    said: dict[str, list[str]] = {}
    rivals = []
    for side in (wait.up, wait.down):
        rows = known[known["reading"] == side].head(3).to_dict("records")
        said[side] = [ratio(r["label"], r["estimate"], r["low"], r["high"]) for r in rows]
        rivals += [rival_sentence(r["label"], r["rivals"]) for r in rows if r["rivals"]]
    sentence = clear_effects(
        said[wait.up], said[wait.down], more=wait.more, less=wait.less, ventings=effects.fit.n
    )
    return " ".join([sentence, *rivals])


def first_checks(page: Page, effects: Effects, wait: TimeToEvent) -> list[Said]:
    """What to check of the circumstances that are named for more, the largest first, each once."""
    if effects.fit.state != "estimated" or effects.named.empty:
        return []
    known = effects.named[
        (effects.named["standing"] == evidence.NAMED) & (effects.named["reading"] == wait.up)
    ]
    known = known.sort_values(["estimate", "label"], ascending=[False, True], kind="stable")
    factors = {factor.name: factor for factor in causes.load_factors()}
    said: dict[str, Said] = {}
    for row in known.to_dict("records"):
        factor = factors.get(str(row["factor"]))
        site = wording.clean_text(str(row["level"])) if row["factor"] == "site" else ""
        if factor is None or (site and page.filters.get("site")):
            continue
        check = suggest(page, factor.check, site=site) if factor.check else None
        if check and factor.check not in said:
            said[factor.check] = check.led_by(f"{str(row['label'])[:1].upper()}{str(row['label'])[1:]}:")
    return list(said.values())


def rival_sentence(label: str, rivals: Sequence[str]) -> str:
    """``These records can't tell A from B: either explains the waits about as well.``"""
    return f"These records can't tell {label} from {wording.join_words(rivals)}: either explains the waits about as well."


def add_group_findings(page: Page, jobs: pd.DataFrame, wait: TimeToEvent, *, over_id: str, over) -> Blocks:
    """The stable findings by site and by engine type; ``over`` gives the share of a set of ventings."""
    shown = Blocks("", "")
    for group in split_groups(jobs, ("site", "engine_type")):
        mine, about = group.rows, {group.column: group.name}
        tier = find_tier(mine, [len(mine), len(jobs) - len(mine)])
        who = f"{group.title} {wording.clean_text(group.name)}"
        for id, q, part in ((wait.median_id, 0.5, "half"), (wait.p90_id, 0.9, "nine of ten")):
            found = find_quantile(mine, q, level=page.level, unit=wait.unit)
            sentence = within(found, part=f"{who}: {part}", what=wait.what, decimals=wait.decimals)
            page.add_finding(id, found, group=about, tier=tier, sentence=sentence)
        share = over(mine)
        page.add_finding(over_id, share, group=about, tier=tier, sentence=f"{who}: {wording.share(share)}.")
    return shown
