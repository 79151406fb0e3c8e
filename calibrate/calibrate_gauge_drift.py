"""Whose drift it is: what the quarterly page says of gauges that move, of sites that get worse, and of innocent ones.

    python -m calibrate.calibrate_gauge_drift [--runs 3] [--seed 1] [--kind NAME ...] [--tables calibrate/tables]

Fleets: four sites, 60 ventings a quarter and site (unless said) of 2.2 an engine, two engine types, 12 % failing, five quarters before
anything changes and three watched. A drifting gauge reads .05 mm more each quarter, day by day from the sixth quarter on; a site that
gets worse has its failing share multiplied, or all its gaps raised in proportion. What counts is what the page says of its signals
(failing ventings, sound lifters' gaps) at the first site, and of gauges at all.
"""

from __future__ import annotations

import datetime as dt
import time
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

from calibrate import runner
from ventbook.reports.parameters import Period
from ventbook.reports.quarterly_review import data, signals
from ventbook.statistics import trends
from ventbook.tables import evidence

SITES = ("Harbour", "Ridge", "Plain", "Lake")
BEFORE, WATCHED, SHARE, LIFTERS, LIMIT = 5, 3, 0.12, 8, 0.5
A_QUARTER, PER_ENGINE, NOISE_MM = 60, 2.2, 0.015
WRONG, FIRST = "H-1", SITES[0]
START = dt.date(2024, 10, 1)
DRAWS = 2_000
#: Of fleets this many times as many only the gauges are held against their past, in the last quarter, and no page is made.
LOOKS = 8
SAID = {
    "gauge": "the gauge", "either": "gauge or site", "measuring": "how gaps are measured", "site": "the site alone",
    "wrong gauge": "another gauge",
}  # fmt: skip


@dataclass(frozen=True)
class Kind:
    """One kind of fleet. ``gauges`` at each site; ``travels``: the first gauge reads a third of the next site's ventings too.

    ``drift`` (mm a quarter) or ``step`` (mm) of the first gauge; ``times`` multiplies the first site's failing share and ``in_proportion`` its
    gaps, from the sixth quarter on. ``quarter_spread``: all gaps of a site and quarter vary by this (mm). ``study``: one of the first gauge
    in the middle of the quarter. ``weight``: times as many fleets with pages.
    """

    name: str
    gauges: int = 1
    travels: bool = False
    drift: float = 0.0
    step: float = 0.0
    times: float = 1.0
    in_proportion: float = 1.0
    quarter_spread: float = 0.0
    study: bool = False
    a_quarter: int = A_QUARTER
    sites: int = 4
    weight: int = 1

    @property
    def moves(self) -> bool:
        """Whether its first gauge does."""
        return bool(self.drift or self.step)


KINDS = (
    Kind("drift, second gauge at the site", gauges=2, drift=0.05, weight=4),
    Kind("drift, a study", study=True, drift=0.05, weight=3),
    Kind("drift, the gauge travels", travels=True, drift=0.05, weight=2),
    Kind("drift, one gauge a site", drift=0.05, weight=4),
    Kind("drift, one gauge a site, 25 ventings a quarter", drift=0.05, a_quarter=25),
    Kind("drift, one gauge a site, quarters vary by .01 mm", drift=0.05, quarter_spread=0.01),
    Kind("drift, a single site and gauge", drift=0.05, sites=1, a_quarter=100),
    Kind("falling .05 mm a quarter, second gauge", gauges=2, drift=-0.05),
    Kind("falling .05 mm a quarter, one gauge a site", drift=-0.05),
    Kind("step of .09 mm, one gauge a site", step=0.09),
    Kind("site worse: failing doubled, one gauge", times=2.0),
    Kind("site worse: failing tripled, two gauges", gauges=2, times=3.0),
    Kind("site worse: all gaps a third larger, one gauge", in_proportion=4 / 3),
    Kind("site worse: all gaps a third larger, two gauges", gauges=2, in_proportion=4 / 3),
    Kind("innocent, one gauge a site"),
    Kind("innocent, two gauges a site", gauges=2),
    Kind("innocent, quarters vary by .01 mm", quarter_spread=0.01),
)


def bias_on(kind: Kind, quarters: np.ndarray) -> np.ndarray:
    """Bias (mm) of the first gauge at ``quarters`` since the start, broken numbers within a quarter."""
    late = quarters >= BEFORE
    return np.where(late, kind.step + kind.drift * (quarters - BEFORE), 0.0)


def draw_fleet(kind: Kind, *, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ventings and lifters, with the columns that the review's signals read."""
    quarters, sites = BEFORE + WATCHED, SITES[: kind.sites]
    n = quarters * len(sites) * kind.a_quarter
    quarter = np.repeat(np.arange(quarters), len(sites) * kind.a_quarter)
    site = np.tile(np.repeat(np.arange(len(sites)), kind.a_quarter), quarters)
    when = quarter + rng.random(n)
    engines = max(int(kind.a_quarter * quarters / PER_ENGINE), 1)
    engine = site * engines + rng.integers(0, engines, n)
    late = (site == 0) & (quarter >= BEFORE)
    number = rng.integers(0, kind.gauges, n) + 1
    gauge = np.array([f"{sites[s][0]}-{k}" for s, k in zip(site, number, strict=True)], dtype=object)
    if kind.travels:
        gauge[(site == 1) & (rng.random(n) < 1 / 3)] = WRONG
    own = rng.normal(0, 0.10, engines * len(sites))[engine] + rng.normal(0, 0.12, n)
    six = rng.random(engines * len(sites))[engine] < 0.4
    gap = np.exp(np.log(0.20) + own[:, None] + 0.1 * six[:, None] + rng.normal(0, 0.30, (n, LIFTERS)))
    failed = rng.random(n) < np.where(late, SHARE * kind.times, SHARE)
    over = (np.arange(LIFTERS) < rng.integers(1, 3, n)[:, None]) & failed[:, None]
    gap = np.where(over, LIMIT + 0.02 + rng.exponential(0.25, gap.shape), np.minimum(gap, 0.47))
    gap = gap * np.where(late, kind.in_proportion, 1.0)[:, None]
    gap += rng.normal(0, kind.quarter_spread, (quarters, len(sites)))[quarter, site][:, None]
    gap += np.where(gauge == WRONG, bias_on(kind, when), 0.0)[:, None] + rng.normal(0, NOISE_MM, gap.shape)
    gap = np.round(np.maximum(gap, 0.0), 2)
    date = pd.Timestamp(START) + pd.to_timedelta(np.floor(when * 91.3).astype(int), unit="D")
    label = np.array([str(pd.Period("2024Q4", "Q") + int(q)) for q in range(quarters)])[quarter]
    jobs = pd.DataFrame({
        "venting_id": np.arange(n).astype(str), "engine_id": engine.astype(str), "site": np.array(sites)[site], "step": label,
        "date": date, "engine_type": np.where(six, "flat6", "flat4"), "gauge": gauge, "failed_first": (gap > LIMIT).any(axis=1),
        "when": when,
    })  # fmt: skip
    repeat = np.repeat(np.arange(n), LIFTERS)
    lifters = jobs.loc[
        repeat, ["venting_id", "engine_id", "site", "step", "date", "engine_type", "gauge"]
    ].reset_index(drop=True)
    return jobs, lifters.assign(gap_first_mm=gap.ravel(), limit_mm=LIMIT)


def say_quarter(
    kind: Kind, jobs: pd.DataFrame, lifters: pd.DataFrame, label: str, seed: int
) -> dict[str, Any]:
    """What the review of one quarter says of gauges: of each signal at the first site, and of gauges at all."""
    jobs, lifters = jobs[jobs["step"] <= label], lifters[lifters["step"] <= label]
    labels = sorted(jobs["step"].unique())
    steps = tuple(_step(name) for name in labels)
    biases = None
    if kind.study:
        then = float(bias_on(kind, np.array([len(labels) - 0.5]))[0])
        biases = pd.DataFrame({
            "gauge": [WRONG], "bias": [then + np.random.default_rng(seed).normal(0, 0.01)], "uncertainty": [0.01],
        })  # fmt: skip
    gaps = trends.list_sound_gaps(lifters, period="step").set_index("venting_id")
    jobs = jobs.assign(
        sound_gap_mm=gaps["sound_gap_mm"].reindex(jobs["venting_id"]).to_numpy(),
        lowest_gap_mm=gaps["lowest_gap_mm"].reindex(jobs["venting_id"]).to_numpy(),
    )
    watch = trends.watch_page(
        jobs, current=label, period="step", levels={data.GAP: "sound_gap_mm"},
        rule=trends.WatchRule(evidence.load_budget().share(signals.FAMILY), DRAWS, seed),
    )  # fmt: skip
    now = jobs[jobs["step"] == label]
    facts = data.ReportData(
        steps[-1], steps[-2], steps[-4], steps, jobs, lifters, now, now, now, watch, "compare", biases
    )
    page: Any = SimpleNamespace(level=0.95, units="metric", seed=seed)
    found = signals.leading_signals(signals.list_signals(page, facts))
    gauges = signals.act_on_gauges(facts, "metric")
    return {"signals": found, "gauges": gauges}


def read_signal(signal: signals.Signal) -> tuple[str, str]:
    """To what the sentences and actions of a signal put it down, and the gauge they name."""
    said = [
        *signals.explain_signal(signal),
        *(f"{a.what} {a.why}" for a in signals.act_on_signal(signal, "metric")),
    ]
    for text in said:
        if "Take the change for the gauge's" in text or "against the other readings at the site" in text:
            return "gauge", _name_in(text)
    if any("Gauge or site, these records can't tell" in text for text in said):
        return "either", ""
    return ("measuring" if signal.series == data.GAP else "site"), ""


def _name_in(text: str) -> str:
    words = text.replace("gauge", "Gauge").split("Gauge ")
    return next((part.split()[0] for part in words[1:] if "-" in part.split()[0]), "")


def watch_fleet(name: str, seed: int) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """One row a page of one fleet, and one row a signal of failing ventings or gaps at the first site."""
    kind, rng = _kind(name), np.random.default_rng([seed, 29])
    jobs, lifters = draw_fleet(kind, rng=rng)
    pages, found = [], []
    for place, label in enumerate(sorted(jobs["step"].unique())[BEFORE:]):
        said = say_quarter(kind, jobs, lifters, label, seed)
        blamed, asked = set(), set()
        for signal in said["signals"]:
            if signal.series not in (trends.FAILING, data.GAP):
                continue
            what, name = read_signal(signal)
            if what == "gauge":
                blamed.add(name)
            if signal.site == FIRST:
                found.append(
                    {"seed": seed, "place": place, "what": what if name in ("", WRONG) else "wrong gauge"}
                )
        for action in said["gauges"]:
            name = action.gauge[0]
            (asked if "can't tell" in action.why else blamed).add(name)
        pages.append({
            "seed": seed, "place": place, "named": WRONG in blamed, "asked": WRONG in asked,
            "innocent": bool(blamed - ({WRONG} if kind.moves else set())), "any": bool(blamed | asked),
        })  # fmt: skip
    return pages, found


def look_at_gauges(name: str, seed: int) -> dict[str, bool]:
    """Whether the interval of the first gauge's shift in the last quarter holds the truth, and whether any gauge is said to drift."""
    kind = _kind(name)
    jobs, lifters = draw_fleet(kind, rng=np.random.default_rng([seed, 31]))
    drifts = trends.find_gauge_drifts(trends.list_sound_gaps(lifters, period="step"), period="step")
    own = next(drift for drift in drifts if drift.gauge == WRONG)
    here = jobs[(jobs["gauge"] == WRONG) & (jobs["step"] == own.last)]
    truth = float(bias_on(kind, here["when"].to_numpy()).mean())
    assert own.shift.low is not None and own.shift.high is not None
    return {
        "held": own.shift.low <= truth <= own.shift.high,
        "any": any(drift.is_plain for drift in drifts),
    }


def _kind(name: str) -> Kind:
    return next(kind for kind in KINDS if kind.name == name)


def run_kind(kind: Kind, *, runs: int, seed: int = 1) -> list[dict[str, Any]]:
    """Rates of one kind of fleet: kind, what, rate, chance error, number behind it."""
    tasks = [(kind.name, seed * 100_000 + run) for run in range(max(kind.weight, LOOKS) * runs)]
    both = runner.run_fleets(watch_fleet, tasks[: kind.weight * runs], what=kind.name)
    pages = pd.DataFrame([row for part, _ in both for row in part])
    looks = pd.DataFrame(
        runner.run_fleets(look_at_gauges, tasks[: LOOKS * runs], what=f"{kind.name}, gauges")
    )
    found = pd.DataFrame(
        [row for _, part in both for row in part], columns=["seed", "place", "what"]
    ).sort_values(["seed", "place"], kind="stable")
    out: list[dict[str, Any]] = []

    def add(what: str, hits: pd.Series) -> None:
        n = len(hits)
        rate = float(hits.mean()) if n else float("nan")
        error = float(np.sqrt(max(rate * (1 - rate), 1 / n) / n)) if n else float("nan")
        out.append({"kind": kind.name, "what": what, "rate": rate, "error": error, "of": n})

    if kind.moves or kind.times != 1 or kind.in_proportion != 1:
        # signals of one fleet hang together: the error is of fleets, through each fleet's own share
        for what, words in SAID.items():
            add(f"signals at the site: {words}", found["what"] == what)
            own = (found["what"] == what).groupby(found["seed"]).mean()
            out[-1]["error"] = (
                float(max(own.std(ddof=1), 1 / len(own)) / np.sqrt(len(own))) if len(own) > 1 else 1.0
            )
        first = found.groupby("seed")["what"].first()
        add("a fleet's first signal at the site put down to the gauge", first == "gauge")
    if kind.moves:
        add("gauge named on a page within three quarters", pages.groupby("seed")["named"].any())
        add(
            "gauge named or asked for within three quarters",
            (pages["named"] | pages["asked"]).groupby(pages["seed"]).any(),
        )
        add("95 % interval of the shift holds the truth, third quarter", looks["held"])
    add("pages that blame an innocent gauge", pages["innocent"])
    if not kind.moves:
        add("pages that name or ask for any gauge", pages["any"])
    if not kind.moves and kind.in_proportion == 1:
        add("fleets with any gauge said to drift, third quarter, no page made", looks["any"])
    return out


def main(arguments: list[str] | None = None) -> None:
    parser = runner.make_parser(__doc__)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", action="append", default=[])
    parser.add_argument("--tables", type=Path, default=Path(__file__).parent / "tables")
    asked = parser.parse_args(arguments)
    table = []
    with runner.use(asked):
        for kind in KINDS:
            if asked.kind and kind.name not in asked.kind:
                continue
            start = time.perf_counter()
            for row in run_kind(kind, runs=asked.runs, seed=asked.seed):
                table.append(row)
                print(
                    f"{row['kind']:52s} {row['what']:62s} {100 * row['rate']:5.1f} +- {100 * row['error']:.1f} % ({row['of']})",
                    flush=True,
                )
            print(f"{'':52s} {time.perf_counter() - start:.0f} s", flush=True)
    write_tables(pd.DataFrame(table), asked.tables)


def write_tables(table: pd.DataFrame, folder: Path) -> None:
    """``gauge_drift.csv`` with every rate, ``gauge_drift.md`` the same to read."""
    folder.mkdir(parents=True, exist_ok=True)
    table["stated"] = evidence.load_budget().share(trends.DRIFT_FAMILY)
    table.to_csv(folder / "gauge_drift.csv", index=False, float_format="%.5g")
    lines = [
        "# Gauge or site, on simulated fleets",
        "",
        "Four sites, 60 ventings a quarter and site (unless said), 12 % failing, five quarters before anything changes and three watched; a "
        "drift of .05 mm a quarter. What the page's sentences and actions say of its signals of failing ventings and of sound lifters' gaps. "
        f"Share of the quarter's error budget for gauges that drift: {100 * table['stated'].iloc[0]:g} %.",
        "",
        "| fleet | what | rate | error | of |",
        "|---|---|---|---|---|",
    ]
    for row in table.to_dict("records"):
        lines.append(
            f"| {row['kind']} | {row['what']} | {100 * row['rate']:.1f} % | {100 * row['error']:.1f} | {row['of']} |"
        )
    (folder / "gauge_drift.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _step(label: str) -> Period:
    quarter = pd.Period(label, "Q")
    return Period(label, quarter.start_time.date(), (quarter + 1).start_time.date(), False)


if __name__ == "__main__":
    main()
