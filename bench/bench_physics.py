"""Expected rotations of a million ventings with intervals, against the reading of the plain formula row by row.

    OMP_NUM_THREADS=2 python -m bench.bench_physics

Interleaved, medians. The goal is a million ventings under 3 s. "One by one" puts 64 draws through the formula a venting
at a time (on 2,000 ventings, scaled up): what a straightforward program does. The lifters' split runs on a million
checks, three in ten with two readings.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from ventbook.physics import lifter, oil, priming

ROWS, FEW, RUNS = 1_000_000, 2_000, 5


def draw_ventings(n: int, *, missing: float, seed: int = 1) -> pd.DataFrame:
    """Ventings as records have them; each column misses a share of its values."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        {
            "engine_type": pd.Series(rng.choice(["flat4", "flat4t", "flat6", "other"], n), dtype="str"),
            "pump_displacement_cm3": rng.uniform(5, 12, n),
            "suction_line_length_m": rng.uniform(0.8, 3, n),
            "suction_line_bore_mm": rng.choice([8.0, 10, 12], n),
            "cooler_volume_L": rng.choice([0, 0.25, 0.4], n),
            "filter_volume_L": rng.choice([0.2, 0.3], n),
            "lines_empty": pd.array(rng.random(n) < 0.5, dtype="boolean"),
            "cooler_empty": pd.array(rng.random(n) < 0.3, dtype="boolean"),
            "filter_new": pd.array(rng.random(n) < 0.5, dtype="boolean"),
            "oil_grade": pd.Series(rng.choice(["15W-50", "10W-40", "SAE 50"], n), dtype="str"),
            "oil_temperature_degC": rng.uniform(5, 40, n),
            "ambient_temperature_degC": rng.uniform(0, 30, n),
            "elevation_m": rng.choice([10.0, 400, 900], n),
            "tank_head_m": rng.uniform(-0.5, 0.8, n),
            "tank_overpressure_bar": np.where(rng.random(n) < 0.5, 0, rng.uniform(0.2, 1, n)),
            "turned_by": pd.Series(rng.choice(["hand", "starter"], n, p=[0.95, 0.05]), dtype="str"),
            "turning_speed_rpm": rng.uniform(15, 50, n),
            "rotations_counted_at": pd.Series(rng.choice(["propeller", "crankshaft"], n), dtype="str"),
        }
    )
    for name in frame.columns[1:] if missing else ():
        frame[name] = frame[name].mask(rng.random(n) < missing)
    return frame


def expect_one_by_one(frame: pd.DataFrame, seed: int = 3) -> float:
    """The same question by a loop over ventings, 64 draws each."""
    rng, total = np.random.default_rng(seed), 0.0
    for row in frame.itertuples():
        z = rng.standard_normal((6, 64))
        terms = priming.rotations_to_prime(
            line_length_m=row.suction_line_length_m,
            line_bore_mm=row.suction_line_bore_mm * np.exp(0.045 * z[0]),
            displacement_cm3=row.pump_displacement_cm3 * np.exp(0.03 * z[1]),
            lines_empty=row.lines_empty,
            cooler_cm3=row.cooler_volume_L * 1e3 * np.exp(0.1 * z[2]),
            cooler_empty=row.cooler_empty,
            tank_overpressure_bar=row.tank_overpressure_bar,
            head_m=row.tank_head_m,
            viscosity_Pa_s=oil.viscosity_of_rows(
                oil.find_grades(row.oil_grade)[0], np.array([row.oil_temperature_degC])
            )[0]
            * np.exp(0.18 * z[3]),
            air_efficiency=np.clip(0.6 + 0.1 * z[4], 0.2, 1.0),
            oil_efficiency=np.clip(0.85 + 0.06 * z[5], 0.2, 1.0),
        )
        total += float(np.sort(terms["rotations"])[60])
    return total


def draw_checks(n: int, seed: int = 2) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    gap = np.round(rng.gamma(2, 0.12, n), 2)
    first = np.where(rng.random(n) < 0.3, np.round(gap * rng.uniform(0.3, 1, n), 2), np.nan)
    return pd.DataFrame(
        {"engine_type": pd.Series(rng.choice(["flat4", "flat6"], n), dtype="str"), "gap_mm": gap,
         "gap_at_once_mm": first, "force_N": rng.choice([60.0, 70, 80], n), "hold_s": 3.0}
    )  # fmt: skip


def main() -> None:
    """Prints seconds and ratios."""
    full, holes = draw_ventings(ROWS, missing=0.0), draw_ventings(ROWS, missing=0.03)
    few, checks = full.iloc[:FEW], draw_checks(ROWS)
    work: dict[str, Callable[[], object]] = {
        "expected rotations, all recorded": lambda: priming.expected_rotations(full),
        "expected rotations, 3 % of each value missing": lambda: priming.expected_rotations(holes),
        "one by one (scaled up)": lambda: expect_one_by_one(few),
        "lifters split by air and leak-down": lambda: lifter.split_gaps(checks),
    }
    seconds: dict[str, list[float]] = {name: [] for name in work}
    cpu: dict[str, list[float]] = {name: [] for name in work}
    for _ in range(RUNS):
        for name, call in work.items():
            began, used = time.perf_counter(), time.process_time()
            call()
            seconds[name].append(time.perf_counter() - began)
            cpu[name].append(time.process_time() - used)
    base = statistics.median(cpu["expected rotations, all recorded"])
    for name, taken in seconds.items():
        scale = ROWS / FEW if "scaled" in name else 1
        wall, median = (scale * statistics.median(x) for x in (taken, cpu[name]))
        print(f"{name:48s} {wall:8.2f} s a million, {median:8.2f} s of processor  {median / base:7.1f} x")


if __name__ == "__main__":
    main()
