"""Do the expected numbers of wrongly passed and wrongly failed lifters come with honest intervals? Simulated fleets.

    python -m calibrate.calibrate_gauge_risk [--fleets 100] [--seed 18]

writes calibrate/tables/gauge_risk.csv and gauge_risk.md. A fleet: 60 or 150 engines of eight lifters, whose true gaps are
one population across the limit, two far apart, or two that meet at the limit; read once, each engine by one of six
technicians (spread .008 mm), repeats .02 mm, steps .01 mm. The gauge reads .09 mm high, .09 mm low, right, or drifts by .05 mm a
quarter over four quarters, of which the last is judged. What is known of it comes from a study of ten lifters, three technicians,
three readings each, with reference gaps; of a drifting gauge from one in each quarter. "Counts" are the lifters of the fleet that
pass though truly over the limit, or fail though within it; "shares" the same over the long run, from 400,000 lifters drawn.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from calibrate import runner
from ventbook.physics import gauge
from ventbook.tables.gauges import GaugeRow

TABLES = Path(__file__).parent / "tables"
LIMIT_MM, REPEAT_MM, BETWEEN_MM, STEP_MM = 0.5, 0.02, 0.008, 0.01
GAUGES = {
    "reads right": 0.0,
    "reads .09 mm high": 0.09,
    "reads .09 mm low": -0.09,
    "drifts .05 mm a quarter": 0.0,
}
DRIFT_MM, QUARTERS = 0.05, 4
POPULATIONS = ("one across the limit", "two far apart", "two that meet at the limit")
ENGINES = (60, 150)
LEVEL = 0.9


def draw_gaps(kind: str, engines: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """True gaps (mm) of eight lifters an engine, and the engine of each."""
    engine = np.repeat(np.arange(engines), 8)
    own, z = rng.normal(0, 0.15, engines)[engine], rng.standard_normal(engine.size)
    if kind == POPULATIONS[0]:
        return 0.22 * np.exp(2 * own + 0.45 * z), engine
    spongy = (rng.random(engines)[engine] < 0.15) & (rng.random(engine.size) < 0.4)
    middle, spread = (0.75, 0.12) if kind == POPULATIONS[1] else (0.55, 0.2)
    far = middle * np.exp(spread * rng.standard_normal(engine.size))
    return np.where(spongy, far, 0.2 * np.exp(own + 0.2 * z)), engine


def read_gaps(
    gap: np.ndarray, technician: np.ndarray, bias: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """What the gauge shows (mm), to its step."""
    hands = rng.normal(0, BETWEEN_MM, int(technician.max()) + 1)
    raw = gap + bias + hands[technician] + REPEAT_MM * rng.standard_normal(gap.size)
    return np.maximum(np.round(raw / STEP_MM) * STEP_MM, 0.0)


def study_gauge(bias: float, rng: np.random.Generator) -> gauge.GaugeError:
    """What a crossed study of ten lifters says of a gauge, as the report takes it."""
    rows = pd.MultiIndex.from_product(
        [range(3), range(10), range(3)], names=["technician", "lifter", "repeat"]
    )
    data = rows.to_frame(index=False)
    reference = np.linspace(0.1, 1.06, 10)[data["lifter"]]
    shown = read_gaps(reference, data["technician"].to_numpy(), np.full(len(data), bias), rng)
    data = data.astype(str).assign(gap_mm=shown, reference_gap_mm=reference, study="S", gauge="G")
    (row,) = gauge.rows_from_studies(data)
    study = gauge.analyse_study(data, limit=LIMIT_MM, study="S", gauge="G")
    return error_of(row, study)


def error_of(row: GaugeRow, study: gauge.GaugeStudy) -> gauge.GaugeError:
    """A row of the register with how well its study knows the spread."""
    return gauge.GaugeError(
        bias=row.bias or 0.0, bias_u=row.bias_uncertainty or 0.0, repeat=row.repeatability or 0.0,
        between=row.between_technicians or 0.0, freedom=gauge.freedom_of_study(study), step=STEP_MM,
    )  # fmt: skip


def true_shares(kind: str, bias: float, rng: np.random.Generator) -> tuple[float, float]:
    """Shares of all lifters that pass though over, and fail though within, over the long run."""
    gap, _ = draw_gaps(kind, 50_000, rng)
    u = float(np.hypot(REPEAT_MM, BETWEEN_MM))
    raw = gap + bias + u * rng.standard_normal(gap.size)
    fails = np.round(raw / STEP_MM) * STEP_MM > LIMIT_MM + 1e-9
    return float(((gap > LIMIT_MM) & ~fails).mean()), float(((gap <= LIMIT_MM) & fails).mean())


def judge_fleet(name: str, kind: str, engines: int, seed: int) -> dict[str, float]:
    """Whether each interval of one simulated fleet holds the truth; with the true counts and how wide theirs are."""
    rng = np.random.default_rng(seed)
    gap, engine = draw_gaps(kind, engines, rng)
    drifts = name.startswith("drifts")
    quarter = engine % QUARTERS if drifts else np.zeros(engine.size, int)
    biases = np.array([GAUGES[name] + drifts * DRIFT_MM * q for q in range(QUARTERS if drifts else 1)])
    errors = [study_gauge(b, rng) for b in biases]
    shown = read_gaps(gap, rng.integers(0, 6, engines)[engine], biases[quarter], rng)
    draws = gauge.draw_fleet(shown, engine, quarter, errors, limit=LIMIT_MM, draws=100, seed=seed)
    last = len(errors) - 1
    rule = gauge.judge_rule(draws, last, level=LEVEL)
    mine, over, fails = quarter == last, gap > LIMIT_MM, shown > LIMIT_MM + 1e-9
    shares = true_shares(kind, float(biases[last]), rng)
    truth = (
        (rule.passed_wrongly, (mine & over & ~fails).sum()), (rule.failed_wrongly, (mine & ~over & fails).sum()),
        (rule.pass_share, shares[0]), (rule.fail_share, shares[1]),
    )  # fmt: skip
    names = ("passed", "failed", "pass_share", "fail_share")
    held = {
        n: float(e.low - 1e-9 <= true <= e.high + 1e-9) for n, (e, true) in zip(names, truth, strict=True)
    }
    for n, (e, true) in zip(names[:2], truth[:2], strict=True):
        held |= {f"{n}_true": float(true), f"{n}_width": e.high - e.low}
    return held


def main() -> None:
    """Writes the tables."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--fleets", type=int, default=100)
    parser.add_argument("--seed", type=int, default=18)
    asked = parser.parse_args()
    rows = []
    with runner.use(asked):
        for number, name in enumerate(GAUGES):
            tasks = [
                (
                    name,
                    POPULATIONS[fleet % 3],
                    ENGINES[(fleet // 3) % 2],
                    asked.seed + 10_000 * number + fleet,
                )
                for fleet in range(asked.fleets)
            ]
            held = runner.run_fleets(judge_fleet, tasks, what=name)
            table = pd.DataFrame(held).assign(population=[task[1] for task in tasks])
            cells = [("all", table), *((kind, table[table["population"] == kind]) for kind in POPULATIONS)]
            for kind, part in cells:
                means = part.drop(columns="population").mean()
                rows.append({"gauge": name, "population": kind, "fleets": len(part)} | means.to_dict())
            print(rows[-4], flush=True)
    found = pd.DataFrame(rows)
    TABLES.mkdir(exist_ok=True)
    found.round(4).to_csv(TABLES / "gauge_risk.csv", index=False)
    (TABLES / "gauge_risk.md").write_text(_write_words(found), encoding="utf-8")


def _write_words(found: pd.DataFrame) -> str:
    lines = [
        "# Wrongly passed and wrongly failed lifters, on simulated fleets",
        "",
        "Share of fleets whose 90 % interval holds the truth; chance error of a share of 100 fleets about 3 %, of 33 about 5 %. In",
        "brackets the true number a fleet and the width of its interval, on average: where nearly none is wrong, holding is easy.",
        "",
        "| gauge | gaps | fleets | passed wrongly | failed wrongly | the same as shares, passed | failed |",
        "|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {r['gauge']} | {r['population']} | {r['fleets']} "
        f"| {r['passed']:.1%} ({r['passed_true']:.1f}; {r['passed_width']:.1f}) "
        f"| {r['failed']:.1%} ({r['failed_true']:.1f}; {r['failed_width']:.1f}) | {r['pass_share']:.1%} | {r['fail_share']:.1%} |"
        for _, r in found.iterrows()
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
