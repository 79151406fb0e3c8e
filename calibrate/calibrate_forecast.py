"""Do the chances of the planned-venting report say what comes? Simulated shops, each quarter told from those before.

    python -m calibrate.calibrate_forecast [--fleets 100] [--world "a bad lot"]

writes calibrate/tables/forecast.csv and forecast.md. A fleet has 300 ventings on 120 engines at 4 sites over 8 quarters, circumstances as
in fleets.py, 8 or 12 lifters; log odds of a lifter over the limit spread between engines (standard deviation .7), ventings (1.05)
and sites (.3); 2 % of lifters are over the limit where nothing acts. Worlds:

- nothing acts;
- a bad lot: from the 4th quarter on, three in ten ventings get lifters of a lot never seen before, with 6 times the odds;
- cooler and tank: 6 times the odds where the cooler is empty and the tank not pressurised;
- a site drifting: the odds at one site grow by 1.4 a quarter;
- engines scatter: log odds spread 1.4 between engines;
- the work changes: an empty cooler means 4 times the odds, and its share rises from 5 to 55 % over the quarters.

Said and came: ventings with a lifter over the limit, summed over all quarters that could be told (from the 3rd on). Within 2: share of
fleets in which they differ by no more than 2 of the standard errors that the page states; z: the difference in such errors; its mean
square is 1 where the errors are right, under 1 where they are wider than need be. "Account alone": the same without the correction by
earlier quarters, held against the luck of single ventings alone.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from calibrate import fleets, runner
from ventbook.statistics import causes, forecast

TABLES = Path(__file__).parent / "tables"
SEED, RATE = 20261130, 0.02
QUARTERS = [f"{year}Q{q}" for year in (2025, 2026) for q in (1, 2, 3, 4)]


@dataclass(frozen=True)
class World:
    """What acts: ``change`` makes the fleet's circumstances by quarter (0 to 7), ``plant`` the added log odds."""

    name: str
    plant: Callable[[pd.DataFrame, np.ndarray], np.ndarray]
    spread: str = "ordinary"
    change: Callable[[pd.DataFrame, np.ndarray, np.random.Generator], pd.DataFrame] | None = None


def _bring_lot(jobs: pd.DataFrame, quarter: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    return jobs.assign(
        lifter_lot=jobs["lifter_lot"].mask((quarter >= 3) & (rng.random(len(jobs)) < 0.3), "F")
    )


def _change_work(jobs: pd.DataFrame, quarter: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    return jobs.assign(cooler_empty=rng.random(len(jobs)) < 0.05 + 0.5 * quarter / 7)


WORLDS = (
    World("nothing acts", lambda jobs, quarter: np.zeros(len(jobs))),
    World("a bad lot", lambda jobs, quarter: np.log(6) * jobs["lifter_lot"].eq("F").to_numpy(float), change=_bring_lot),
    World(
        "cooler and tank",
        lambda jobs, quarter: np.log(6) * (jobs["cooler_empty"] & jobs["tank_overpressure_bar"].eq(0)).to_numpy(float),
    ),
    World(
        "a site drifting",
        lambda jobs, quarter: np.log(1.4) * quarter * jobs["site"].eq("Ridge").to_numpy(float),
    ),
    World("engines scatter", lambda jobs, quarter: np.zeros(len(jobs)), spread="scattered"),
    World(
        "the work changes",
        lambda jobs, quarter: np.log(4) * jobs["cooler_empty"].to_numpy(float),
        change=_change_work,
    ),
)  # fmt: skip


def draw_fleet(world: World, number: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """A fleet's two analysis tables."""
    rng = np.random.default_rng([SEED, number])
    jobs, engine = fleets.draw_context(rng)
    quarter = rng.integers(0, len(QUARTERS), len(jobs))
    jobs["quarter"] = np.array(QUARTERS)[quarter]
    if world.change is not None:
        jobs = world.change(jobs, quarter, rng)
    case = fleets.Case(world.spread, lambda these, _: world.plant(these, quarter))
    jobs, lifters = fleets.draw_findings(case, jobs, engine, rng, rate=RATE)
    failed = pd.array(jobs["lifters_over_first"] > 0, dtype="boolean")
    return jobs.assign(failed_first=failed, lifters_fitted=jobs["lifters_judged_first"]), lifters


def explain(jobs: pd.DataFrame, lifters: pd.DataFrame) -> causes.Account:
    """The account as the page makes it; no gauge is off in these worlds, and none is looked for."""
    gauges = pd.DataFrame({name: [] for name in ("gauge", "from", "until", "bias", "uncertainty", "source")})
    return causes.explain_failures(jobs, lifters, gauges=gauges, draws=0)


def judge_fleet(name: str, number: int) -> dict[str, float]:
    """One fleet: said and came, corrected and not, and the scores of the chances."""
    world = next(world for world in WORLDS if world.name == name)
    scored = forecast.roll_chances(*draw_fleet(world, number), explain=explain)
    corrected = forecast.tell_deviation(scored)
    alone = forecast.tell_deviation(scored.assign(chance=scored["account_chance"], chance_u=0.0))
    quarters = [forecast.tell_deviation(part) for _, part in scored.groupby("quarter")]
    z = np.array([(d.came - d.said) / d.error for d in quarters])
    return {
        "number": number,
        "ventings": corrected.n,
        "came": corrected.came,
        "said": corrected.said,
        "error": corrected.error,
        "luck": alone.error,
        "z": (corrected.came - corrected.said) / corrected.error,
        "said_alone": alone.said,
        "z_alone": (alone.came - alone.said) / alone.error,
        "quarters_within": float((np.abs(z) <= 2).mean()),
        **{by: float(((scored[by] - scored["failed"]) ** 2).mean()) for by in ("chance", "account_chance", "site_chance")},
    }  # fmt: skip


def run_world(world: World, *, number_of: int, first: int) -> dict[str, object]:
    """Shares and means over the fleets."""
    tasks = [(world.name, number) for number in range(first, first + number_of)]
    found = pd.DataFrame(runner.run_fleets(judge_fleet, tasks, what=world.name))
    within, alone = (found[name].abs() <= 2 for name in ("z", "z_alone"))
    return {
        "world": world.name,
        "fleets": number_of,
        "ventings": found["ventings"].mean(),
        "came": found["came"].mean(),
        "said": found["said"].mean(),
        "said_alone": found["said_alone"].mean(),
        "within": within.mean(),
        "within_error": np.sqrt(within.mean() * (1 - within.mean()) / number_of),
        "quarters_within": found["quarters_within"].mean(),
        "z_mean": found["z"].mean(),
        "z_square": found["z"].pow(2).mean(),
        "error_over_luck": (found["error"] / found["luck"]).mean(),
        "within_alone": alone.mean(),
        "brier": found["chance"].mean(),
        "brier_alone": found["account_chance"].mean(),
        "brier_site": found["site_chance"].mean(),
    }


def main(arguments: list[str] | None = None) -> None:
    """Runs the worlds asked for and brings the tables up to date."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--fleets", type=int, default=100)
    parser.add_argument("--first", type=int, default=0, help="number of the first fleet")
    parser.add_argument(
        "--world", action="append", default=[], help="only this world; others keep their figures"
    )
    parser.add_argument("--out", default=str(TABLES), help="folder; empty: print only")
    asked = parser.parse_args(arguments)
    path = Path(asked.out) / "forecast.csv" if asked.out else None
    done = pd.read_csv(path) if path and path.exists() and asked.world else pd.DataFrame()
    with runner.use(asked):
        for world in WORLDS:
            if asked.world and world.name not in asked.world:
                continue
            start = time.process_time()
            found = run_world(world, number_of=asked.fleets, first=asked.first)
            print({k: round(v, 3) if isinstance(v, float) else v for k, v in found.items()},
                  f"{time.process_time() - start:.0f} s", flush=True)  # fmt: skip
            done = pd.concat(
                [done[done["world"] != world.name] if len(done) else done, pd.DataFrame([found])]
            )
            if path:
                order = [w.name for w in WORLDS]
                write_tables(done.sort_values("world", key=lambda s: s.map(order.index)), path.parent)


def write_tables(table: pd.DataFrame, folder: Path) -> None:
    """forecast.csv with every figure, forecast.md with the definition of the worlds."""
    folder.mkdir(parents=True, exist_ok=True)
    table.round(4).to_csv(folder / "forecast.csv", index=False, lineterminator="\n")
    lines = [
        "| world | fleets | ventings told | came | said | within 2, % | quarters within 2, % | mean z | mean z squared | error over luck "
        "| account alone: said | within 2 of luck, % | Brier: corrected | account alone | site's past |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {r.world} | {r.fleets} | {r.ventings:.0f} | {r.came:.1f} | {r.said:.1f} | {100 * r.within:.0f} +- {100 * r.within_error:.1f} "
        f"| {100 * r.quarters_within:.0f} | {r.z_mean:+.2f} | {r.z_square:.2f} | {r.error_over_luck:.2f} | {r.said_alone:.1f} "
        f"| {100 * r.within_alone:.0f} | {r.brier:.4f} | {r.brier_alone:.4f} | {r.brier_site:.4f} |"
        for r in table.itertuples()
    ]
    definition = (__doc__ or "").split("forecast.csv and forecast.md.")[1].strip()
    (folder / "forecast.md").write_text("\n".join([*lines, "", definition, ""]), encoding="utf-8")


if __name__ == "__main__":
    main()
