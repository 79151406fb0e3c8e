"""Does the account of every failure name what was planted, nothing else, and count it rightly?

    python -m calibrate.calibrate_account --fleets 40 --row "odds ratio 4"

writes calibrate/tables/account.csv and account.md. Rows of two kinds of fleet.

"workshop" fleets: 300 ventings on 120 engines at 4 sites over 8 quarters, circumstances as in fleets.py (24 recorded ones that
keep no company), 8 or 12 lifters. Log odds of a lifter over the limit spread between engines (standard deviation .7), ventings
(1.05) and sites (.3), "ordinary" there; 6 % of lifters are over the limit where nothing acts, or 2 % where said. What is planted adds to the log odds: an empty cooler,
an empty line, the starter, plugs removed or lot C (one of them a fleet, in turn; odds ratio 4); two of them at once.
Avoidable, in truth: failing ventings without a lifter over the limit where the same draws are taken without the plant.

"demo" fleets: the invented fleet of ``ventbook demo`` with 600 ventings, all record faults left out, and only the causes of the
row planted. Avoidable, in truth: failing ventings that need the cause (``explain_failure``).

"fuller": workshop fleets in which nothing acts and sound ventings' records are blanker: every cell of the asked columns (35 against
5 %), or what happened on them (half of it unwritten against 5 %).

Named exactly: the planted cause stands under its name (a growing site also as a site since some quarter; a number or rival doesn't
count). Companions: other names a fleet. Cover: share of 90 % intervals of the avoidable count, of planted causes that are
named, that hold the truth. Low end: share whose lower end is at or under the truth; "at least" is the median of the
lower end over the truth. Shares of fleets stand with their Monte Carlo error.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from calibrate import fleets, runner
from ventbook import demo, tables
from ventbook.model.lifters import build_lifters
from ventbook.model.ventings import build_ventings
from ventbook.statistics import causes
from ventbook.tables.limits import read_limits

SEED = 20261129
QUARTERS = [f"{year}Q{q}" for year in (2025, 2026) for q in (1, 2, 3, 4)]
PLANTS: dict[str, tuple[str, object]] = {
    "cooler_empty": ("cooler_empty", True),
    "lines_empty": ("lines_empty", True),
    "turned_by_starter": ("turned_by", "starter"),
    "plugs_removed": ("plugs_removed", True),
    "lifter_lot=C": ("lifter_lot", "C"),
}
ASKED = ("lines_empty", "cooler_empty", "filter_new", "turned_by", "plugs_removed", "pressure_steady", "tank_ran_low", "turned_backwards", "lifters_reused")  # fmt: skip
DRIFT = "worsening_site"
DEMO_NAMES = {
    "tank_not_pressurised": "empty_cooler_unpressurised",
    "leaking_lot": "lifter_lot=LL-2505",
    "high_gauge": "gauge HG-3",
    DRIFT: "Ridge growing",
}


@dataclass(frozen=True)
class Drawn:
    """A fleet's two analysis tables, and the truth: avoidable failing ventings by the name under which the cause should stand."""

    ventings: pd.DataFrame
    lifters: pd.DataFrame
    truth: dict[str, float]


@dataclass(frozen=True)
class Row:
    """One row of the table: how a fleet is drawn from a number."""

    name: str
    draw: Callable[[int], Drawn]
    planted: bool = True


def draw_workshop(
    number: int,
    *,
    plants: int = 1,
    odds_ratio: float = 4.0,
    rate: float = 0.06,
    hide: str = "",
    ventings: int = 300,
) -> Drawn:
    """A workshop fleet with ``plants`` circumstances of PLANTS acting; ``rate``: of lifters over the limit where nothing acts; ``hide``:
    "sheet" or "yes" (see the head).
    """
    rng = np.random.default_rng([SEED, number])
    jobs, engine = fleets.draw_context(rng, ventings=ventings, engines=ventings * 2 // 5)
    jobs["quarter"] = rng.choice(QUARTERS, len(jobs))
    names = list(PLANTS)
    acting = [names[(number + 2 * k) % len(names)] for k in range(plants)]
    spread = fleets.SPREADS["ordinary"]
    noise = np.random.default_rng(SEED).normal(0, np.sqrt(np.square(spread).sum()), 4000)
    base = optimize.brentq(lambda a: special.expit(a + noise).mean() - rate, -15, 3)
    site = pd.factorize(jobs["site"])[0]
    luck = (
        base
        + rng.normal(0, spread[0], int(engine.max()) + 1)[engine]
        + rng.normal(0, spread[1], len(jobs))
        + rng.normal(0, spread[2], len(fleets.SITES))[site]
    )
    adds = {
        name: np.log(odds_ratio) * (jobs[PLANTS[name][0]] == PLANTS[name][1]).to_numpy(float)
        for name in acting
    }
    row = np.repeat(np.arange(len(jobs)), jobs["lifters_judged_first"])
    sd = np.log(fleets.LIMIT_MM / fleets.SOUND_GAP_MM) / stats.norm.isf(rate)
    drawn = rng.normal(size=len(row))

    def gaps(logit: np.ndarray) -> np.ndarray:
        share = np.clip(special.expit(logit), 1e-9, 1 - 1e-9)
        return np.asarray(fleets.LIMIT_MM * np.exp(sd * (drawn - special.ndtri(1 - share)[row])))

    def failing(logit: np.ndarray) -> np.ndarray:
        return np.bincount(row, weights=gaps(logit) > fleets.LIMIT_MM, minlength=len(jobs)) > 0

    whole = luck + sum(adds.values())
    gap = gaps(whole)
    failed = failing(whole)
    truth = {name: float((failed & ~failing(whole - add)).sum()) for name, add in adds.items()}
    if hide:
        jobs = hide_cells(jobs, failed, rng, how=hide)
    place = np.concatenate([np.arange(m) for m in jobs["lifters_judged_first"]])
    lifters = jobs[["venting_id", "engine_id", "engine_type", "site", "gauge", "quarter"]].iloc[row].assign(
        cylinder=place // 2 + 1,
        valve=np.where(place % 2, "exhaust", "inlet"),
        gap_first_mm=gap,
        gap_first_corrected_mm=gap,
        limit_mm=fleets.LIMIT_MM,
        over_first=pd.array(gap > fleets.LIMIT_MM, dtype="boolean"),
    )  # fmt: skip
    return Drawn(
        jobs.drop(columns=["gauge", "lifters_reused"]).assign(lifters_reused=jobs["lifters_reused"]),
        lifters,
        truth,
    )


def hide_cells(jobs: pd.DataFrame, failed: np.ndarray, rng: np.random.Generator, *, how: str) -> pd.DataFrame:
    """``jobs`` with cells of ASKED left blank more often where no lifter was over the limit."""
    out = jobs.copy()
    for name in ASKED:
        happened = jobs[name].astype(object).isin([True, "starter", "flickered"]).to_numpy(bool)
        share = np.where(failed, 0.05, 0.35) if how == "sheet" else np.where(~failed & happened, 0.5, 0.05)
        blank = rng.random(len(jobs)) < share
        column = jobs[name].astype("boolean") if jobs[name].dtype == bool else jobs[name].astype("str")
        out[name] = column.mask(blank)
    return out


def draw_demo(number: int, *, plant: tuple[str, ...], seed: int = 5000) -> Drawn:
    """An invented fleet with the causes ``plant``, held against the invented manual's limits."""
    fleet = demo.simulate_fleet(ventings=600, plant=list(plant), traces=False, seed=seed + number)
    records = {name: frame for name, frame in fleet.tables().items() if name != "samples"}
    limits = read_limits([tables.DATA / "demo_limits.toml"])
    lifters = build_lifters(records, limits=limits)
    ventings = build_ventings(records, limits=limits, lifters=lifters)
    failures = fleet.truth["failures"]
    filled = set(ventings.loc[ventings["cooler_empty"].eq(False).fillna(False), "venting_id"])
    truth = {}
    for name in plant:
        needing = {f["venting_id"] for f in failures if name in f["needed"]}
        # an empty line without tank pressure acts too, weakly: no part of the combination that is named
        truth[DEMO_NAMES[name]] = float(len(needing - filled if name == "tank_not_pressurised" else needing))
    return Drawn(ventings, lifters, truth)


ROWS = (
    Row("odds ratio 4", draw_workshop),
    Row("odds ratio 4, 2 %", partial(draw_workshop, rate=0.02)),
    Row("two causes, odds ratio 4 each", partial(draw_workshop, plants=2)),
    Row("odds ratio 2", partial(draw_workshop, odds_ratio=2.0)),
    Row("demo: combination", partial(draw_demo, plant=("tank_not_pressurised",))),
    Row("demo: drifting site", partial(draw_demo, plant=(DRIFT,))),
    Row("demo: lot and gauge", partial(draw_demo, plant=("leaking_lot", "high_gauge"))),
    Row(
        "demo: all four",
        partial(draw_demo, plant=("tank_not_pressurised", DRIFT, "leaking_lot", "high_gauge")),
    ),
    Row("nothing acts", partial(draw_workshop, plants=0), planted=False),
    Row("demo: nothing acts", partial(draw_demo, plant=()), planted=False),
    Row("fuller sheets where failing", partial(draw_workshop, plants=0, hide="sheet"), planted=False),
    Row("what happened unwritten where sound", partial(draw_workshop, plants=0, hide="yes"), planted=False),
)


def is_meant(name: str, wanted: str) -> bool:
    """Whether a name in the account is the planted cause."""
    return name == wanted or (wanted.endswith(" growing") and name.startswith(wanted.removesuffix("growing")))


def judge_fleet(name: str, number: int) -> tuple[dict[str, float], list[dict[str, float | str]]]:
    """One fleet: names and hints, and a record a planted cause (a gauge on which nothing rests is none)."""
    drawn = next(row for row in ROWS if row.name == name).draw(number)
    account = causes.explain_failures(drawn.ventings, drawn.lifters)
    named = account.terms[account.terms["standing"] == "named"]
    planted = []
    for wanted, truth in drawn.truth.items():
        own = named[[is_meant(name, wanted) for name in named["name"]]]
        if wanted.startswith("gauge") and truth == 0:
            continue
        record: dict[str, float | str] = {"cause": wanted, "truth": truth, "named": float(len(own) > 0)}
        if len(own):
            record |= {c: float(own[c].iloc[0]) for c in ("avoidable", "avoidable_low", "avoidable_high")}
        planted.append(record)
    others = [n for n in named["name"] if not any(is_meant(n, wanted) for wanted in drawn.truth)]
    judged = {"any_name": float(len(named) > 0), "companions": float(len(others)), "failing": float(account.failing),
              "any_hint": float((account.terms["standing"] == "hint").any())}  # fmt: skip
    return judged, planted


def run_row(row: Row, *, fleets_: int, first: int) -> dict[str, object]:
    """Shares over the fleets."""
    judged, planted = [], []
    tasks = [(row.name, number) for number in range(first, first + fleets_)]
    for one, causes_of in runner.run_fleets(judge_fleet, tasks, what=row.name):
        judged.append(one)
        planted += causes_of
    mean = pd.DataFrame(judged).mean()
    table = pd.DataFrame(
        planted, columns=["cause", "truth", "named", "avoidable", "avoidable_low", "avoidable_high"]
    )
    known = table[(table["named"] == 1) & (table["truth"] > 0)]
    covered = (known["avoidable_low"] <= known["truth"]) & (known["truth"] <= known["avoidable_high"])
    per_cause = table.groupby("cause")["named"].agg(["mean", "size"])
    return {
        "row": row.name,
        "fleets": fleets_,
        "failing": mean["failing"],
        "named": table["named"].mean() if len(table) else np.nan,
        "any_name": mean["any_name"],
        "companions": mean["companions"],
        "any_hint": mean["any_hint"],
        "cover": covered.mean() if len(known) else np.nan,
        "low_holds": (known["avoidable_low"] <= known["truth"]).mean() if len(known) else np.nan,
        "low_over_truth": (known["avoidable_low"] / known["truth"]).median() if len(known) else np.nan,
        "intervals": len(known),
        "by_cause": "; ".join(
            f"{n} {v.mean_:.2f} of {v.size_}"
            for n, v in per_cause.rename(columns={"mean": "mean_", "size": "size_"}).iterrows()
        ),
    }


def main(arguments: list[str] | None = None) -> None:
    """Runs the rows asked for and brings the tables up to date."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--fleets", type=int, default=40)
    parser.add_argument("--first", type=int, default=0, help="number of the first fleet")
    parser.add_argument("--row", action="append", default=[], help="only this row; others keep their figures")
    parser.add_argument(
        "--out", default=str(Path(__file__).parent / "tables"), help="folder; empty: print only"
    )
    asked = parser.parse_args(arguments)
    path = Path(asked.out) / "account.csv" if asked.out else None
    done = pd.read_csv(path) if path and path.exists() and asked.row else pd.DataFrame()
    with runner.use(asked):
        for row in ROWS:
            if asked.row and row.name not in asked.row:
                continue
            start = time.perf_counter()
            found = run_row(row, fleets_=asked.fleets, first=asked.first)
            print({k: round(v, 3) if isinstance(v, float) else v for k, v in found.items()},
                  f"{time.perf_counter() - start:.0f} s", flush=True)  # fmt: skip
            if len(done):
                done = done[done["row"] != row.name]
            done = pd.concat([done, pd.DataFrame([found])], ignore_index=True)
            if path:
                order = [r.name for r in ROWS]
                done = done.sort_values("row", key=lambda s: s.map({n: i for i, n in enumerate(order)}))
                write_tables(done, path.parent)


def write_tables(table: pd.DataFrame, folder: Path) -> None:
    """account.csv with every figure, account.md with the definition of the fleets and what the documentation shows."""
    folder.mkdir(parents=True, exist_ok=True)
    table.round(4).to_csv(folder / "account.csv", index=False, lineterminator="\n")
    definition = (__doc__ or "").split("Rows of two kinds of fleet.")[1].strip()

    def percent(value: float, count: int = 0) -> str:
        if np.isnan(value):
            return ""
        error = f" +- {100 * np.sqrt(value * (1 - value) / count):.1f}" if count else ""
        return f"{100 * value:.0f}{error}"

    lines = [
        "| fleets | number | failing | named exactly, % | any name, % | companions a fleet | hint, % of fleets "
        "| 90 % interval holds, % | low end holds, % | at least, of truth | intervals |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for r in table.itertuples():
        lines.append(
            f"| {r.row} | {r.fleets} | {r.failing:.0f} | {percent(r.named, r.fleets)} | {percent(r.any_name, r.fleets)} "
            f"| {r.companions:.2f} | {percent(r.any_hint)} | {percent(r.cover)} | {percent(r.low_holds)} "
            f"| {'' if np.isnan(r.low_over_truth) else f'{r.low_over_truth:.2f}'} | {r.intervals} |"
        )
    (folder / "account.md").write_text("\n".join([*lines, "", definition, ""]), encoding="utf-8")


if __name__ == "__main__":
    main()
