"""Does the ratio of rotations hold the truth where turning was given up and where lines, cooler and filter are blank?

    python -m calibrate.calibrate_rotations [--fleets 200] [--seed 7]

writes calibrate/tables/rotations.csv and rotations.md. Every fleet has a true ratio of 1.00 and pumps sealed by oil; "as one expectation" is the
ratio with a blank taken as half an empty line, "either answer" is what the pages publish.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from calibrate import runner
from ventbook.physics import priming

TABLES = Path(__file__).parent / "tables"
SEALED = priming.fit_constants(pd.DataFrame(), fixed={"unsealed": 0.0})
FIELDS = {"lines_empty": 0.55, "cooler_empty": 0.3}
RULES = ("at random", "no left blank", "yes left blank")
GIVEN_UP = 0.14
PATIENCE = 0.26
"""Log of what a workshop turns at most over the expectation, in the middle: about 14 of 100 jobs are given up there."""


def simulate_jobs(
    rng: np.random.Generator,
    *,
    ventings: int = 120,
    blank: float = 0.0,
    rule: str = "at random",
    give_up: bool = True,
) -> pd.DataFrame:
    """Ventings of a fleet whose ratio is 1.00, with what the expectation makes of their records.

    blank : share of lines and coolers without an answer; "no left blank" takes them among the "no" first, and so on.
    """
    n, engines = ventings, max(ventings // 4, 4)
    engine = rng.integers(0, engines, n)
    length, bore = rng.uniform(0.8, 2.5, engines)[engine], rng.choice([8.0, 10.0, 12.0], engines)[engine]
    frame = pd.DataFrame({
        "venting_id": [f"V{i}" for i in range(n)], "engine_id": [f"E{e}" for e in engine], "engine_type": "*",
        "site": np.where(engine % 3 > 0, "Lake", "Ridge"), "pump_displacement_cm3": 7.0, "suction_line_length_m": length,
        "suction_line_bore_mm": bore, "cooler_volume_L": 0.25, "filter_volume_L": 0.2, "tank_overpressure_bar": 0.3,
        "tank_head_m": 0.0, "elevation_m": 200.0, "oil_temperature_degC": 20.0, "oil_grade": "15W-50",
        "turning_speed_rpm": 30.0, "filter_new": pd.array(rng.random(n) < 0.5, dtype="boolean"),
    })  # fmt: skip
    truth = {name: rng.random(n) < share for name, share in FIELDS.items()}
    for name, said in truth.items():
        frame[name] = pd.array(said, dtype="boolean")
    count = priming.expected_rotations(frame, constants=SEALED)["expected_rotations"].to_numpy(float)
    turned = count * np.exp(0.14 * rng.standard_normal(n) + (0.06 * rng.standard_normal(engines))[engine])
    most = count * np.exp(PATIENCE + 0.2 * rng.standard_normal(n)) if give_up else np.full(n, np.inf)
    stopped = turned > most
    for name, said in truth.items():
        order = rng.random(n) + (
            0.0 if rule == "at random" else 2.0 * (said if rule == "no left blank" else ~said)
        )
        gone = np.argsort(order)[: round(blank * n)]
        frame.loc[frame.index[gone], name] = pd.NA
    whole = np.ceil(turned)
    frame["rotations_low"] = np.where(stopped, np.floor(most), whole - 1)
    frame["rotations_high"] = np.where(stopped, np.inf, whole)
    return pd.concat([frame, priming.expected_rotations(frame, constants=SEALED)], axis=1)


WAYS = ("as one expectation", "either answer")


def judge_fleet(
    seed: int, number: int, ventings: int, blank: float, rule: str
) -> dict[str, tuple[float, ...]]:
    """One fleet, by way of counting a blank where it has a ratio: log ratio, whether its interval holds 1.00, its width, middle
    and 90 % point of the scale, share given up."""
    jobs = simulate_jobs(np.random.default_rng([seed, number]), ventings=ventings, blank=blank, rule=rule)
    found = {}
    for way, frame in zip(WAYS, (jobs.drop(columns=list(priming.OPEN_COLUMNS)), jobs), strict=True):
        ratio = priming.estimate_ratio(frame)
        scale = priming.measure_scale(frame)
        if ratio.estimate is None or ratio.low is None or ratio.high is None:
            continue
        given_up = float(np.isinf(frame["rotations_high"]).mean())
        held = ratio.low <= 1 <= ratio.high
        found[way] = (
            np.log(ratio.estimate), held, ratio.high / ratio.low, scale.middle, scale.middle + scale.quantile(0.9), given_up,
        )  # fmt: skip
    return found


def tabulate_cover(*, fleets: int = 200, ventings: int = 120, seed: int = 7) -> pd.DataFrame:
    """Bias and cover of the ratio over simulated fleets: columns blank, rule, way, ratio (geometric mean), held (share of
    95 % intervals that hold 1.00), width (median of high over low), middle and p90 of the scale, given_up, fleets."""
    rows = []
    for blank, rule in [(0.0, RULES[0]), *((b, r) for b in (0.3, 0.6) for r in RULES), (1.0, RULES[0])]:
        tasks = [(seed, number, ventings, blank, rule) for number in range(fleets)]
        found = runner.run_fleets(judge_fleet, tasks, what=f"{100 * blank:.0f} % blank, {rule}")
        for way in WAYS:
            table = np.array([fleet[way] for fleet in found if way in fleet], dtype=float)
            rows.append({
                "blank": blank, "rule": rule, "way": way, "ratio": float(np.exp(table[:, 0].mean())), "held": float(table[:, 1].mean()),
                "width": float(np.median(table[:, 2])), "middle": float(np.exp(table[:, 3].mean())),
                "p90": float(np.exp(table[:, 4].mean())), "given_up": float(table[:, 5].mean()), "fleets": len(table),
            })  # fmt: skip
            print(rows[-1], flush=True)
    return pd.DataFrame(rows)


def main() -> None:
    """Writes the tables."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--fleets", type=int, default=200)
    parser.add_argument("--ventings", type=int, default=120)
    parser.add_argument("--seed", type=int, default=7)
    asked = parser.parse_args()
    with runner.use(asked):
        table = tabulate_cover(fleets=asked.fleets, ventings=asked.ventings, seed=asked.seed)
    TABLES.mkdir(exist_ok=True)
    table.round(4).to_csv(TABLES / "rotations.csv", index=False)
    lines = [
        "# Ratio of recorded to expected rotations, true ratio 1.00", "",
        f"{asked.fleets} fleets of {asked.ventings} ventings a row; {100 * table['given_up'].mean():.0f} % of the countings given up, all as lower "
        f"bounds. Chance error of a cover near 95 %: {100 * np.sqrt(0.95 * 0.05 / asked.fleets):.1f} points. True 90 % point of the "
        "ratio: 1.22.", "",
        "| blank lines and coolers | which | a blank counts as | ratio | 95 % interval held 1.00 | high / low | middle of the scale | its 90 % point |",
        "|---|---|---|---|---|---|---|---|",
    ]  # fmt: skip
    lines += [
        f"| {100 * r['blank']:.0f} % | {r['rule'] if r['blank'] else ''} | {r['way']} | {r['ratio']:.3f} | {100 * r['held']:.0f} % | "
        f"{r['width']:.2f} | {r['middle']:.3f} | {r['p90']:.3f} |"
        for r in table.to_dict("records")
    ]
    (TABLES / "rotations.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
