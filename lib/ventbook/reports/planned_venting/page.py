"""Which venting is planned: a row of the table of planned ventings, values entered as parameters, or both.

Everything that is foreseen of one planned venting, worked out once a page.

Figures of the planned-venting report.

How earlier predictions fared, how the numbers came about, and what they can't say.

The sheet: one page to take to the engine.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ventbook import tables
from ventbook.document import plotting, wording
from ventbook.document.blocks import Column
from ventbook.document.plotting import COLORS, MARKERS
from ventbook.document.sequence import Blocks
from ventbook.physics import priming
from ventbook.reports.account import UNEXPLAINED, make_account
from ventbook.reports.alarms import ALARM, Alarm, open_alarms, warning_sentences
from ventbook.reports.page import Page, once_a_page
from ventbook.reports.parameters import ParameterError, nearest
from ventbook.reports.planned_venting import words
from ventbook.results import Estimate, no_estimate
from ventbook.statistics import causes
from ventbook.statistics.forecast import (
    LEVEL,
    estimate_cure,
    off_support,
    predict_rotations,
    predict_times,
    rank_positions,
    reliability,
    roll_forward,
    summarise,
)
from ventbook.tables import evidence, units

if TYPE_CHECKING:
    from matplotlib.axes import Axes


PREFIX = "plan_"


def planned_rows(page: Page) -> pd.DataFrame:
    """Planned ventings from the snapshot's date on that pass the filters, by date, with engine columns and expectation."""
    planned = page.records.get("planned", pd.DataFrame())
    if planned.empty:
        return pd.DataFrame()
    rows = planned.merge(page.records["engines"], on="engine_id", how="left")
    rows = page.keep(rows[rows["date"] >= pd.Timestamp(page.today)])
    return _expect(rows.sort_values(["date", "venting_id"], kind="stable").reset_index(drop=True))


def _expect(rows: pd.DataFrame) -> pd.DataFrame:
    expected = priming.expected_rotations(rows)
    return pd.concat([rows, expected.drop(columns=[c for c in expected if c in rows])], axis=1)


@once_a_page
def the_row(page: Page) -> pd.DataFrame:
    """The planned venting as a frame of one row with engine columns and expectation; empty where none is given."""
    entered = _read_entered(page)
    asked = page.parameters["planned"]
    every = page.records.get("planned", pd.DataFrame())
    if asked:
        known = every["venting_id"].astype("str").tolist() if len(every) else []
        if asked not in known:
            listed = ", ".join(known[:12]) or "none"
            raise ParameterError(
                f"{page.name}: planned {asked!r} is not in the records{nearest(asked, known)}; known: {listed}"
            )
        row = every[every["venting_id"] == asked].merge(page.records["engines"], on="engine_id", how="left")
    elif "engine_type" in entered:
        row = pd.DataFrame([{"venting_id": "entered", "date": pd.Timestamp(page.today)}])
    else:
        row = planned_rows(page).head(1)
        row = row.drop(columns=[c for c in row if str(c).startswith("expected_")])
    if row.empty:
        return row
    for name in (*_stored_columns(), "engine_type", "site", "engine_id"):
        if name not in row.columns:
            row[name] = pd.NA
    for name, value in entered.items():
        row[name] = [value]
    return _expect(_typed(row).reset_index(drop=True))


def _stored_columns() -> list[str]:
    by_name = tables.record_tables()
    return [c.stored for t in ("planned", "engines") for c in by_name[t].columns]


def _typed(row: pd.DataFrame) -> pd.DataFrame:
    """The row with the types that the analysis tables have, whatever was entered."""
    kinds = {c.stored: c.kind for t in ("planned", "engines") for c in tables.record_tables()[t].columns}
    out = row.copy()
    for name in row.columns:
        kind = kinds.get(str(name), "")
        values = row[name].astype(object).where(row[name].notna(), None)
        if kind in ("text", "code"):
            out[name] = values.astype("str").where(values.notna())
        elif kind == "yes_no":
            out[name] = values.astype("boolean")
        elif kind == "integer":
            out[name] = pd.to_numeric(values).astype("Int64")
        elif kind in ("number", "quantity"):
            out[name] = pd.to_numeric(values).astype("float64")
    return out


def _read_entered(page: Page) -> dict[str, Any]:
    """Values of the plan_ parameters by stored column; every fault in one error."""
    columns = {c.name: c for t in ("engines", "ventings") for c in tables.record_tables()[t].columns}
    found: dict[str, Any] = {}
    faults = []
    for name, text in page.parameters.items():
        if not name.startswith(PREFIX) or not str(text).strip():
            continue
        column = columns[name.removeprefix(PREFIX)]
        if column.kind == "yes_no":
            found[column.stored] = text == "yes"
        elif column.kind != "quantity":
            found[column.stored] = str(text).strip()
        else:
            value, fault = _read_quantity(name, str(text), column)
            if fault:
                faults.append(fault)
            else:
                found[column.stored] = value
    if faults:
        raise ParameterError(f"{page.name}: {'; '.join(faults)}")
    return found


def _read_quantity(name: str, text: str, column: tables.Column) -> tuple[float, str]:
    number, _, spelling = text.strip().partition(" ")
    try:
        value = float(number)
    except ValueError:
        return 0.0, f"{name} must be a number with its unit, as in 1.5 {column.unit}; got {text!r}"
    if not spelling.strip():
        return 0.0, f"{name} needs its unit, as in {number} {column.unit}; got {text!r}"
    try:
        value = float(units.convert(value, spelling.strip(), column.unit))
    except ValueError as error:
        return 0.0, f"{name}: {error}"
    low, high = column.low, column.high
    if isinstance(low, int | float) and isinstance(high, int | float) and not low <= value <= high:
        return 0.0, f"{name} must be from {low:g} to {high:g} {column.unit}; got {text!r}"
    return value, ""


UPCOMING_LEVEL = 0.9
UNSEEN_SPREAD = 0.7  # logit, of an engine type or lines beyond all on record (assumption)
POSITIONS = 3


@dataclass(frozen=True)
class Forecast:
    """What is expected of one planned venting. ``rotations`` and ``times``: median, low, high (and stop)."""

    row: pd.Series
    rotations: dict[str, float]
    times: dict[str, float]
    chance: Estimate
    base: float
    causes: dict[str, float]
    cured: Estimate
    runs_taken: int
    positions: list[tuple[str, int, int]]
    beyond: list[str]
    past: pd.DataFrame
    like: int
    of_type: int
    limit: float | None
    placeholder: bool

    @property
    def stop(self) -> float:
        """Where to stop and look: 95 in 100 had pressure by then, or the limit in force where that is lower."""
        stop = self.rotations["stop"]
        return stop if self.limit is None else min(stop, self.limit)

    @property
    def group(self) -> dict[str, str]:
        return {"venting_id": str(self.row["venting_id"])}


@once_a_page
def foresee(page: Page) -> Forecast | None:
    """The forecast of the page's planned venting, or None where none is planned."""
    rows = the_row(page)
    if rows.empty:
        return None
    row = rows.iloc[0]
    past = page.all_jobs[page.all_jobs["date"] < pd.Timestamp(page.today)]
    beyond = off_support(past, rows)[0] if len(past) else ["no venting on record at all"]
    rotations = (
        _one(predict_rotations(past, rows, level=UPCOMING_LEVEL)) if len(past) else _physics_alone(row)
    )
    times = (
        _one(predict_times(past, rows, level=UPCOMING_LEVEL))
        if len(past)
        else dict.fromkeys(("median", "low", "high"), np.nan)
    )
    lifters = page.all_lifters[page.all_lifters["date"] < pd.Timestamp(page.today)]
    own = lifters[lifters["engine_type"].astype("str") == str(row["engine_type"])]
    same = past[past["engine_type"].astype("str") == str(row["engine_type"])]
    like = same
    for name in ("lines_empty", "cooler_empty"):
        if pd.notna(row[name]):
            like = like[like[name].eq(row[name]).fillna(False).astype(bool)]
    return Forecast(
        row, rotations, times, *_chance(page, row, beyond), *estimate_cure(own, lifters, level=page.level),
        rank_positions(own, most=POSITIONS), beyond, past, len(like), len(same), *limit_of(page, row),
    )  # fmt: skip


def limit_of(page: Page, row: pd.Series) -> tuple[float | None, bool]:
    """The limit on crankshaft rotations in force for this engine type on that day, and whether it is a placeholder."""
    limit = page.limits.find("rotations_max", str(row["engine_type"]), row["date"].date())
    if limit is None:
        return None, False
    return limit.high, limit.status == "placeholder"


def _one(frame: pd.DataFrame) -> dict[str, float]:
    return {str(name): float(value) for name, value in frame.iloc[0].items()}


def _physics_alone(row: pd.Series) -> dict[str, float]:
    low, high = float(row["expected_low"]), float(row["expected_high"])
    return {"median": float(row["expected_rotations"]), "low": low, "high": high, "stop": high}


@once_a_page
def past_account(page: Page) -> causes.Account | None:
    """The account of every venting before the records' date; None where none or all of fewer than five failed."""
    account = make_account(page, pd.Timestamp(page.today))
    return account if account.ventings >= 5 and 0 < account.failing < account.ventings else None


def _chance(page: Page, row: pd.Series, beyond: list[str]) -> tuple[Estimate, float, dict[str, float]]:
    """The chance of a spongy lifter, the share of all past ventings, and each cause's part of the chance by its words."""
    method = "account of failures: the site's own rate and the named causes that stand here"
    account = past_account(page)
    if account is None:
        return no_estimate("too_few", level=page.level, unit="share", n=0, method=method), np.nan, {}
    found = causes.chance_for(account, row)
    low, high = causes.widen_chance(found, UNSEEN_SPREAD if beyond else 0.0)
    engines = int(page.all_jobs.loc[page.all_jobs["date"] < pd.Timestamp(page.today), "engine_id"].nunique())
    chance = Estimate(found.chance, low, high, found.level, "share", account.ventings, engines, method)
    titles = causes.name_causes(account)
    parts = {titles.get(name, name): share for name, share in found.shares.items() if name != UNEXPLAINED}
    return chance, account.failing / account.ventings, parts


def draw_reliability(ax: Axes, bins: pd.DataFrame) -> Axes:
    """Share that came against chance said, with the line of agreement and binomial bars of two standard errors.

    bins : columns said, came (0..1) and n, none empty.
    """
    said, came, n = (bins[name].to_numpy(float) for name in ("said", "came", "n"))
    bar = 200 * np.sqrt(said * (1 - said) / n)
    end = max(10.0, 108 * float(max(said.max(), came.max())))
    ax.plot([0, end], [0, end], color="#555555", linestyle="--", linewidth=1, label="as said")
    ax.errorbar(
        100 * said, 100 * came, yerr=bar, fmt=MARKERS[0], color=COLORS[0], capsize=3, label="ventings in bins"
    )
    for x, y, count in zip(100 * said, 100 * came, n, strict=True):
        ax.annotate(
            f"{count:.0f}", (x, y), xytext=(6, -10), textcoords="offset points", fontsize=8, color="#444444"
        )
    ax.set(
        xlim=(0, end),
        ylim=(0, None),
        xlabel="chance of a spongy lifter said beforehand [%]",
        ylabel="came true [%]",
    )
    ax.legend(fontsize=8, frameon=False, loc="upper left")
    return ax


@once_a_page
def score_past(page: Page) -> pd.DataFrame:
    """The past quarters of all ventings in the snapshot, each predicted from those before it."""
    return roll_forward(page.all_jobs[page.all_jobs["date"] < pd.Timestamp(page.today)], page.all_lifters)


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
    shown = page.text(said) + page.add_table(
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
        figure, ax = plotting.new_figure(height=3.4)
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
        columns=["quarter", "n", "rotations", "times", "chance", "failed"],
    )


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
        "time included; a blank counts at what is usual for the site. The range comes from drawing engines and causes anew. What has no name is in the site's rate.",
    )


def limitations(page: Page) -> Blocks:
    """What the data can't say."""
    return page.text(
        "The numbers hold for work done as before: a new procedure, pump or gauge makes the past a poor guide.",
        "A range of 90 % leaves one venting in ten outside with nothing wrong. Fewer rotations than expected are no proof that every lifter is filled.",
    )


SIMILAR = 5
NOTHING = "No venting is planned from the records' date on. Hand in a table of planned ventings, or enter one by the plan_ parameters."


def answer(page: Page) -> Blocks:
    """Which venting, how many rotations, and the odds of a spongy lifter."""
    ahead = foresee(page)
    if ahead is None:
        return page.answer(NOTHING)
    chance = words.chance_sentence(ahead.chance, ahead.base, ahead.causes)
    loud = [alarm for alarm in _alarms(page, ahead) if alarm.what == ALARM]
    return page.answer(_title(ahead), _rotations(ahead), chance, *warning_sentences(loud))


def _alarms(page: Page, ahead: Forecast) -> tuple[Alarm, ...]:
    """Alarms and notes that stand on the lot to be fitted and on the site."""
    lot, site = (ahead.row[name] for name in ("lifter_lot", "site"))
    named = {"lots": [lot] if pd.notna(lot) else [], "sites": [site] if pd.notna(site) else []}
    return open_alarms(page, **named) if any(named.values()) else ()


def _title(ahead: Forecast) -> str:
    row = ahead.row
    place = [str(row[n]).replace("_", " ") for n in ("site", "engine_type", "reason") if pd.notna(row[n])]
    engine = f", engine {row['engine_id']}" if pd.notna(row["engine_id"]) else ""
    return f"Venting {row['venting_id']} planned for {row['date'].date().isoformat()}{engine}: {', '.join(place)}."


def _rotations(ahead: Forecast) -> str:
    state = str(ahead.row["expected_state"])
    if state != "primes":
        return words.STATES[state]
    r = ahead.rotations
    return words.rotations_sentence(
        r["median"],
        r["low"],
        r["high"],
        r["stop"],
        UPCOMING_LEVEL,
        ahead.limit,
        placeholder=ahead.placeholder,
    )


def sheet(page: Page) -> Blocks:
    """What to expect, which lifters, what to have ready, similar ventings and the safety words, on one page."""
    ahead = foresee(page)
    if ahead is None:
        return page.text(NOTHING)
    _keep_findings(page, ahead)
    t, alarms = ahead.times, _alarms(page, ahead)
    lines = [
        ("Rotations", " ".join(part for part in (_rotations(ahead), *_count_and_limit(page, ahead)) if part)),
        ("Where they go", _terms(ahead)),
        ("Seconds", words.times_sentence(t["median"], t["low"], t["high"], UPCOMING_LEVEL) if np.isfinite(t["median"]) else "First start: too few times on record."),
        ("Spongy lifter", words.chance_sentence(ahead.chance, ahead.base, ahead.causes)),
        *((f"Open {alarm.what}", text) for alarm, text in zip(alarms, warning_sentences(alarms), strict=True)),
        ("Which first", words.positions_sentence(ahead.positions)),
        ("Extra run", words.cure_sentence(ahead.cured, ahead.runs_taken)),
        ("Have ready", _parts(ahead)),
        ("Rests on", " ".join(p for p in (words.like_sentence(ahead.like, ahead.of_type, len(ahead.past)), words.support_sentence(ahead.beyond)) if p)),
        *((f"Safety {k}", text) for k, text in enumerate(words.SAFETY, 1)),
    ]  # fmt: skip
    table = pd.DataFrame([(name, text.strip()) for name, text in lines], columns=["what", "expect"])
    return page.add_table(
        "sheet",
        table,
        title=_title(ahead),
        columns=["what", "expect"],
    ) + _similar(page, ahead)


def _keep_findings(page: Page, ahead: Forecast) -> None:
    n, engines = len(ahead.past), int(ahead.past["engine_id"].nunique())
    tier = evidence.tier(ventings=n, findings=n)
    state = "estimated" if np.isfinite(ahead.rotations["median"]) else "not_recorded"
    method = (
        "physics of this installation times the recorded ratio of its engine type, scatter of past ventings"
    )
    if state == "estimated":
        r = ahead.rotations
        middle = Estimate(r["median"], r["low"], r["high"], UPCOMING_LEVEL, "rotations", n, engines, method)
        stop = Estimate(
            ahead.stop,
            None,
            None,
            0.95,
            "rotations",
            n,
            engines,
            "95 in 100 past ventings like it had pressure by then, or the limit in force where lower",
        )
    else:
        middle = stop = no_estimate(
            state, level=UPCOMING_LEVEL, unit="rotations", n=n, clusters=engines, method=method
        )
    t = ahead.times
    times = (
        Estimate(
            t["median"], t["low"], t["high"], UPCOMING_LEVEL, "s", n, engines, "past first starts like it"
        )
        if np.isfinite(t["median"])
        else no_estimate("too_few", level=UPCOMING_LEVEL, unit="s", n=n, clusters=engines)
    )
    for name, estimate, sentence in (
        ("expected_rotations", middle, _rotations(ahead)),
        ("stop_rotations", stop, _rotations(ahead)),
        ("expected_time_to_pressure", times, words.times_sentence(t["median"], t["low"], t["high"], UPCOMING_LEVEL) if times.estimate else "Too few times."),
        ("chance_spongy_lifter", ahead.chance, words.chance_sentence(ahead.chance, ahead.base, ahead.causes)),
        ("cured_share", ahead.cured, words.cure_sentence(ahead.cured, ahead.runs_taken)),
    ):  # fmt: skip
        page.add_finding(name, estimate, group=ahead.group, tier=tier, sentence=sentence)


def _terms(ahead: Forecast) -> str:
    row = ahead.row
    if row["expected_state"] != "primes":
        return str(row["expected_note"])
    saved = (
        f", tank pressure saves {row['expected_tank_saving']:.0f}"
        if row["expected_tank_saving"] > 0.5
        else ""
    )
    note = f" ({row['expected_note']})" if row["expected_note"] else ""
    return f"By physics: suction side {row['expected_suction']:.0f}, pressure side {row['expected_pressure_side']:.0f}{saved}{note}."


def _count_and_limit(page: Page, ahead: Forecast) -> list[str]:
    """The same numbers as the propeller shows them, the limit in force, and whether warm oil hides the pressure."""
    row = ahead.row
    if row["expected_state"] != "primes":
        return []
    reduction = float(row["propeller_reduction"]) if pd.notna(row["propeller_reduction"]) else 1.0
    hand = priming.cranking_pressure(ahead.row.to_frame().T).iloc[0]
    bars = [
        wording.number(float(hand[name]), "bar", units=page.units)
        for name in ("hand_low_bar", "hand_high_bar", "hand_threshold_bar")
    ]
    return [
        words.counted_at(ahead.rotations["median"], ahead.stop, reduction, "propeller"),
        words.limit_sentence(ahead.limit, ahead.stop, placeholder=ahead.placeholder),
        words.hand_sentence(str(hand["hand_state"]), *bars),
    ]


def _parts(ahead: Forecast) -> str:
    row = ahead.row
    return words.parts_sentence(
        cylinders=int(row["cylinders"]) if pd.notna(row["cylinders"]) else 0,
        filter_new=bool(pd.notna(row["filter_new"]) and row["filter_new"]),
        plugs=bool(pd.notna(row["plugs_removed"]) and row["plugs_removed"]),
        chance=ahead.chance.estimate,
    )


def _similar(page: Page, ahead: Forecast) -> Blocks:
    """Past ventings most like the planned one, nearest first."""
    past, row = ahead.past, ahead.row
    alike = np.zeros(len(past))
    for name, points in (
        ("engine_type", 4),
        ("reason", 2),
        ("lines_empty", 2),
        ("cooler_empty", 2),
        ("engine_id", 2),
        ("filter_new", 1),
        ("site", 1),
    ):
        if pd.notna(row[name]):
            alike += points * past[name].eq(row[name]).fillna(False).to_numpy(float)
    pressed = past["tank_overpressure_bar"].gt(0)
    if pd.notna(row["tank_overpressure_bar"]):
        alike += (pressed == (row["tank_overpressure_bar"] > 0)).to_numpy(float)
    order = np.lexsort((-past["date"].to_numpy().astype("int64"), -alike))[:SIMILAR]
    found = past.iloc[order][
        ["venting_id", "date", "site", "engine_id", "reason", "rotations_crank", "expected_rotations", "time_to_pressure_s", "lifters_over_first", "lifters_checked"]
    ]  # fmt: skip
    return page.add_table(
        "similar_ventings",
        found,
        title="Past ventings most like it",
        columns=["venting_id", "date", "site", "reason", "rotations_crank", "expected_rotations", "time_to_pressure_s", "lifters_over_first", "lifters_checked"],
    )  # fmt: skip


def next_ventings(page: Page) -> Blocks:
    """All planned ventings, one line each."""
    rows = planned_rows(page)
    if rows.empty:
        return page.text(NOTHING)
    past = page.all_jobs[page.all_jobs["date"] < pd.Timestamp(page.today)]
    account = past_account(page)
    table = (
        rows.join(predict_rotations(past, rows, level=UPCOMING_LEVEL))
        if len(past)
        else rows.assign(median=np.nan, low=np.nan, high=np.nan, stop=np.nan)
    )
    most = [limit_of(page, row)[0] for _, row in rows.iterrows()]
    table = table.assign(
        stop=np.fmin(table["stop"], np.array([np.nan if m is None else m for m in most])),
        chance=causes.predict_failing(account, rows) if account else np.nan,
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
