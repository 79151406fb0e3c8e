"""Recorded against expected rotations: the page as a whole, by group, and whether the physics pays.

It also has the ventings far beyond what their lines explain, where to stop and look, and whether pressure could show by hand.
Counted are ventings of the period and their history, heaped counts widened.
"""

from __future__ import annotations

from collections.abc import Hashable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ventbook.document import plotting, wording
from ventbook.document.plotting import COLORS, MARKERS
from ventbook.document.sequence import Blocks
from ventbook.physics import priming
from ventbook.physics.priming.ratio import select_ratio_columns
from ventbook.reports import first_screen
from ventbook.reports.groups import split_groups
from ventbook.reports.page import Page, once_a_page, section
from ventbook.reports.rotations_to_prime import words
from ventbook.reports.suggestions import suggest_whole
from ventbook.results import Estimate
from ventbook.statistics import waiting_times
from ventbook.tables import evidence, units
from ventbook.tables.priming import load_priming_rules, load_priming_terms, load_record_values

if TYPE_CHECKING:
    from matplotlib.axes import Axes
GREY = "#555555"
BAND = 0.90
_TERMS = ("expected_suction", "expected_tank_saving", "expected_pressure_side")
#: Inputs of the expectation that the ratio is drawn against, with the words of their axis and their unit.
INPUTS = {
    "suction_share": ("share of suction air in the expectation", "1"),
    "tank_overpressure_bar": ("tank pressure over ambient", "bar"),
    "tank_head_m": ("oil level over the pump", "m"),
    "oil_temperature_degC": ("oil temperature", "degC"),
    "turning_speed_rpm": ("turning speed", "rpm"),
    "expected_rotations": ("expected rotations", "1"),
}
PICTURE = """Held against each other are two pumps. A sealed one (by a check valve, or by the oil that wets it) draws all of the suction side's air while it is turned; tank pressure only squeezes it. One that lets air through passes it both ways: under tank pressure the air leaves through the standing pump before the first rotation is counted, and while it lifts it draws less, down to nothing at a lift that goes with its speed. The same clearances let oil slip back, the more the thinner it is and the slower the pump turns.

The plain test asks for the slope of the logarithm of recorded rotations over those of a sealed pump on its share of suction air, times 1 where the tank was pressurised and 0 where it wasn't, beside that share itself and a level of each engine type; counts as the intervals they stand for, engines left out in turn. Its ratio is for a job that is all suction air.

The constants are fitted to all counts on record at once. Each is the usual value, plus what this fleet and this engine type differ by, each held near nought by how far pumps are known to differ: so few counts change little, and a constant of which they say nothing keeps its usual value and range. Whether one engine's pump is sealed is told by its own ventings; a venting's expectation leaves out its own count. A job scatters by its two sides' shares of the rotations, the suction side more under pressure, the filling more with thin oil.

A pump that lets air through can be a healthy one: clearances decide it, and many seal only when oil wets them. So fewer rotations under tank pressure than a sealed pump takes don't by themselves speak of a leak on the suction side."""
STOP_SHARE = 0.95
FEWEST = 10
"""Ventings that a curve takes."""


@once_a_page
def counted(page: Page) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ventings of the period, and all up to its end, with heaped counts widened to what they say (by site)."""
    history = widen_counts(page.history_jobs)
    return page.within(history, page.period), history


@once_a_page
def measure_history(page: Page) -> priming.RatioScale:
    """Ratios of all ventings up to the period's end."""
    return priming.measure_scale(counted(page)[1])


@once_a_page
def check_stops(page: Page) -> priming.StopRule:
    """The multiple of the expectation to stop turning at, from the same ventings."""
    return priming.check_stop_rule(counted(page)[1], share=STOP_SHARE, scale=measure_history(page))


@once_a_page
def ratio_of_all(page: Page) -> Estimate:
    """Recorded over expected rotations of the period's ventings."""
    now, _ = counted(page)
    return priming.estimate_ratio(page.look_at(now), level=page.level)


def widen_counts(jobs: pd.DataFrame) -> pd.DataFrame:
    """``jobs`` with rotations_low and rotations_high as wide as each site's heaping makes them."""
    shown = jobs["pressure_shown"].fillna(False).astype(bool)
    heaping = waiting_times.test_heaping(jobs["rotations"], group=jobs["site"]).set_index("group")["widen_to"]
    wide = jobs["site"].astype("str").map(heaping).fillna(0).to_numpy()
    low, high = waiting_times.widen_heaped(
        jobs["rotations"].to_numpy(float, na_value=np.nan),
        ~shown,
        wide,
        per_count=jobs["rotations_per_count"].to_numpy(float),
    )
    unknown = jobs["rotations_low"].isna().to_numpy()
    return jobs.assign(
        rotations_low=np.where(unknown, np.nan, low),
        rotations_high=np.where(unknown, np.nan, high),
        widened_to=wide,
    )


def tier_of(now: pd.DataFrame, groups: list[int] | None = None) -> str:
    """The evidence tier of a statement on these ventings' rotations."""
    n = len(priming.usable_counts(select_ratio_columns(now)))
    return evidence.tier(ventings=n, findings=n, groups=groups)


def draw_against_expected(ax: Axes, frame: pd.DataFrame, *, low: float, high: float, level: float) -> Axes:
    """Each venting's count over its expectation, logarithmic, with the line of equality and the band of one job.

    frame : columns expected, recorded, engine_type, given_up (bool). Given-up counts are arrows that point up.
    low, high : the band, in multiples of the expectation, that ``level`` of ventings keep to.
    """
    values = np.concatenate([frame["expected"], frame["recorded"]]).astype(float)
    ends = (
        np.array([max(values.min() * 0.8, 1.0), values.max() * 1.25])
        if len(values)
        else np.array([10.0, 100.0])
    )
    ax.fill_between(
        ends, low * ends, high * ends, color="#dfe6ea", zorder=0, label=f"{100 * level:.0f} of 100 jobs"
    )
    ax.plot(ends, ends, color=GREY, linestyle="--", linewidth=1, label="as expected")
    for place, (name, part) in enumerate(frame.groupby("engine_type", sort=True)):
        shown = part[~part["given_up"]]
        ax.plot(
            shown["expected"], shown["recorded"], MARKERS[place % len(MARKERS)], color=COLORS[place % len(COLORS)],
            markersize=4.5, alpha=0.8, label=str(name),
        )  # fmt: skip
    stopped = frame[frame["given_up"]]
    if len(stopped):
        ax.plot(stopped["expected"], stopped["recorded"], marker=r"$\uparrow$", linestyle="", color="black", markersize=9,
                label="given up")  # fmt: skip
    ax.set(xscale="log", yscale="log", xlim=ends, ylim=ends)
    for axis in (ax.xaxis, ax.yaxis):
        ticks = [t for t in (5, 10, 20, 50, 100, 200, 500, 1000) if ends[0] <= t <= ends[1]]
        axis.set_ticks(ticks, [str(t) for t in ticks])
        axis.set_minor_formatter("")
    ax.set_xlabel("rotations expected from lines, volumes and oil")
    ax.set_ylabel("rotations recorded")
    ax.legend(frameon=False, loc="upper left")
    return ax


def draw_group_ratios(ax: Axes, frame: pd.DataFrame, *, title: str) -> Axes:
    """Ratios with intervals, one line a group, against the line at 1.

    frame : columns group, n, estimate, low, high; rows without an estimate are listed with "too few".
    """
    y = np.arange(len(frame))[::-1]
    ax.axvline(1, color=GREY, linestyle="--", linewidth=1)
    known = frame["estimate"].notna().to_numpy()
    centre, low, high = (frame.loc[known, name].to_numpy(float) for name in ("estimate", "low", "high"))
    ax.hlines(y[known], low, high, color=COLORS[0], linewidth=2)
    ax.plot(centre, y[known], MARKERS[0], color=COLORS[0])
    for at in y[~known]:
        ax.annotate(
            "too few", (1, at), xytext=(4, 0), textcoords="offset points", va="center", fontsize=9, color=GREY
        )
    ax.set_yticks(y, [f"{g}  (n = {n})" for g, n in zip(frame["group"], frame["n"], strict=True)], fontsize=9)
    ax.set_ylim(-0.6, len(frame) - 0.4)
    ax.grid(True, axis="x")
    ax.grid(False, axis="y")
    ax.set_title(title)
    ax.set_xlabel("rotations recorded over expected")
    return ax


@section
def against_expected(page: Page) -> Blocks:
    """Finding rotations_ratio of the page, each venting against its expectation, and every term in a table."""
    now, _ = counted(page)
    ratio = ratio_of_all(page)
    shown = page.add_finding(
        "rotations_ratio",
        ratio,
        tier=tier_of(now),
        sentence=words.ratio_sentence(ratio, f"of {page.period.label}"),
    )
    used = priming.usable_counts(select_ratio_columns(now).assign(rotations_crank=now["rotations_crank"]))
    scale = measure_history(page)
    given_up = ~np.isfinite(used["_high"].to_numpy())
    if len(used):
        drawn = pd.DataFrame(
            {
                "expected": used["expected_rotations"].to_numpy(float),
                "recorded": used["rotations_crank"].to_numpy(float),
                "engine_type": used["engine_type"].to_numpy(),
                "given_up": given_up,
            }
        )
        figure, ax = plotting.new_figure(height=4.6)
        low, high = (
            float(np.exp(np.median(scale.reach(used, scale.place(q)) - used["_expected"])))
            for q in (0.5 - BAND / 2, 0.5 + BAND / 2)
        )
        draw_against_expected(ax, drawn, low=low, high=high, level=BAND)
        shown += page.add_figure(
            "rotations_against_expected",
            figure,
            alt=f"Rotations recorded against rotations expected for {len(used)} ventings, both logarithmic, {int(given_up.sum())} of them given up; "
            f"the band from {low:.2f} to {high:.2f} times the expectation holds {100 * BAND:.0f} of 100 jobs.",
            caption="Above the band: more turning than lines, cooler, filter and oil explain. Arrows: turning was given up there.",
        )
    left_out = len(now) - len(used)
    note = (
        f"{wording.count(left_out, 'venting')} without a count or an expectation left out of the ratio."
        if left_out
        else ""
    )
    table = now[
        ["venting_id", "date", "site", "engine_type", "rotations_crank", "pressure_shown", "rotations_ratio",
         "expected_rotations", "expected_low", "expected_high", *_TERMS, "expected_state", "expected_note"]
    ].assign(state=now["expected_state"])  # fmt: skip
    return shown + page.add_table(
        "rotations_terms",
        table,
        title="Where the expected rotations go, venting by venting",
        columns=[
            "venting_id",
            "date",
            "site",
            "rotations_crank",
            "expected_rotations",
            "expected_low",
            "expected_high",
            *_TERMS,
            "state",
            "expected_note",
        ],
        note=" ".join(
            part
            for part in (
                "Crankshaft rotations. Expected = suction side - tank pressure + pressure side.",
                note,
            )
            if part
        ),
        rows=25,
    )


@section
def by_group(page: Page) -> Blocks:
    """Findings rotations_ratio by site, engine type and reason (read in the table), with a figure."""
    now, _ = counted(page)
    now = select_ratio_columns(now).assign(reason=now["reason"])
    rows = []
    for group in split_groups(now):
        ratio = priming.estimate_ratio(page.look_at(group.rows), level=page.level)
        page.add_finding(
            "rotations_ratio", ratio, group={group.column: group.name},
            tier=tier_of(group.rows, now.groupby(group.column).size().tolist()),
            sentence=words.ratio_sentence(ratio, f"({group.title.lower()}: {group.words})"),
        )  # fmt: skip
        rows.append({"by": group.title, "group": group.words, **ratio.as_row()})
    columns = ["by", "group", "n", "clusters", "estimate", "low", "high", "state", "note"]
    table = pd.DataFrame(rows, columns=columns).astype({"estimate": float, "low": float, "high": float})
    figured = Blocks("", "")
    if table["estimate"].notna().any():
        figure, ax = plotting.new_figure(height=1.2 + 0.3 * len(table))
        figure.subplots_adjust(
            left=0.30, top=1 - 0.4 / (1.2 + 0.3 * len(table)), bottom=0.6 / (1.2 + 0.3 * len(table))
        )
        draw_group_ratios(ax, table, title="Rotations recorded over expected")
        figured = page.add_figure(
            "rotations_ratio_groups",
            figure,
            alt=f"Ratio of recorded to expected rotations with {wording.level_words(page.level)} intervals for {len(table)} groups, line at 1.",
            caption="Right of 1: more turning than the installation explains. Groups overlap: a site's mix of engine types is in its ratio only "
            "as far as the physics doesn't know it.",
        )
    listed = page.add_table(
        "rotations_ratio_groups", table, title="Rotations, recorded over expected, by site, engine type and reason",
        columns=["by", "group", "n", "clusters", "estimate", "low", "high", "note"], note="Empty: fewer than 8 shown counts or 3 engines.",
    )  # fmt: skip
    return figured + listed


@section
def does_physics_pay(page: Page) -> Blocks:
    """The fleet's multipliers, and the physics scored on engines left out against two ways that know none."""
    _, every = counted(page)
    history = page.look_at(every)
    found = page.keep_made(priming.calibrate_fleet, history, level=page.level)
    errors = dict(
        zip(found.errors["method"].astype(str), found.errors["log_error"].astype(float), strict=True)
    )
    shown = page.text(words.calibration_sentence(found.best, errors if found.best else {}))
    shown += page.add_table(
        "fleet_multipliers", found.multipliers, title="Recorded over expected, all records of an engine type",
        columns=["engine_type", "n", "engines", "estimate", "low", "high", "scatter", "note"],
        note="A ratio far from 1 for a whole engine type means that its volumes or its pump's displacement on record are not the real ones.",
    )  # fmt: skip
    names = {
        "physics": "physics with the type's ratio",
        "raw_mean": "mean of the engine type",
        "regression": "regression without physics",
    }
    shown += page.add_table(
        "prediction_errors", found.errors.assign(way=found.errors["method"].map(names)), title="Predicting an engine that was left out",
        columns=["way", "log_error", "log_score", "n", "engines"],
    )  # fmt: skip
    return (
        shown + does_picture_hold(page, history) + pump_constants(page, every) + what_to_record(page, every)
    )


def does_picture_hold(page: Page, history: pd.DataFrame) -> Blocks:
    """Finding pressurised_suction_ratio: whether pumps let air through; the ratio along each input of the expectation."""
    found = priming.check_let_through(history, level=page.level)
    shown = page.add_finding(
        "pressurised_suction_ratio",
        found.ratio,
        tier=tier_of(history),
        sentence=words.let_through_sentence(found),
    )
    curves = {name: priming.smooth_ratio(history, by=name, level=page.level) for name in INPUTS}
    curves = {name: curve for name, curve in curves.items() if len(curve)}
    if curves:
        figure, axes = plotting.new_figure(
            rows=(len(curves) + 1) // 2,
            columns=2,
            height=0.5 + 2.0 * ((len(curves) + 1) // 2),
            squeeze=False,
            sharey=True,
        )
        for ax, (name, curve) in zip(axes.flat, curves.items(), strict=False):
            title, unit = INPUTS[name]
            x, shown_in = units.display(curve["x"].to_numpy(), unit, page.units)
            ax.fill_between(x, curve["low"], curve["high"], color="#c9d6dd")
            ax.plot(x, curve["ratio"], color=COLORS[0])
            ax.axhline(1, color=GREY, linestyle="--", linewidth=1)
            ax.set_xlabel(title if unit == "1" else f"{title} [{shown_in.label}]")
        for ax in axes.flat[len(curves) :]:
            ax.set_visible(False)
        for ax in axes[:, 0]:
            ax.set_ylabel("recorded / expected")
        off = max(curves, key=lambda name: (float((curves[name]["ratio"] - 1).abs().max()), name))
        ratio = curves[off]["ratio"].to_numpy()
        far = float(ratio[np.argmax(np.abs(ratio - 1))])
        shown += page.add_figure(
            "ratio_along_inputs",
            figure,
            alt=f"Recorded over expected rotations along {wording.count(len(curves), 'input')} of the expectation, smooth with bands, line at 1. Farthest from it: "
            f"{INPUTS[off][0]}, {far:.2f}.",
            caption=f"Recorded over expected rotations along what the expectation is made of, with {wording.level_words(page.level)} bands point by point (n = "
            f"{found.ratio.n}). A curve that leaves 1 says where the picture behind the expectation is wrong.",
        )
    return shown


def pump_constants(page: Page, history: pd.DataFrame) -> Blocks:
    """The formula's constants by engine type, beside their usual values, and whether the counts speak of them."""
    found = priming.describe_constants(page.fit_constants(history), level=page.level)
    terms = {term.name: term for term in load_priming_terms()}

    def say(row: dict[Hashable, Any], names: tuple[str, str, str]) -> str:
        term = terms[str(row["term"])]
        over = load_priming_rules().thin_hand_Pa if term.name == "slip" else 1.0
        middle, low, high = (
            wording.number(float(row[name]) / over, decimals=term.decimals) for name in names
        )
        unit = "" if term.unit == "1" else f" {term.unit}"
        return f"{middle}{unit} ({low} to {high})"

    rows = found.to_dict("records")
    table = found.assign(
        constant=[terms[str(row["term"])].text for row in rows],
        by_counts=[say(row, ("estimate", "low", "high")) for row in rows],
        usual_value=[say(row, ("usual", "usual_low", "usual_high")) for row in rows],
        said_of_it=found["verdict"],
    )
    return (
        page.text(words.pumps_sentence(found))
        + page.add_table(
            "pump_constants",
            table,
            title="What the counts say of the pumps",
            columns=["constant", "engine_type", "by_counts", "usual_value", "said_of_it", "n", "engines"],
            note=f"In brackets {wording.level_words(page.level)} ranges. Can't tell: the usual value stands, with its range. Galleries and efficiency on oil are told only together.",
        )
        + page.explain("whether the picture holds, and the pumps' constants", PICTURE)
    )


def what_to_record(page: Page, history: pd.DataFrame) -> Blocks:
    """What would tell more of the pumps, and what may stay in the lines."""
    slower, empty = priming.count_layered(history)
    return page.text(
        words.record_sentence(load_record_values()),
        *([words.layers_sentence(slower, empty)] if empty else []),
    )


@section
def far_longer(page: Page) -> Blocks:
    """Ventings that took far longer than their lines explain, and what to check first."""
    now, _ = counted(page)
    found = find_far(page)
    sentence = page.text(_say_long(now, found))
    table = found[
        ["venting_id", "date", "site", "engine_id", "reason", "rotations_crank", "expected_rotations", "ratio_least", "ratio_usual_most", "chance", "check_first"]
    ]  # fmt: skip
    return sentence + page.add_table(
        "rotations_far_longer",
        table,
        title="Far longer than the lines explain",
        columns=[
            "venting_id",
            "date",
            "site",
            "engine_id",
            "reason",
            "rotations_crank",
            "expected_rotations",
            "ratio_least",
            "ratio_usual_most",
            "check_first",
        ],
        note="One in a hundred lands here with nothing wrong. Given-up counts are taken as the least they can be.",
    )


def _say_long(now: pd.DataFrame, found: pd.DataFrame) -> str:
    usable = priming.usable_counts(select_ratio_columns(now))
    ratios = now.loc[usable.index, "rotations_ratio"].dropna()
    return words.long_sentence(len(found), len(usable), float(ratios.max()) if len(ratios) else None)


def find_far(page: Page) -> pd.DataFrame:
    """The ventings far beyond their expectation, each with what to check first."""
    now, _ = counted(page)
    found = priming.find_long(now, measure_history(page))
    hand = priming.cranking_pressure(found)
    rows = zip(found.to_dict("records"), hand.to_dict("records"), strict=True)
    said = [_check_first(page, row, shows) for row, shows in rows]
    return found.assign(check_first=pd.Series(said, index=found.index, dtype="str"))


def _check_first(page: Page, row: dict[Hashable, Any], hand: dict[Hashable, Any]) -> str:
    """The first of the checks that the record speaks for, in the order in which a practitioner would argue.

    Was it counted right, could it show at all, then the suction side, then the pump.
    """

    def says(name: str, *values: object) -> bool:
        return bool(pd.notna(row[name]) and row[name] in values)

    ratio = float(row["ratio_least"])
    for place, factor in (
        ("propeller rotations", row["propeller_reduction"]),
        ("blade passes", row["propeller_blades"]),
    ):
        if (
            pd.notna(factor)
            and factor > 1.3
            and abs(ratio / float(factor) - 1.0) < 0.15
            and not says("rotations_counted_at", "blade")
        ):
            if place == "propeller rotations" and not says("rotations_counted_at", "propeller"):
                continue
            shown = "crankshaft rotations" if place == "propeller rotations" else place
            return suggest_whole(page, "counted_elsewhere", place=shown)
    threshold = wording.number(float(hand["hand_threshold_bar"]), "bar", units=page.units)
    tests = (
        ("too_warm", hand["hand_state"] in ("may_not_show", "does_not_show")),
        ("ran_low", says("tank_ran_low", True)),
        ("backwards", says("turned_backwards", True)),
        ("flickered", says("pressure_steady", "flickered", "lost_and_back")),
        (
            "suction_filled",
            says("lines_empty", False) and (says("cooler_empty", False) or says("cooler_volume_L", 0.0)),
        ),
        ("suction_unpressurised", says("tank_overpressure_bar", 0.0)),
        ("suction", True),
    )
    name = next(name for name, holds in tests if holds)
    return suggest_whole(page, name, threshold=threshold)


@section
def stop_rule(page: Page) -> Blocks:
    """At how many times the expectation to stop and look, and how that fared."""
    rule = check_stops(page)
    return page.text(
        say_rule(rule),
        "The manual's own limit on rotations goes first where it is lower; an expected number is no permission to go on past it.",
    ) + page.add_table(
        "stop_and_look",
        rule.by_type,
        title="Stop and look",
        columns=["engine_type", "factor", "n", "had_pressure"],
    )


def say_rule(rule: priming.StopRule) -> str:
    """The stop-and-look sentence."""
    return words.stop_sentence(
        STOP_SHARE, rule.factor, rule.held, rule.told, known=rule.known, early=rule.early
    )


@section
def could_show(page: Page) -> Blocks:
    """Whether ventings given up could have shown pressure by hand at all, at their oil temperature."""
    now, _ = counted(page)
    stopped = now[now["pressure_shown"].eq(False).fillna(False).astype(bool)]
    hand = priming.cranking_pressure(stopped)
    blind = int(hand["hand_state"].isin(["may_not_show", "does_not_show"]).sum())
    table = pd.concat([stopped[["venting_id", "date", "site", "oil_temperature_degC"]], hand], axis=1)
    table = table.assign(state=table["hand_state"].str.replace("_", " "))
    return page.text(words.hand_sentence(blind, len(stopped))) + page.add_table(
        "could_show_by_hand",
        table,
        title="Given up: could a primed engine have shown pressure?",
        columns=[
            "venting_id",
            "date",
            "site",
            "oil_temperature_degC",
            "hand_pressure_bar",
            "hand_low_bar",
            "hand_high_bar",
            "hand_threshold_bar",
            "state",
        ],
    )


@section
def answer(page: Page) -> Blocks:
    """Recorded against expected, how many took far longer, and where to stop."""
    now, _ = counted(page)
    ratio = ratio_of_all(page)
    rule = check_stops(page)
    return page.answer(
        words.ratio_sentence(ratio, f"of {page.period.label}"),
        _say_long(now, find_far(page)),
        todo=[say_rule(rule)],
        picture=lead_picture(page, rule),
    )


def lead_picture(page: Page, rule: priming.StopRule) -> Blocks:
    """Share of all ventings with pressure by each multiple of their own stop."""
    shown = rule.over_stop[np.isfinite(rule.over_stop)]
    if len(rule.over_stop) < FEWEST or not len(shown):
        return Blocks()
    ratio = np.sort(shown)
    share = 100 * np.arange(1, len(ratio) + 1) / len(rule.over_stop)
    figure, ax = first_screen.new_lead("Ventings with pressure by then")
    ax.step(ratio[ratio <= 1.3], share[ratio <= 1.3], where="post", color=COLORS[0])
    plotting.mark_limit(ax, 1.0, "stop", axis="x", top=False)
    ax.set(xlim=(max(0.0, min(0.6, float(ratio[0]))), 1.3), ylim=(0, 100))
    ax.set_xlabel("rotations over the venting's stop")
    ax.set_ylabel("share of ventings [%]")
    return page.add_figure(
        "lead", figure,
        alt=f"Share of {len(rule.over_stop)} ventings that had pressure against rotations over their own stop; about {100 * STOP_SHARE:.0f} % had it by then.",
        caption=f"All {len(rule.over_stop)} ventings on record with a count and an expectation; those given up never reach pressure here.",
    )  # fmt: skip


@section
def methods(page: Page) -> Blocks:
    """How this was worked out."""
    return page.explain(
        "The expectation",
        "A sealed pump draws the air of the suction side through itself, then fills the pressure side: "
        "$N = V_0/(e_a D) \\cdot p_0/p_{in} + V_d/(e_o D)$. $V_0$ is the volume of empty lines and cooler, $V_d$ of galleries and a new "
        "filter, $D$ the displacement a crankshaft rotation, $e_a$ and $e_o$ the pump's efficiency on air and on oil, $p_0$ ambient pressure, "
        "$p_{in} = p_0 + p_{tank} + \\rho g h - \\Delta p$ the pressure at the pump, $\\Delta p = 128 \\mu L Q / (\\pi d^4)$ the loss in the line. "
        "Of a pump that lets air through, what left before turning is taken off $V_0$, and what passes while it turns is added to $e_a$ under pressure and taken off it where the pump lifts; "
        "of $e_o$ is taken off the oil that slips back. Expected is the geometric mean of both pumps by their chances, so that the logarithm of the ratio is nought on the whole.\n\n"
        "What a record leaves out is taken from the engine type's usual values, named, and widens the interval.",
    ) + page.explain(
        "Counts and ratios",
        "A count k means that pressure showed during the k-th rotation, (k - 1, k]; a count given up is a lower bound; where a site writes round numbers more "
        "often than chance would, those counts are taken as wide as the rounding. The ratio is the median of recorded over expected by maximum likelihood on these "
        "intervals, its interval from leaving out one engine at a time. Far longer: beyond what 99 of 100 jobs keep under, with each job's scatter "
        "by its two sides, held to all records (median deviation, so that faulty jobs don't widen it).",
    )


@section
def limitations(page: Page) -> Blocks:
    """What the data can't say."""
    return page.text(
        "One job scatters by about a tenth to a seventh, so one job can't show what pressure on the tank does; ventings with pressure are also those with empty lines, so raw "
        "counts put side by side would show the opposite.",
        "A ratio near 1 does not show that the lifters are filled: rotations after pressure showed matter more to them.",
        "A ratio over 1 points at the suction side or the pump, but a wrong bore, length or cooler volume on record looks the same.",
    )
