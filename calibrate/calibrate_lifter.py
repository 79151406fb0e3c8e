"""Are air and leak-down told apart as surely as the probabilities say? Simulated lifters with known truth.

    python -m calibrate.calibrate_lifter [--lifters 24000] [--seed 7]

writes calibrate/tables/lifter.csv, lifter_reliability.csv, lifter_readings.csv and lifter.md. A lifter: 0 to 120 mm3 of trapped air and
growth of 0 to 250 um/s, both evenly; read without force and at .5 and 3 s with gauge noise .02 mm, times exact or by hand (u .2 and
.3 s, the first no earlier than .1 s). The truth is air or leak_down where that part is over 80 % of the gap, else
both. The second part draws force, spring, plunger, rocker ratio, slack and polytropic index as well and asks how
often the 90 % intervals of trapped air and growth hold the truth. The third asks what changes when the lifters are
not as the model takes them beforehand: leaks three times as fast, or air alone.

The fourth part lets the force rise by hand, from 35 to 70 N at once (or always 40 N) to 70 N at the end, reached at a moment
anywhere between the two readings; a hand's force at once is its written one within 5 %. Air and leak-down are told apart with and
without that force on record, and with a late reading (10 to 30 s, u .5 s), a reading after release (any part of the leak flown back) or both.
Its shares are of all gaps over the limit; air_as_both of those that are air.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from calibrate import runner
from ventbook.physics import lifter

TABLES = Path(__file__).parent / "tables"
LIMIT_MM, HAND = 0.5, (0.2, 0.3)
SHARES = ("right", "wrong", "unclear")


def simulate(
    n: int,
    rng: np.random.Generator,
    *,
    by_hand: bool,
    spread: bool = False,
    air_mm3: float = 120.0,
    growth: float = 250.0,
    at_once_N: tuple[float, float] | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Checks as records, and their truth (air, growth, cause); ``at_once_N``: range of the force at the first reading."""
    air, fast = rng.uniform(0, air_mm3, n), rng.uniform(0, growth, n)

    def around(value: float, u: float) -> np.ndarray:
        return value + spread * u * rng.standard_normal(n)

    force, spring, diameter, ratio = around(70, 7), around(20, 2), around(12, 0.06), around(1.4, 0.028)
    index = rng.uniform(1, 1.25, n) if spread else np.full(n, 1.125)
    travel = lifter.air_travel_mm(
        air, force, spring_force_N=spring, spring_rate_N_per_mm=1.5, diameter_mm=diameter, index=index
    )
    slack = around(0.03, 0.02) if spread else np.full(n, 0.06)
    no_force = np.maximum(slack + 0.02 * rng.standard_normal(n), 0.0)
    first, last = np.full(n, 0.5), np.full(n, 3.0)
    if by_hand:
        first = 0.5 + HAND[0] * stats.truncnorm.rvs((0.1 - 0.5) / HAND[0], np.inf, size=n, random_state=rng)
        last = 3.0 + HAND[1] * rng.standard_normal(n)
    written = np.full(n, 70.0) if at_once_N is None else rng.uniform(*at_once_N, n)
    steady = spread or at_once_N is not None
    pressed = written / 70.0 * (1.0 + FIRM * steady * rng.standard_normal(n))
    squeezed, rate = lifter.scale_first_press(
        pressed,
        travel,
        force,
        spring_force_N=spring,
        spring_rate_N_per_mm=1.5,
        diameter_mm=diameter,
        index=index,
    )
    before, until = lifter.growth_times(rate, first, last, rise=1.0 - rng.uniform(0, 1, n) / 2.0)
    late, late_read = rng.uniform(10, 30, n), 0.5 * rng.standard_normal(n)
    read = [
        lifter.gap_mm(x, fast, t, rocker_ratio=ratio, slack_mm=slack, plunger_travel_mm=2.0)
        + 0.02 * rng.standard_normal(n)
        for x, t in ((squeezed * travel, before), (travel, until), (travel, until + late + late_read - last))
    ]
    moved = np.clip(travel + fast * 1e-3 * until, 1e-9, 2.0)
    left = ratio * (moved - np.minimum(travel, moved)) * rng.uniform(0, 1, n) + slack
    read.append(left + 0.02 * rng.standard_normal(n))
    share = 1.0 - np.minimum(travel, moved) / moved  # of the gap, which the plunger's travel of 2 mm caps
    cause = np.select([share < 0.2, share > 0.8], ["air", "leak_down"], "both")
    frame = pd.DataFrame(
        {"engine_type": "flat4", "gap_at_once_mm": np.maximum(read[0], 0), "gap_at_once_time_s": 0.5,
         "gap_at_once_force_N": written, "late_gap_mm": np.maximum(read[2], 0), "late_gap_time_s": late,
         "gap_released_mm": np.maximum(read[3], 0),
         "gap_mm": np.maximum(read[1], 0), "hold_s": 3.0, "force_N": 70.0, "gap_no_force_mm": np.nan if spread else no_force,
         "rocker_ratio": 1.4, "plunger_diameter_mm": 12.0, "plunger_spring_force_N": 20.0,
         "plunger_spring_rate_N_per_mm": 1.5, "plunger_travel_mm": 2.0}
    )  # fmt: skip
    return frame, pd.DataFrame({"air": air, "growth": fast, "cause": cause})


FIRM = 0.05  # relative, of a hand's force at the first reading
LATE, RELEASED = ("late_gap_mm", "late_gap_time_s"), ("gap_released_mm",)
FORCES = {"constant": (70.0, 70.0), "35 to 70 N at once": (35.0, 70.0), "40 N at once": (40.0, 40.0)}
READ = {"two": (*LATE, *RELEASED), "and late": RELEASED, "and after release": LATE, "and both": ()}


def judge_readings(n: int, rng: np.random.Generator) -> pd.DataFrame:
    """Shares wrong, right and unclear by force at once, whether it is on record, and what else was read."""
    rows = []
    for force, at_once in FORCES.items():
        frame, truth = simulate(n, rng, by_hand=True, at_once_N=at_once)
        for recorded in (True, False):
            for read, left_out in READ.items():
                gone = [*left_out, *([] if recorded else ["gap_at_once_force_N"])]
                summary, _ = judge_causes(frame.drop(columns=gone), truth, by_hand=True)
                error = {
                    f"{name}_error": np.sqrt(summary[name] * (1 - summary[name]) / summary["n"])
                    for name in SHARES
                }
                rows.append(
                    {"force": force, "on_record": "yes" if recorded else "no", "read": read} | summary | error
                )
                print(rows[-1])
    return pd.DataFrame(rows)


def judge_causes(
    frame: pd.DataFrame, truth: pd.DataFrame, *, by_hand: bool
) -> tuple[dict[str, float], pd.DataFrame]:
    """Shares wrong, right and unclear among readings over the limit; reliability by bin of probability."""
    over = (frame["gap_mm"] > LIMIT_MM).to_numpy()
    found = lifter.split_gaps(frame[over], timing_u_s=HAND if by_hand else (0.0, 0.0))
    named, true = found["cause"].to_numpy(), truth.loc[over, "cause"].to_numpy()
    unclear, right = named == "unclear", named == true
    rows = []
    for cause in ("air", "leak_down", "both"):
        said = found[f"{cause}_probability"].to_numpy()
        for low in np.arange(0.0, 1.0, 0.1):
            inside = (said >= low) & (said < low + 0.1 + 1e-9 * (low > 0.85))
            if inside.sum() >= 50:
                rows.append(
                    {"cause": cause, "low": round(low, 1), "said": said[inside].mean(), "true": (true[inside] == cause).mean(),
                     "n": int(inside.sum())}
                )  # fmt: skip
    summary = {
        "n": int(over.sum()),
        "right": right.mean(),
        "wrong": (~right & ~unclear).mean(),
        "unclear": unclear.mean(),
        "air_as_both": np.mean(named[true == "air"] == "both") if np.any(true == "air") else np.nan,
    }
    return summary, pd.DataFrame(rows)


def judge_intervals(frame: pd.DataFrame, truth: pd.DataFrame, *, by_hand: bool) -> dict[str, float]:
    """Share of 90 % intervals that hold the truth, among checks with two usable readings."""
    found = lifter.split_gaps(frame, timing_u_s=HAND if by_hand else (0.0, 0.0))
    two = (found["split_state"] == "two_readings").to_numpy()
    held = {}
    for name, low, high in (
        ("air", "trapped_air_low_mm3", "trapped_air_high_mm3"),
        ("growth", "growth_low_um_per_s", "growth_high_um_per_s"),
    ):
        inside = (found[low] <= truth[name]) & (truth[name] <= found[high])
        held[name] = float(inside[two].mean())
    return held | {"n": int(two.sum())}


def main() -> None:
    """Writes the tables."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--lifters", type=int, default=24_000)
    parser.add_argument("--seed", type=int, default=7)
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    rows, bins = [], []
    for case, changes in {
        "as taken beforehand": {},
        "leaks three times as fast": {"growth": 750.0},
        "air alone": {"growth": 1.0},
        "leak-down alone": {"air_mm3": 1.0},
    }.items():
        for by_hand in (False, True):
            frame, truth = simulate(asked.lifters, rng, by_hand=by_hand, **changes)
            frame = frame.drop(columns=[*LATE, *RELEASED])
            summary, reliability = judge_causes(frame, truth, by_hand=by_hand)
            times = "by hand" if by_hand else "exact"
            rows.append({"lifters": case, "times": times} | summary)
            if not changes:
                bins.append(reliability.assign(times=times))
            print(rows[-1])
    held = []
    for by_hand in (False, True):
        frame, truth = simulate(asked.lifters // 3, rng, by_hand=by_hand, spread=True)
        frame = frame.drop(columns=[*LATE, *RELEASED])
        held.append(
            {"times": "by hand" if by_hand else "exact"} | judge_intervals(frame, truth, by_hand=by_hand)
        )
        print(held[-1])
    readings = judge_readings(asked.lifters // 3, np.random.default_rng([asked.seed, 1]))
    readings.round(4).to_csv(TABLES / "lifter_readings.csv", index=False)
    causes, reliability = pd.DataFrame(rows), pd.concat(bins, ignore_index=True)
    TABLES.mkdir(exist_ok=True)
    causes.round(4).to_csv(TABLES / "lifter.csv", index=False)
    reliability.round(4).to_csv(TABLES / "lifter_reliability.csv", index=False)
    (TABLES / "lifter.md").write_text(
        _write_words(causes, reliability, pd.DataFrame(held), readings), encoding="utf-8"
    )


def _write_words(
    causes: pd.DataFrame, reliability: pd.DataFrame, held: pd.DataFrame, readings: pd.DataFrame
) -> str:
    lines = [
        "# Causes of gaps over the limit, on simulated lifters",
        "",
        "| lifters | times | n | right | wrong | unclear |",
        "|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {r['lifters']} | {r['times']} | {r['n']} | {r['right']:.1%} | {r['wrong']:.2%} | {r['unclear']:.1%} |"
        for _, r in causes.iterrows()
    ]
    worst = reliability.assign(off=(reliability["true"] - reliability["said"]).abs())
    worst = worst.loc[worst["n"] >= 400].groupby("times")["off"].max()
    lines += ["", "Largest distance of a probability from what came true, in bins of .1 with at least 400 lifters: "
              + ", ".join(f"{t} times {v:.3f}" for t, v in worst.items()) + ".", ""]  # fmt: skip
    lines += [
        "90 % intervals that hold the truth:",
        "",
        "| times | n | trapped air | growth |",
        "|---|---|---|---|",
    ]
    lines += [f"| {r['times']} | {r['n']} | {r['air']:.1%} | {r['growth']:.1%} |" for _, r in held.iterrows()]
    lines += [
        "",
        "Force at once, on record or not, and what else was read (timed by hand; chance error of wrong up to "
        f"{readings['wrong_error'].max():.2%}, of unclear up to {readings['unclear_error'].max():.2%}):",
        "",
        "| force | on record | read | n | right | wrong | unclear | air called both |",
        "|---|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {r['force']} | {r['on_record']} | {r['read']} | {r['n']} | {r['right']:.1%} | {r['wrong']:.2%} | {r['unclear']:.1%} | "
        f"{r['air_as_both']:.1%} |"
        for _, r in readings.iterrows()
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
