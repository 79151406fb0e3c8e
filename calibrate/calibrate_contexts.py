"""Is a planted cause named, and nothing where nothing is planted? Simulated fleets with known truth.

    python calibrate/calibrate_contexts.py --fleets 500 --jobs 1

writes calibrate/tables/contexts.csv and contexts.md. A fleet: 300 ventings on 120 engines at 4 sites, 24 recorded
circumstances that keep no company unless said, 8 or 12 lifters a venting. Log odds of a spongy lifter spread between
engines, between ventings and between sites; 6 % of lifters are over the limit where nothing is planted. On
"ordinary" fleets the spread is such that the plain ranking finds odds ratio 4 in about 96 of 100; "rough" fleets have
an intra-venting correlation of about .15. Named and asked
are what the report on spongy lifters shows (answer, question beside it), not a place in an order that no reader sees. Beside each
figure stands the plain ranking (first, or among the first three): each factor alone, a chi-square test on ventings with a finding. Figures are shares of fleets with their
Monte Carlo error.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from ventbook.statistics import causes

VENTINGS, ENGINES, SITES = 300, 120, ("Harbour", "Ridge", "Plain", "Lake")
RATE, SEED = 0.06, 20261125
SPREADS = {"ordinary": (0.7, 1.05, 0.3), "rough": (0.8, 1.27, 0.3)}
LIMIT_MM, SOUND_GAP_MM = 0.5, 0.22
FACTORS = causes.load_factors()


@dataclass(frozen=True)
class Case:
    """One kind of fleet: what is planted, and what is asked of the ranked list."""

    name: str
    fleet: str
    truth: str
    plant: Callable[[pd.DataFrame, np.random.Generator], np.ndarray]
    asked: str
    wanted: float
    high_gauge_mm: float = 0.0


def draw_context(
    rng: np.random.Generator, *, ventings: int = VENTINGS, engines: int = ENGINES
) -> tuple[pd.DataFrame, np.ndarray]:
    """A fleet's circumstances, one row a venting, and each venting's engine."""
    engine = np.concatenate([np.arange(engines), rng.integers(0, engines, ventings - engines)])
    n = ventings
    site = np.array(SITES)[rng.integers(0, len(SITES), engines)][engine]

    def yes(share: float) -> np.ndarray:
        return rng.random(n) < share

    def by_engine(values: list[float]) -> np.ndarray:
        return rng.choice(values, engines)[engine]

    oil = rng.normal(18, 6, n).round()
    frame = pd.DataFrame(
        {
            "venting_id": [f"V{i:03}" for i in range(n)],
            "engine_id": [f"E{e:03}" for e in engine],
            "site": site,
            "engine_type": np.array(["flat4", "flat4t", "flat6"])[rng.integers(0, 3, engines)][engine],
            "reason": rng.choice(
                ["new_engine", "overhauled_engine", "lifters_replaced", "cooler_replaced"], n
            ),
            "lines_empty": yes(0.4),
            "cooler_empty": yes(0.25),
            "filter_new": yes(0.5),
            "tank_overpressure_bar": np.where(yes(0.4), 0.5, 0.0),
            "suction_line_length_m": by_engine([1, 1.5, 2, 2.5]),
            "suction_line_bore_mm": by_engine([8, 10, 12]),
            "cooler_volume_L": by_engine([0.0, 0.15, 0.25, 0.35]),
            "tank_head_m": rng.normal(0, 0.3, engines)[engine].round(2),
            "oil_temperature_degC": oil,
            "ambient_temperature_degC": (oil + rng.normal(0, 4, n)).round(),
            "turned_by": np.where(yes(0.3), "starter", "hand"),
            "plugs_removed": yes(0.5),
            "rotations_after_pressure": rng.poisson(10, n),
            "pressure_steady": np.where(yes(0.15), "flickered", "steady"),
            "tank_ran_low": yes(0.08),
            "turned_backwards": yes(0.08),
            "rest_before_start_h": np.exp(rng.normal(2, 1.3, n)).round(1),
            "hours_since_overhaul_h": rng.uniform(0, 1200, n).round(),
            "lifter_lot": rng.choice(list("ABCDE"), n),
            "lifters_reused": yes(0.3),
            "gauge": np.char.add(site.astype(str), rng.choice([" 1", " 2"], n)),
            "oil_grade": rng.choice(["15W-50", "10W-40", "20W-50"], n),
            "procedure_revision": rng.choice(["3", "4"], n),
            "rotations_ratio": np.exp(rng.normal(0, 0.15, n)).round(2),
        }
    )
    frame["lifters_judged_first"] = np.where(frame["engine_type"] == "flat6", 12, 8)
    return frame, engine


def draw_findings(
    case: Case, jobs: pd.DataFrame, engine: np.ndarray, rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """``jobs`` with lifters over the limit, and the lifters' rows; the planted log odds come on top.

    Gaps are log-normal, with a sound lifter at .22 mm and the spread that makes 6 % exceed .5 mm; a venting's log odds
    shift its gaps so that exactly that share is over. A gauge that reads high adds its error to every reading.
    """
    spread = SPREADS[case.fleet]
    noise = rng.normal(0, np.sqrt(np.square(spread).sum()), 4000)
    base = optimize.brentq(lambda a: special.expit(a + noise).mean() - RATE, -15, 3)
    site = pd.factorize(jobs["site"])[0]
    logit = (
        base
        + rng.normal(0, spread[0], int(engine.max()) + 1)[engine]
        + rng.normal(0, spread[1], len(jobs))
        + rng.normal(0, spread[2], len(SITES))[site]
        + case.plant(jobs, rng)
    )
    share = np.clip(special.expit(logit), 1e-9, 1 - 1e-9)
    row = np.repeat(np.arange(len(jobs)), jobs["lifters_judged_first"])
    sd = np.log(LIMIT_MM / SOUND_GAP_MM) / stats.norm.isf(RATE)
    gap = LIMIT_MM * np.exp(sd * (rng.normal(size=len(row)) - special.ndtri(1 - share)[row]))
    gap = gap + np.where(jobs["gauge"].to_numpy()[row] == "Harbour 2", case.high_gauge_mm, 0.0)
    lifters = jobs[["venting_id", "engine_id", "site", "gauge"]].iloc[row].assign(gap_first_mm=gap)
    over = np.bincount(row, weights=gap > LIMIT_MM, minlength=len(jobs))
    return jobs.assign(lifters_over_first=over), lifters


def plant_nothing(jobs: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    """No cause."""
    return np.zeros(len(jobs))


def plant_cooler(jobs: pd.DataFrame, rng: np.random.Generator, *, odds_ratio: float) -> np.ndarray:
    """An empty cooler, in a quarter of ventings."""
    return np.log(odds_ratio) * jobs["cooler_empty"].to_numpy(float)


def plant_lot(jobs: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    """Lot C leaks down: odds of a gap over the limit times 4, in a fifth of ventings."""
    return np.log(4.0) * (jobs["lifter_lot"] == "C").to_numpy(float)


def plant_indication(jobs: pd.DataFrame, rng: np.random.Generator, *, overlap: bool) -> np.ndarray:
    """Tank pressurised where lines are empty (85 % against 15 %, or always and never); empty lines times 4, pressure a half."""
    empty = jobs["lines_empty"].to_numpy(bool)
    chance = np.where(empty, 0.85, 0.15) if overlap else empty.astype(float)
    pressurised = rng.random(len(jobs)) < chance
    jobs["tank_overpressure_bar"] = np.where(pressurised, 0.5, 0.0)
    return np.log(4.0) * empty - np.log(2.0) * pressurised


CASES = tuple(
    case
    for fleet in SPREADS
    for case in (
        Case("nothing planted", fleet, "", plant_nothing, "anything is named", 0.03),
        Case("odds ratio 4", fleet, "cooler_empty", partial(plant_cooler, odds_ratio=4.0), "named", 0.90),
        Case("odds ratio 2", fleet, "cooler_empty", partial(plant_cooler, odds_ratio=2.0), "named or asked", 0.30),
        Case(
            "pressurised where empty", fleet, "tank_pressurised", partial(plant_indication, overlap=True), "sign", 0.95
        ),
        Case(
            "pressurised only where empty", fleet, "tank_pressurised", partial(plant_indication, overlap=False),
            "overlap warning", 0.95,
        ),
        Case("leaking lot", fleet, "lifter_lot", plant_lot, "named", 0.90),
        Case("gauge reads .15 mm high", fleet, "gauge", plant_nothing, "named", 0.90, 0.15),
        Case("gauge reads .10 mm high", fleet, "gauge", plant_nothing, "named", 0.90, 0.10),
    )
)  # fmt: skip


def rank_plainly(jobs: pd.DataFrame) -> list[str]:
    """Factors by the p of one test each on ventings with a finding: what a first spreadsheet would do."""
    failing = (jobs["lifters_over_first"] > 0).to_numpy()
    p = {}
    for name, coded in causes.code_factors(jobs, FACTORS).items():
        if coded.factor.kind == "interaction" or not coded.known.all():
            continue
        if coded.numbers is not None:
            p[name] = stats.pearsonr(coded.numbers, failing).pvalue
        else:
            levels = int(coded.codes.max()) + 1
            table = np.bincount(coded.codes * 2 + failing, minlength=2 * levels).reshape(levels, 2)
            table = table[table.sum(axis=1) > 0]
            expected = np.outer(table.sum(axis=1), table.sum(axis=0)) / table.sum()
            if len(table) > 1 and expected.min() > 0:
                p[name] = float(special.chdtrc(len(table) - 1, ((table - expected) ** 2 / expected).sum()))
    return sorted(p, key=lambda name: p[name])


def judge_fleet(case: Case, number: int) -> dict[str, float]:
    """One fleet: what was asked (1 or 0), the plain ranking's answer, whether it is on the list."""
    rng = np.random.default_rng([SEED, number])
    jobs, engine = draw_context(rng)
    jobs, lifters = draw_findings(case, jobs, engine, rng)
    effects = causes.screen_factors(jobs, factors=FACTORS, parts=("crude", "adjusted"))
    effects = causes.add_gauge_evidence(effects, causes.compare_gauges(lifters))
    ranked = causes.rank_causes(effects, factors=FACTORS, listed=False)
    plain = rank_plainly(jobs)
    out = {
        "any_cause": float((ranked["standing"] == "cause").any()),
        "any_listed": float((ranked["standing"] != "not listed").any()),
    }
    if not case.truth:
        return out | {"answer": out["any_cause"], "plain": np.nan, "listed": np.nan, "wrong_causes": np.nan}
    row = ranked[ranked["factor"] == case.truth].iloc[0]
    effect = effects[effects["factor"] == case.truth].iloc[0]
    at_level = row["level"] in ("C", "Harbour 2") or case.truth not in ("lifter_lot", "gauge")
    answers = {
        "named": float(row["standing"] == "cause" and at_level),
        "named or asked": float(row["standing"] != "not listed" and at_level),
        "sign": float(effect["overlap"] != "none" and effect["adjusted"] < 1),
        "overlap warning": float(effect["overlap"] == "none"),
    }
    plains = {
        "named": float(plain[0] == case.truth),
        "named or asked": float(case.truth in plain[:3]),
        "sign": float(effect["crude"] < 1),
    }
    wrong = ranked[(ranked["standing"] == "cause") & (ranked["factor"] != case.truth)]
    return out | {
        "answer": answers[case.asked],
        "plain": plains.get(case.asked, np.nan),
        "listed": float(row["standing"] != "not listed"),
        "wrong_causes": float(len(wrong)),
    }


def run_case(case: Case, *, fleets: int, jobs: int) -> dict[str, object]:
    """Shares over ``fleets`` fleets with their Monte Carlo error."""
    if jobs > 1:
        with ProcessPoolExecutor(jobs) as pool:
            rows = pd.DataFrame(list(pool.map(partial(judge_fleet, case), range(fleets), chunksize=20)))
    else:
        rows = pd.DataFrame([judge_fleet(case, number) for number in range(fleets)])
    mean = rows.mean()
    return {
        "fleet": case.fleet,
        "case": case.name,
        "asked": case.asked,
        "wanted": case.wanted,
        "share": mean["answer"],
        "error": float(np.sqrt(mean["answer"] * (1 - mean["answer"]) / fleets)),
        "plain": mean["plain"],
        "listed": mean["listed"],
        "any_cause": mean["any_cause"],
        "wrong_causes": mean["wrong_causes"],
        "fleets": fleets,
    }


def main(arguments: list[str] | None = None) -> None:
    """Runs the cases and writes the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--fleets", type=int, default=500)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--case", action="append", default=[])
    parser.add_argument("--fleet", action="append", default=[])
    parser.add_argument("--out", default=str(Path(__file__).parent / "tables"))
    asked = parser.parse_args(arguments)
    rows = []
    for case in CASES:
        if (asked.case and case.name not in asked.case) or (asked.fleet and case.fleet not in asked.fleet):
            continue
        start = time.perf_counter()
        row = run_case(case, fleets=asked.fleets, jobs=asked.jobs)
        rows.append(row)
        print(
            f"{row['fleet']:6s} {row['case']:30s} {row['asked']:28s} {100 * row['share']:5.1f} +- "
            f"{100 * row['error']:.1f} %  plain {100 * row['plain']:5.1f}  listed {100 * row['listed']:5.1f}  "
            f"any cause {100 * row['any_cause']:.1f}  wrong {row['wrong_causes']:.2f}  "
            f"{time.perf_counter() - start:.0f} s",
            flush=True,
        )
    if asked.out:
        write_tables(pd.DataFrame(rows), Path(asked.out))


def write_tables(table: pd.DataFrame, folder: Path) -> None:
    """contexts.csv with every figure, contexts.md with what the documentation shows."""
    folder.mkdir(parents=True, exist_ok=True)
    table.round(4).to_csv(folder / "contexts.csv", index=False, lineterminator="\n")
    lines = [
        "| fleet | planted | asked | in 100 fleets | wanted | plain ranking |",
        "|---|---|---|---|---|---|",
    ]
    for row in table.itertuples():
        plain = "" if np.isnan(row.plain) else f"{100 * row.plain:.0f}"
        sign = "at most" if row.case == "nothing planted" else "at least"
        lines.append(
            f"| {row.fleet} | {row.case} | {row.asked} | {100 * row.share:.1f} +- {100 * row.error:.1f} "
            f"| {sign} {100 * row.wanted:.0f} | {plain} |"
        )
    (folder / "contexts.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
