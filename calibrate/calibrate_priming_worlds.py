"""Do the ranges of rotations hold in every kind of job, whichever picture of the pump is true?

    python -m calibrate.calibrate_priming_worlds [--fleets 20] [--seed 11]

writes calibrate/tables/priming_worlds.csv and priming_worlds.md. Five worlds, their physics written anew here: pumps sealed; all let air through;
half of the engines sealed; oil slips; dry pumps that leak a lot. Of each fleet the constants are fitted on 600 ventings, and the next 600 are told. 90 % ranges
should hold 85 to 95 of 100 in every stratum (lines x cooler x pressurised x thin oil), and the log score come within .01 nats a venting
of the fit that knows the world. Beside it stands the formula without let-through and slip.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import ndtr

from calibrate import runner
from ventbook.model import expect_again
from ventbook.physics import oil, priming
from ventbook.statistics.forecast import predict_rotations

TABLES = Path(__file__).parent / "tables"
WORLDS = ("sealed", "let-through", "half sealed", "slipping", "dry leak")
KNOWN: dict[str, Mapping[str, float]] = {
    "sealed": {"unsealed": 0.0, "slip": 0.0},
    "let-through": {"unsealed": 1.0, "slip": 0.0},
    "half sealed": {"slip": 0.0},
    "slipping": {"unsealed": 0.0},
    "dry leak": {"unsealed": 1.0, "slip": 0.0},
}
"""What the fit that knows the world is told."""
NARROW: Mapping[str, float] = {"unsealed": 0.0, "slip": 0.0}
THIN = 0.12
STRATA = ("lines_empty", "cooler_empty", "pressurised", "thin")


def draw_fleet(
    rng: np.random.Generator,
    world: str,
    *,
    ventings: int = 1200,
    through: float | None = None,
    wetted: float = 0.0,
    full: float = 0.0,
) -> pd.DataFrame:
    """Ventings of a fleet in one world, with counts; truth that no record holds stands under names that begin with ``_``.

    ``through``: displacements a second and bar of its unsealed pumps, in place of the world's own. ``wetted``: share of pumps that hold oil, and
    then pass a tenth; ``full``: share of galleries that were not drained, half of each empty. Both are recorded.
    """
    engines = max(round(ventings / 2.4), 4)
    engine = rng.integers(0, engines, ventings)

    def by_engine(values: np.ndarray) -> np.ndarray:
        return values[engine]

    n = ventings
    kind = by_engine(rng.integers(0, 2, engines))
    lines, cooler, new_filter = rng.random(n) < 0.5, rng.random(n) < 0.35, rng.random(n) < 0.5
    pressed = rng.random(n) < np.where(lines | cooler, 0.6, 0.3)
    tank = np.where(pressed, rng.choice([0.3, 0.5, 0.8], n), 0.0)
    waited = np.where(pressed, rng.choice([60.0, 120, 180, 300], n), np.nan)
    length, bore = by_engine(rng.uniform(1.0, 2.2, engines)), by_engine(rng.choice([9.0, 10, 12], engines))
    cooler_cm3, swept = (
        by_engine(rng.choice([200.0, 250, 350], engines)),
        by_engine(rng.choice([6.5, 7, 8.5], engines)),
    )
    head = by_engine(rng.uniform(-0.15 if world == "dry leak" else -0.3, 0.4, engines)) + rng.normal(
        0, 0.03, n
    )
    warm = np.where(rng.random(n) < 0.35, rng.uniform(40, 60, n), rng.uniform(12, 30, n))
    grade = by_engine(rng.choice(["15W-50", "10W-40"], engines))
    mu = oil.viscosity_of_rows(oil.find_grades(pd.Series(grade))[0], warm)[0] * np.exp(rng.normal(0, 0.1, n))
    turns = rng.uniform(24, 36, n) / 60.0
    p0 = float(oil.ambient_pressure_bar(200.0))
    # truth: the mass of air, squeezed, passes the pump while it is turned, and leaks with the square of pressure
    passes = {"let-through": 3.0, "half sealed": 3.0, "dry leak": 15.0}.get(world, 0.0)
    passes = passes if through is None else through
    holds_oil, undrained = rng.random(n) < wetted, rng.random(n) < full
    unsealed = rng.random(engines) < 0.5 if world == "half sealed" else np.ones(engines)
    leak = by_engine(passes * np.exp(rng.normal(0, 0.25, engines)) * unsealed) * np.where(holds_oil, 0.1, 1.0)
    own = by_engine(0.6 * np.exp(rng.normal(0, 0.06, engines))) * np.exp(rng.normal(0, 0.10, n))
    on_oil = by_engine(0.88 * np.exp(rng.normal(0, 0.03, engines)))
    slipped = 0.006 if world == "slipping" else 1e-5
    efficiency = np.maximum(on_oil - slipped / (mu * turns), 0.25)
    volume = lines * np.pi / 4 * bore**2 * length * np.exp(rng.normal(0, 0.06, n)) + cooler * cooler_cm3
    standing = p0 + tank + 870 * 9.80665 * head / 1e5
    resist = (
        128 * mu * length / (np.pi * (bore * 1e-3) ** 4) * swept * 1e-6 / 1e5
    )  # bar for a displacement a second

    def drawn(p: np.ndarray) -> np.ndarray:
        """Displacements a second that pass the turning pump at this inlet pressure."""
        return own * turns + leak * (p**2 - p0**2) / (2 * p)

    # the inlet pressure at which the line brings what the pump takes, halved down to it
    low, high = np.full(n, 0.02), standing.copy()
    for _ in range(50):
        middle = (low + high) / 2
        more = (standing - middle) > resist * drawn(middle)
        low, high = np.where(more, middle, low), np.where(more, high, middle)
    inlet = np.where(drawn(standing) > 0, (low + high) / 2, standing)
    mass = volume * p0
    gone = np.where(
        pressed, leak * swept * np.nan_to_num(waited) * np.maximum(standing**2 - p0**2, 0) / 2, 0.0
    )
    rate = drawn(inlet) * swept * inlet / turns
    left = np.maximum(mass - gone, 0.0)
    suction = np.where(left > 0, np.where(rate > 0, left / np.maximum(rate, 1e-9), np.inf), 0.0)
    gallery = np.where(kind == 0, 150.0, 165.0) * np.where(undrained, 0.5, 1.0)
    side = (gallery + new_filter * 200.0) / (efficiency * swept)
    turned = suction + side * np.exp(rng.normal(0, 0.09, n) + rng.normal(0, 0.12, n) * (mu < THIN))
    patience = rng.normal(330, 15, n)
    shown = turned <= patience
    count = np.ceil(np.minimum(turned, patience))
    return pd.DataFrame(
        {
            "venting_id": [f"V{i:05d}" for i in range(n)],
            "engine_id": [f"E{e:04d}" for e in engine],
            "engine_type": np.where(kind == 0, "first", "second"),
            "site": "one",
            "pump_displacement_cm3": swept,
            "suction_line_length_m": length,
            "suction_line_bore_mm": bore,
            "cooler_volume_L": cooler_cm3 / 1e3,
            "filter_volume_L": 0.2,
            "lines_empty": pd.array(lines, dtype="boolean"),
            "cooler_empty": pd.array(cooler, dtype="boolean"),
            "filter_new": pd.array(new_filter, dtype="boolean"),
            "tank_overpressure_bar": tank,
            "pressurised_before_turning_s": np.where(rng.random(n) < 0.1, np.nan, waited),
            "tank_head_m": head,
            "elevation_m": 200.0,
            "oil_temperature_degC": warm,
            "oil_grade": grade,
            "turning_speed_rpm": turns * 60.0,
            "rotations_crank": count,
            "rotations_low": np.where(shown, count - 1, count),
            "rotations_high": np.where(shown, count, np.inf),
            "_thin": mu < THIN,
        }
        | ({"pump_wetted": pd.array(holds_oil, dtype="boolean")} if wetted else {})
        | ({"gallery_drained": pd.array(~undrained, dtype="boolean")} if full else {})
    )


def score_fleet(jobs: pd.DataFrame, fixed: Mapping[str, float] | None) -> pd.DataFrame:
    """The later half told from the first: strata, ``held`` (share of the count's interval in the 90 % range) and ``score`` (log probability)."""
    half = len(jobs) // 2
    past, ahead = jobs.iloc[:half], jobs.iloc[half:].reset_index(drop=True)
    constants = priming.fit_constants(past, fixed=fixed)
    said = predict_rotations(past, ahead, constants=constants)
    expected = ahead.join(priming.expected_rotations(ahead, constants=constants))
    scale = priming.measure_scale(expect_again(past, constants=constants))
    shown = (np.isfinite(ahead["rotations_high"]) & (expected["expected_state"] == "primes")).to_numpy()
    used = expected[shown].assign(_expected=np.log(expected.loc[shown, "expected_rotations"]))
    places = [
        scale.standardise(used, np.log(np.maximum(used[name].to_numpy(float), 1e-9))) / scale.wider
        for name in ("rotations_low", "rotations_high")
    ]
    upper = places[0] > 0
    chance = np.where(upper, ndtr(-places[0]) - ndtr(-places[1]), ndtr(places[1]) - ndtr(places[0]))
    low, high = said["low"].to_numpy()[shown], said["high"].to_numpy()[shown]
    inside = np.minimum(high, used["rotations_high"]) - np.maximum(low, used["rotations_low"])
    return pd.DataFrame(
        {
            "lines_empty": used["lines_empty"].astype(bool),
            "cooler_empty": used["cooler_empty"].astype(bool),
            "pressurised": used["tank_overpressure_bar"] > 0,
            "thin": used["_thin"],
            "held": np.clip(inside, 0.0, 1.0),
            "score": np.log(np.maximum(chance, 1e-12)),
            "not_told": float((expected["expected_state"] != "primes").mean()),
        }
    )


WAYS = ("all terms", "knows the world", "squeeze only")


def judge_fleet(seed: int, world: str, number: int, way: str) -> pd.DataFrame:
    """One fleet told in one way: by stratum ``held`` and ``score`` summed, and ``n``; ``not_told``, share of ventings without a number."""
    jobs = draw_fleet(np.random.default_rng([seed, WORLDS.index(world), number]), world)
    fixed = {"all terms": None, "knows the world": KNOWN[world], "squeeze only": NARROW}[way]
    scored = score_fleet(jobs, fixed)
    table = scored.groupby(list(STRATA)).agg(held=("held", "sum"), score=("score", "sum"), n=("held", "size"))
    return table.reset_index().assign(fleet=number, not_told=scored["not_told"].iloc[0])


def tabulate_worlds(*, fleets: int = 20, seed: int = 11, worlds: Sequence[str] = WORLDS) -> pd.DataFrame:
    """One row a world and way of telling: cover over all and in the worst strata with chance errors, and the score against the fit that knows."""
    rows = []
    for world in worlds:
        found = {
            way: pd.concat(
                runner.run_fleets(
                    judge_fleet,
                    [(seed, world, number, way) for number in range(fleets)],
                    what=f"{world}, {way}",
                )
            )
            for way in WAYS
        }

        def per_fleet(table: pd.DataFrame) -> pd.Series:
            sums = table.groupby("fleet")[["score", "n"]].sum()
            return sums["score"] / sums["n"]

        for way, table in found.items():
            by = table.groupby([*STRATA, "fleet"])[["held", "n"]].sum().reset_index()
            strata = by.groupby(list(STRATA))[["held", "n"]].sum()
            cover = strata["held"] / strata["n"]
            # fleets are the units: jobs of one fleet share their fit
            error = by.groupby(list(STRATA))[["held", "n"]].apply(_ratio_error)
            names = [
                "+".join(n for n, yes in zip(STRATA, at, strict=True) if yes) or "none" for at in cover.index
            ]
            worst, best = int(cover.argmin()), int(cover.argmax())
            lag = per_fleet(found["knows the world"]) - per_fleet(table)
            rows.append({
                "world": world, "way": way, "held": strata["held"].sum() / strata["n"].sum(), "lowest": cover.iloc[worst],
                "lowest_error": error.iloc[worst], "lowest_stratum": names[worst], "highest": cover.iloc[best],
                "highest_error": error.iloc[best], "highest_stratum": names[best],
                "outside": int(((cover < 0.85) | (cover > 0.95)).sum()),
                "outside_beyond_chance": int(((cover + 2 * error < 0.85) | (cover - 2 * error > 0.95)).sum()),
                "smallest_stratum": int(strata["n"].min()), "nats_behind": lag.mean(),
                "nats_error": lag.std(ddof=1) / np.sqrt(len(lag)) if len(lag) > 1 else np.nan,
                "not_told": table.groupby("fleet")["not_told"].first().mean(), "fleets": fleets,
            })  # fmt: skip
            print(
                {k: (round(float(v), 4) if isinstance(v, float) else v) for k, v in rows[-1].items()},
                flush=True,
            )
    return pd.DataFrame(rows)


def _ratio_error(part: pd.DataFrame) -> float:
    """Chance error of a cover from the fleets' own."""
    held, n = part["held"].to_numpy(float), part["n"].to_numpy(float)
    off = held - n * held.sum() / n.sum()
    return float(np.sqrt((off**2).sum() * len(n) / max(len(n) - 1, 1)) / n.sum())


SIZES = (10, 15, 22, 33, 50, 75, 110)
RECORDS = {
    "no times": ["pressurised_before_turning_s", "pump_wetted", "gallery_drained"],
    "as now": ["pump_wetted", "gallery_drained"],
    "both columns": [],
}
"""What is left off the record."""
ENOUGH = float(np.log(20.0))
SHARE_TOLD = 0.8


def tell_fleet(seed: int, number: int, record: str) -> list[float]:
    """By how much the fit with let-through beats that without (log posterior) at each of SIZES: half of the pumps pass .3 displacements a second
    and bar, half of the unsealed hold oil, and three in ten galleries weren't drained."""
    rng = np.random.default_rng([seed, 99, number])
    jobs = draw_fleet(rng, "half sealed", ventings=SIZES[-1], through=0.3, wetted=0.5, full=0.3)
    jobs = jobs.drop(columns=RECORDS[record])
    found = []
    for size in SIZES:
        some = jobs.iloc[:size]
        free, without = (priming.fit_constants(some, fixed=fixed) for fixed in (None, {"unsealed": 0.0}))
        found.append(free.log_likelihood - without.log_likelihood)
    return found


def tabulate_records(*, fleets: int = 20, seed: int = 11) -> pd.DataFrame:
    """For each way of keeping records the share of fleets in which let-through is told, by size, and the ventings that 80 % take."""
    rows = []
    for record in RECORDS:
        gains = np.array(
            runner.run_fleets(tell_fleet, [(seed, number, record) for number in range(fleets)], what=record)
        )
        share = np.maximum.accumulate((gains > ENOUGH).mean(axis=0))
        reached = share >= SHARE_TOLD
        needed = np.nan
        if reached.any():
            k = int(np.argmax(reached))
            needed = (
                SIZES[0]
                if k == 0
                else float(np.interp(SHARE_TOLD, share[k - 1 : k + 1], SIZES[k - 1 : k + 1]))
            )
        rows.append(
            {"record": record, "ventings": needed, "fleets": fleets}
            | {f"told_{n}": s for n, s in zip(SIZES, share, strict=True)}
        )
        print(rows[-1], flush=True)
    return pd.DataFrame(rows)


def write_tables(worlds: pd.DataFrame, records: pd.DataFrame) -> None:
    """The tables as CSV and in words."""
    worlds.round(4).to_csv(TABLES / "priming_worlds.csv", index=False)
    records.round(3).to_csv(TABLES / "priming_records.csv", index=False)
    lines = [
        "# Rotations told in five worlds", "",
        f"{worlds['fleets'].iloc[0]} fleets a world, 600 ventings told from 600 before. 90 % ranges, in 16 strata (lines x cooler x pressurised x thin oil); "
        "errors are one standard error over fleets. Nats: mean log score a venting behind the fit that knows the world.", "",
        "| world | told with | held, all | lowest stratum | highest stratum | strata outside 85 to 95 (beyond two errors) | nats behind | no number |",
        "|---|---|---|---|---|---|---|---|",
    ]  # fmt: skip
    lines += [
        f"| {r['world']} | {r['way']} | {100 * r['held']:.1f} % | {100 * r['lowest']:.1f} +- {100 * r['lowest_error']:.1f} % ({r['lowest_stratum']}) "
        f"| {100 * r['highest']:.1f} +- {100 * r['highest_error']:.1f} % ({r['highest_stratum']}) | {r['outside']} ({r['outside_beyond_chance']}) "
        f"| {r['nats_behind']:.4f} +- {r['nats_error']:.4f} | {100 * r['not_told']:.1f} % |"
        for r in worlds.to_dict("records")
    ]
    lines += [
        "", "# Ventings until let-through is told", "",
        f"{records['fleets'].iloc[0]} fleets with half of their pumps sealed, the others passing .3 displacements a second and bar: ventings at which the fit with let-through is "
        f"20 times as likely as without in {100 * SHARE_TOLD:.0f} % of fleets.", "",
        "| on record | ventings |", "|---|---|",
    ]  # fmt: skip
    lines += [
        f"| {r['record']} | {r['ventings']:.0f} |"
        if np.isfinite(r["ventings"])
        else f"| {r['record']} | more than {SIZES[-1]} |"
        for r in records.to_dict("records")
    ]
    (TABLES / "priming_worlds.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


def main() -> None:
    """Writes the tables."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--fleets", type=int, default=20)
    parser.add_argument("--seed", type=int, default=11)
    asked = parser.parse_args()
    with runner.use(asked):
        worlds = tabulate_worlds(fleets=asked.fleets, seed=asked.seed)
        records = tabulate_records(fleets=asked.fleets, seed=asked.seed)
    TABLES.mkdir(exist_ok=True)
    write_tables(worlds, records)


if __name__ == "__main__":
    main()
