"""How often the quarterly page cries wolf, and how soon it sees a change, on simulated fleets.

    python -m calibrate.calibrate_trends [--runs 400] [--seed 1] [--scenario NAME ...] [--tables calibrate/tables]

Fleets: four sites, 60 ventings a quarter and site, 12 % failing, five quarters before anything changes. A page has 40
series (failing share, time to pressure, rotations ratio and sound lifters' gap, each overall and by site, up and down). Innocent
fleets are also drawn as awkward as real ones may be: sites that differ, engines that come back, quarters that vary
more than chance. Rates are of quarters (innocent fleets) or of fleets (planted changes), with their Monte Carlo error.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import special

from calibrate import runner
from ventbook.statistics import trends
from ventbook.tables import evidence

SITES = ("Harbour", "Ridge", "Plain", "Lake")
BASE_QUARTERS, A_QUARTER, SHARE = 5, 60, 0.12
NUMBERS = {"time_to_pressure": "time", "rotations_ratio": "ratio"}
LEVELS = {"sound_lifter_gap": "sound_gap"}
LIFTERS, LIMIT = 8, 0.5
#: The review's signals in the quarter's error budget.
FAMILY = "review_signals.signals"


@dataclass(frozen=True)
class Scenario:
    """One kind of fleet. ``times`` multiplies the failing share at the first site from the sixth quarter on."""

    name: str
    times: float = 1.0
    site_spread: float = 0.0
    engine_spread: float = 0.0
    quarter_spread: float = 0.0
    empty_coolers: tuple[float, float] | None = None
    gauge_offset: float | None = None
    a_quarter: int = A_QUARTER
    base_quarters: int = BASE_QUARTERS
    quarters_watched: int = 3


SCENARIOS = (
    Scenario("innocent"),
    Scenario("innocent, 8 quarters before", base_quarters=8),
    Scenario("innocent, sites differ", site_spread=0.4),
    Scenario("innocent, engines come back", engine_spread=1.0),
    Scenario("innocent, quarters vary", quarter_spread=0.25),
    Scenario("innocent, 15 ventings a quarter", a_quarter=15),
    Scenario("more empty coolers", empty_coolers=(0.2, 0.5)),
    Scenario("doubled at one site", times=2.0),
    Scenario("doubled at one site, sites differ", times=2.0, site_spread=0.4),
    Scenario("tripled at one site", times=3.0),
    Scenario("new gauge reads .1 mm high", gauge_offset=0.1),
    Scenario("new gauge reads right, share doubled", gauge_offset=0.0, times=2.0),
)


def draw_fleet(scenario: Scenario, *, rng: np.random.Generator) -> pd.DataFrame:
    """Ventings of one fleet: quarter, site, failed_first, cooler_empty, time, ratio (and gaps where gauges matter)."""
    quarters = scenario.base_quarters + scenario.quarters_watched
    n = quarters * len(SITES) * scenario.a_quarter
    quarter = np.repeat(np.arange(quarters), len(SITES) * scenario.a_quarter)
    site = np.tile(np.repeat(np.arange(len(SITES)), scenario.a_quarter), quarters)
    logit = np.full(n, special.logit(SHARE)) + rng.normal(0, scenario.site_spread, len(SITES))[site]
    logit += rng.normal(0, scenario.quarter_spread, (quarters, len(SITES)))[quarter, site]
    empty = np.zeros(n, bool)
    if scenario.empty_coolers:
        before, after = scenario.empty_coolers
        empty = rng.random(n) < np.where(quarter < scenario.base_quarters, before, after)
        logit = special.logit(np.where(empty, 0.30, 0.08))
    if scenario.engine_spread:
        engine = rng.integers(0, scenario.a_quarter * 2, n) + site * scenario.a_quarter * 2
        effect = rng.normal(0, scenario.engine_spread, engine.max() + 1)[engine]
        logit += (
            effect - special.logit(special.expit(special.logit(SHARE) + effect).mean()) + special.logit(SHARE)
        )
    p = special.expit(logit)
    late = (site == 0) & (quarter >= scenario.base_quarters)
    p = np.where(late, np.minimum(p * scenario.times, 0.95), p)
    failed = rng.random(n) < p
    return pd.DataFrame({
        "venting_id": np.arange(n).astype(str), "quarter": [f"q{q:02d}" for q in quarter],
        "site": np.array(SITES)[site], "cooler_empty": empty, "failed_first": failed, "late": late,
        "time": np.exp(rng.normal(1.0, 0.4, n)), "ratio": np.exp(rng.normal(0.0, 0.14, n)),
        "sound_gap": 0.16 + rng.normal(0, 0.03, n),
    })  # fmt: skip


def draw_lifters(ventings: pd.DataFrame, scenario: Scenario, *, rng: np.random.Generator) -> pd.DataFrame:
    """Gaps of eight lifters a venting: sound ones log-normal about .20 mm, a failing venting with one or two over.

    The first site has a new gauge from the sixth quarter on, which adds its offset to every reading.
    """
    n = len(ventings)
    job = rng.normal(0, 0.15, n)
    gap = np.exp(np.log(0.20) + job[:, None] + rng.normal(0, 0.30, (n, LIFTERS)))
    gap = np.minimum(gap, 0.49)
    spongy = rng.integers(1, 3, n)
    failed = ventings["failed_first"].to_numpy()
    over = (np.arange(LIFTERS)[None, :] < spongy[:, None]) & failed[:, None]
    gap = np.where(over, LIMIT + 0.02 + rng.exponential(0.25, gap.shape), gap)
    late = ventings["late"].to_numpy()
    gap = np.round(gap + np.where(late, scenario.gauge_offset or 0.0, 0.0)[:, None], 2)
    own = ventings["site"].to_numpy()
    gauge = np.where(late, "new", np.char.add(own.astype(str), " old"))
    repeat = np.repeat(np.arange(n), LIFTERS)
    return pd.DataFrame({
        "venting_id": ventings["venting_id"].to_numpy()[repeat], "quarter": ventings["quarter"].to_numpy()[repeat],
        "site": own[repeat], "gauge": gauge[repeat], "engine_type": "flat4", "gap_first_mm": gap.ravel(),
        "limit_mm": LIMIT,
    })  # fmt: skip


def find_leading_site(page: trends.PageWatch, *, since: str) -> str:
    """The site that contributes most failing ventings beyond the expected, in its own standard deviations."""
    cells = page.cells[(page.cells["site"] != "") & page.cells["period"].between(since, page.period)]
    sums = cells.groupby("site")[["observed", "expected", "variance"]].sum()
    sums = sums[sums["variance"] > 0]
    if sums.empty:
        return ""
    return str(((sums["observed"] - sums["expected"]) / np.sqrt(sums["variance"])).idxmax())


def watch_fleet(name: str, seed: int, draws: int) -> list[dict[str, object]]:
    """One row a quarter watched of one fleet: what the page says."""
    scenario = next(scenario for scenario in SCENARIOS if scenario.name == name)
    rng = np.random.default_rng([seed, 17])
    fleet = draw_fleet(scenario, rng=rng)
    lifters = None
    if scenario.gauge_offset is not None:
        lifters = draw_lifters(fleet, scenario, rng=rng)
        over = (lifters["gap_first_mm"] > LIMIT).to_numpy().reshape(-1, LIFTERS).any(axis=1)
        fleet["failed_first"] = over
        fleet["sound_gap"] = fleet["venting_id"].map(trends.mean_lowest(lifters)).to_numpy()
    factors = ["cooler_empty"] if scenario.empty_coolers else []
    rows = []
    for step in range(scenario.quarters_watched):
        quarter = f"q{scenario.base_quarters + step:02d}"
        page = trends.watch_page(
            fleet, current=quarter, factors=factors, numbers=NUMBERS, levels=LEVELS,
            rule=trends.WatchRule(evidence.load_budget().share(FAMILY), draws, seed),
        )  # fmt: skip
        up = page.signals[(page.signals["series"] == trends.FAILING) & (page.signals["direction"] == "up")]
        named = next((site for site in up.sort_values("value", ascending=False)["group"] if site), "")
        if len(up) and not named:
            named = find_leading_site(page, since=str(up["since"].iloc[0]))
        gauge = ""
        gaps = page.signals[page.signals["series"] == "sound_lifter_gap"]
        if not named:
            named = next((site for site in gaps["group"] if site), "")
        if lifters is not None and named:
            row = page.series[
                (page.series["series"] == trends.FAILING) & (page.series["group"] == named)
                & (page.series["direction"] == "up")
            ].iloc[0]  # fmt: skip
            window = [q for q in page.watched if q >= row["since"]]
            shifts = trends.compare_gauges(
                lifters[lifters["quarter"] <= quarter],
                site=named,
                window=window,
                expected=float(row["expected"]),
            )
            gauge = next(
                (
                    g.gauge
                    for g in shifts
                    if g.attributed or (len(gaps) and g.differs and g.share_now - g.share_before > 0.1)
                ),
                "",
            )
        crude = trends.chart_shares(
            *(fleet[fleet["quarter"] <= quarter].groupby("quarter")["failed_first"].agg(how) for how in ("sum", "size")),
            baseline=np.arange(scenario.base_quarters + step + 1) < scenario.base_quarters, between_period=False,
        )  # fmt: skip
        rows.append({
            "run": seed, "step": step + 1, "any": len(page.signals) > 0, "up": len(up) > 0, "named": named,
            "gauge": gauge, "crude": crude["outside"].iloc[-1] == "above",
        })  # fmt: skip
    return rows


def run_scenario(
    scenario: Scenario, *, runs: int, seed: int = 1, draws: int = 20_000
) -> list[dict[str, object]]:
    """Rates of one scenario: name, what, rate, Monte Carlo error, runs."""
    tasks = [(scenario.name, seed * 1_000_000 + run, draws) for run in range(runs)]
    watched = runner.run_fleets(watch_fleet, tasks, what=scenario.name)
    rows = pd.DataFrame([row for fleet in watched for row in fleet])
    out: list[dict[str, object]] = []

    def add(what: str, hits: pd.Series) -> None:
        rate, n = float(hits.mean()), len(hits)
        error = float(np.sqrt(max(rate * (1 - rate), 1 / n) / n))
        out.append({"scenario": scenario.name, "what": what, "rate": rate, "error": error, "runs": n})

    if scenario.times == 1 and scenario.gauge_offset is None:
        by_run = rows.groupby("run")["any"].mean()
        out.append({
            "scenario": scenario.name, "what": "quarters with any signal", "rate": float(by_run.mean()),
            "error": float(by_run.std(ddof=1) / np.sqrt(runs)), "runs": runs * scenario.quarters_watched,
        })  # fmt: skip
        if scenario.empty_coolers:
            add("crude chart outside within 3 quarters", rows.groupby("run")["crude"].any())
    else:
        for steps in (2, 3):
            add(
                f"signalled upward within {steps} quarters",
                rows[rows["step"] <= steps].groupby("run")["up"].any(),
            )
        first = rows[rows["up"]].groupby("run").first()
        add("right site named, of those signalled", first["named"] == SITES[0])
        if scenario.gauge_offset is not None:
            add(
                "attributed to the gauge, of all",
                rows.groupby("run")["gauge"].agg(lambda g: (g == "new").any()),
            )
            add("attributed to the gauge, of those signalled", first["gauge"] == "new")
    return out


def main(arguments: list[str] | None = None) -> None:
    parser = runner.make_parser(__doc__)
    parser.add_argument("--runs", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--draws", type=int, default=20_000)
    parser.add_argument("--scenario", action="append", default=[])
    parser.add_argument("--tables", type=Path, default=Path(__file__).parent / "tables")
    asked = parser.parse_args(arguments)
    table = []
    with runner.use(asked):
        for scenario in SCENARIOS:
            if asked.scenario and scenario.name not in asked.scenario:
                continue
            start = time.perf_counter()
            for row in run_scenario(scenario, runs=asked.runs, seed=asked.seed, draws=asked.draws):
                table.append(row)
                print(
                    f"{row['scenario']:38s} {row['what']:46s} {100 * row['rate']:5.1f} +- {100 * row['error']:.1f} %"
                    f"  ({row['runs']})",
                    flush=True,
                )
            print(f"{'':38s} {time.perf_counter() - start:.0f} s", flush=True)
    write_tables(pd.DataFrame(table), asked.tables)


def write_tables(table: pd.DataFrame, folder: Path) -> None:
    """``trends.csv`` with every rate, ``trends.md`` the same to read."""
    folder.mkdir(parents=True, exist_ok=True)
    table["stated"] = evidence.load_budget().share(FAMILY)
    table.to_csv(folder / "trends.csv", index=False, float_format="%.5g")
    lines = [
        "# The quarterly page's signals on simulated fleets",
        "",
        "Four sites, 60 ventings a quarter and site (unless said), 12 % failing, five quarters before anything changes; 40 series "
        f"a page, {100 * table['stated'].iloc[0]:g} % of innocent quarters stated. Rates of quarters for innocent fleets, of fleets for planted changes; the "
        "Monte Carlo error behind each.",
        "",
        "| fleet | what | rate | error | of |",
        "|---|---|---|---|---|",
    ]
    for row in table.to_dict("records"):
        lines.append(
            f"| {row['scenario']} | {row['what']} | {100 * row['rate']:.1f} % | {100 * row['error']:.1f} | {row['runs']} |"
        )
    (folder / "trends.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
