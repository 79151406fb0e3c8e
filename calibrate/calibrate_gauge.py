"""Is what the register of gauges makes of a reading worth what it says? Simulated fleets with known truth.

    python -m calibrate.calibrate_gauge [--fleets 60] [--seed 18]

writes calibrate/tables/gauge.csv, gauge_reliability.csv and gauge.md. A fleet: one engine type, a site with three
gauges, 150 ventings of 8 lifters over two years; true gaps log-normal about .22 mm, one in twelve of 0 to 1 mm evenly, which puts
many at the limit of .5 mm. One gauge reads .09 mm high, .09 mm low, or drifts by .05 mm a quarter from its first
day on; the others are sound. Readings carry .02 mm of noise, technicians .005 mm, steps of .01 mm. What is known:

    study       ten pieces of known gap, three technicians, three readings each, of every gauge (for the drifting one at its
                first day, in the middle and at the end: the register holds the line through them)
    comparison  no study: the draft of the register from routine use alone
    nothing     no register

Over-limit probabilities of all first readings within .15 mm of the limit, as read, are held against the true gaps:
reliability is the mean distance of said and true by tenth of probability (weighted), Brier = reliability - resolution +
uncertainty. Cover: the truth of the bias in its interval, on the day in the middle. Innocent: a sound gauge drafted as off.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd

from calibrate import runner
from ventbook.numerics import Floats
from ventbook.physics import gauge
from ventbook.statistics import trends
from ventbook.tables import GaugeRow, Gauges

TABLES = Path(__file__).parent / "tables"
LIMIT_MM, NOISE_MM, PEOPLE_MM, STEP_MM, NEAR_MM = 0.5, 0.02, 0.005, 0.01, 0.15
FIRST, DAYS, QUARTER = dt.date(2024, 10, 1), 730, 365.25 / 4
CASES = {"reads .09 high": (0.09, 0.0), "reads .09 low": (-0.09, 0.0), "drifts .05 a quarter": (0.0, 0.05)}
KNOWN = ("study", "comparison", "nothing")
NAMES = ("G1", "G2", "G3")


def simulate(rng: np.random.Generator, *, bias: float, drift: float) -> pd.DataFrame:
    """First readings of a fleet with their true gaps; G1 is off."""
    n, each = 150, 8
    days = np.sort(rng.integers(0, DAYS, n)).repeat(each)
    who = rng.integers(0, len(NAMES), n).repeat(each)
    true = np.where(
        rng.random(n * each) < 1 / 12,
        rng.uniform(0, 1, n * each),
        0.22 * np.exp(0.35 * rng.standard_normal(n * each)),
    )
    off = np.where(who == 0, bias + drift * days / QUARTER, 0.0)
    error = PEOPLE_MM * rng.standard_normal(n).repeat(each) + NOISE_MM * rng.standard_normal(n * each)
    read = np.maximum(np.round((true + off + error) / STEP_MM) * STEP_MM, 0.0)
    return pd.DataFrame(
        {"venting_id": np.arange(n).repeat(each), "engine_id": rng.integers(0, 90, n).repeat(each), "engine_type": "flat4", "site": "Lake",
         "date": pd.Timestamp(FIRST) + pd.to_timedelta(days, unit="D"), "gauge": np.array(NAMES)[who], "gap_first_mm": read, "true": true}
    )  # fmt: skip


def make_study(rng: np.random.Generator, name: str, bias: float) -> pd.DataFrame:
    """A study with pieces of known gap."""
    people, pieces, repeats = 3, 10, 3
    person = PEOPLE_MM * rng.standard_normal(people)
    grid = [(p, k, r) for p in range(people) for k in range(pieces) for r in range(1, repeats + 1)]
    frame = pd.DataFrame(grid, columns=["technician", "lifter", "repeat"])
    true = 0.1 + 0.1 * frame["lifter"].to_numpy(float)
    read = true + bias + person[frame["technician"]] + NOISE_MM * rng.standard_normal(len(frame))
    read = np.round(read / STEP_MM) * STEP_MM
    return frame.assign(
        study=f"S-{name}", gauge=name, gap_mm=np.maximum(read, 0), reference_gap_mm=true
    ).astype({"technician": "str", "lifter": "str"})


def know(rng: np.random.Generator, fleet: pd.DataFrame, known: str, *, bias: float, drift: float) -> Gauges:
    """The register that the shop has."""
    if known == "nothing":
        return Gauges()
    if known == "comparison":
        return Gauges(trends.draft_gauges(fleet)[0])
    rows = [gauge.rows_from_studies(make_study(rng, name, bias * (name == "G1")))[0] for name in NAMES]
    if drift:
        rows[0] = _line(rng, bias, drift)
    return Gauges(tuple(rows))


def _line(rng: np.random.Generator, bias: float, drift: float) -> GaugeRow:
    """The register's row of a drifting gauge from three studies: the weighted line through their biases."""
    at = np.array([0.0, DAYS / 2, DAYS]) / 365.25
    per_year = drift * 4
    found = [gauge.rows_from_studies(make_study(rng, "G1", bias + per_year * t))[0] for t in at]
    y, u = (
        np.array([getattr(row, name) for row in found], dtype=float) for name in ("bias", "bias_uncertainty")
    )
    weight = u**-2
    middle = float(weight @ at / weight.sum())
    slope = float(weight * (at - middle) @ y / (weight * (at - middle) @ (at - middle)))
    level = float(weight @ y / weight.sum())
    u_slope = float((weight * (at - middle) @ (at - middle)) ** -0.5)
    # the row counts from its first day: level and slope are independent at the middle, and taken so at the end as well
    return GaugeRow(
        "G1", "study", "three studies", "mm", FIRST, bias=level - slope * middle,
        bias_uncertainty=float(weight.sum() ** -0.5), drift=slope, drift_uncertainty=u_slope / 2,
        repeatability=found[0].repeatability, between_technicians=found[0].between_technicians,
    )  # fmt: skip


def judge(said: Floats, over: Floats) -> dict[str, float]:
    """Brier score and its parts by tenth of probability."""
    tenth = np.minimum((said * 10).astype(int), 9)
    count = np.bincount(tenth, minlength=10)
    used = count > 0
    mean, true = (np.bincount(tenth, v, 10)[used] / count[used] for v in (said, over))
    w, base = count[used] / count.sum(), over.mean()
    return {
        "n": len(said),
        "brier": float(np.mean((said - over) ** 2)),
        "reliability": float(w @ (mean - true) ** 2),
        "resolution": float(w @ (true - base) ** 2),
        "uncertainty": float(base * (1 - base)),
        "distance": float(w @ np.abs(mean - true)),
        "distance_of_sum": float(abs(said.mean() - base)),
    }


def run_case(case: str, known: str, fleets: int, seed: int) -> tuple[dict[str, object], pd.DataFrame]:
    """One row of the table, and its reliability by tenth."""
    bias, drift = CASES[case]
    said, over, whose = [], [], []
    held = told = innocent = sound = blamed = 0
    day = FIRST + dt.timedelta(days=DAYS // 2)
    for number in range(fleets):
        rng = np.random.default_rng([seed, list(CASES).index(case), number])
        fleet = simulate(rng, bias=bias, drift=drift)
        register = know(rng, fleet, known, bias=bias, drift=drift)
        worth = register.frame(fleet["gauge"], fleet["date"])
        p = gauge.over_limit_probability(
            fleet["gap_first_mm"], worth["u_mm"], LIMIT_MM, bias=worth["bias_mm"], bias_u=worth["bias_u_mm"]
        )
        near = (fleet["gap_first_mm"] - LIMIT_MM).abs().le(NEAR_MM).to_numpy()
        said.append(p[near])
        over.append((fleet["true"] > LIMIT_MM).to_numpy(float)[near])
        whose.append((fleet["gauge"] == "G1").to_numpy()[near])
        for name in NAMES:
            row = register.find(name, day)
            true = (bias + drift * (DAYS // 2) / QUARTER) * (name == "G1")
            if row.kind != "assumed":
                value, u = row.bias_on(day)
                told += 1
                held += abs(value - true) <= 1.96 * u
                if known == "comparison":
                    innocent += name != "G1"
                    blamed += name == "G1"
            sound += name != "G1"
    p, truth, own = (np.concatenate(part) for part in (said, over, whose))
    row = {"case": case, "known": known, "fleets": fleets, **judge(p, truth)}
    row |= {
        "distance_own": judge(p[own], truth[own])["distance"],
        "biases": told,
        "cover": held / told if told else np.nan,
    }
    row |= {"innocent": innocent / sound if known == "comparison" else np.nan}
    row |= {"blamed": blamed / fleets if known == "comparison" else np.nan}
    tenth = pd.DataFrame({"tenth": np.minimum((p * 10).astype(int), 9), "said": p, "true": truth})
    bins = (
        tenth.groupby("tenth")
        .agg(said=("said", "mean"), true=("true", "mean"), n=("true", "size"))
        .reset_index()
    )
    return row, bins.assign(case=case, known=known)[["case", "known", "tenth", "said", "true", "n"]]


def main() -> None:
    """Writes the tables."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--fleets", type=int, default=60)
    parser.add_argument("--seed", type=int, default=18)
    asked = parser.parse_args()
    rows, bins = [], []
    cells = [(case, known, asked.fleets, asked.seed) for case in CASES for known in KNOWN]
    with runner.use(asked):
        for row, own in runner.run_fleets(run_case, cells, what="gauge, cells"):
            rows.append(row)
            bins.append(own)
    table = pd.DataFrame(rows)
    table.to_csv(TABLES / "gauge.csv", index=False, float_format="%.4f")
    pd.concat(bins).to_csv(TABLES / "gauge_reliability.csv", index=False, float_format="%.4f")
    (TABLES / "gauge.md").write_text(_write_words(table), encoding="utf-8")
    print(table.round(3).to_string())


def _write_words(table: pd.DataFrame) -> str:
    heads = {"n": "readings", "brier": "Brier score", "reliability": "reliability", "distance": "said from true", "distance_own": "the same, gauge that is off",
             "cover": "95 % interval of the bias", "innocent": "sound gauge drafted as off", "blamed": "gauge that is off drafted so"}  # fmt: skip
    lines = ["# What readings by a gauge that is off are worth, on simulated fleets", ""]
    lines += [
        "First readings within .15 mm of the limit; said from true: mean distance of probability and truth by tenth, weighted.",
        "",
    ]
    lines += ["| fleets | known by | " + " | ".join(heads.values()) + " |", "|" + "---|" * (len(heads) + 2)]
    for row in table.to_dict("records"):
        cells = [
            ""
            if row[name] != row[name]
            else f"{row[name]:.0f}"
            if name == "n"
            else f"{row[name]:.4f}"
            if name in ("brier", "reliability")
            else f"{row[name]:.1%}"
            for name in heads
        ]
        lines.append(f"| {row['fleets']}, G1 {row['case']} | {row['known']} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
