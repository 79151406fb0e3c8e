"""The monitor on a large fleet: seconds from the record tables to the alarms, and of what.

    python -m bench.bench_monitor [--ventings 100000] [--years 6]

Ventings at six sites, eighteen gauges, five engine types, ten new lots a year, twelve lifters a venting. Prints processor
seconds of the table of outcomes, of the streams and of describing what stands; no state is kept between intakes, so an intake
of a hundred ventings costs the same. Compiled loops are warmed up before.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd

from ventbook.reports.alarms import find_alarms
from ventbook.statistics import monitor


def draw_records(ventings: int, years: int, seed: int = 1) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ventings and lifters with the columns that the monitor reads."""
    rng = np.random.default_rng(seed)
    n = ventings
    day = np.sort(rng.integers(0, 365 * years, n))
    began = np.sort(rng.integers(0, 365 * years, 10 * years))
    site = rng.integers(0, 6, n)
    lot = np.maximum(np.searchsorted(began, day, "right") - 1 - rng.integers(0, 12, n), 0)
    failed = rng.random(n) < 0.12
    jobs = pd.DataFrame(
        {
            "venting_id": [f"V{i:07}" for i in range(n)],
            "engine_id": [f"E{e}" for e in rng.integers(0, n // 3, n)],
            "date": pd.Timestamp("2020-01-01") + pd.to_timedelta(day, "D"),
            "lifter_lot": [f"L{k}" for k in lot],
            "site": [f"S{k}" for k in site],
            "engine_type": [f"T{k}" for k in rng.integers(0, 5, n)],
            "procedure_revision": [f"R{k}" for k in day // 730],
            "reason": rng.choice(["new_engine", "overhauled_engine", "lifters_replaced", "oil_change"], n),
            "lines_empty": pd.array(rng.random(n) < 0.4, dtype="boolean"),
            "cooler_empty": pd.array(rng.random(n) < 0.3, dtype="boolean"),
            "filter_new": pd.array(rng.random(n) < 0.5, dtype="boolean"),
            "failed_first": pd.array(failed, dtype="boolean"),
            "open": pd.array(np.zeros(n, bool), dtype="boolean"),
        }
    )
    row = np.repeat(np.arange(n), 12)
    first = np.arange(12 * n) % 12 == 0
    over = first & failed[row]
    gauge = np.char.add("G", (site * 3 + rng.integers(0, 3, n)).astype(str))[row]
    lifters = pd.DataFrame(
        {
            "venting_id": jobs["venting_id"].to_numpy()[row],
            "over_first": pd.array(over, dtype="boolean"),
            "cause": np.where(over & (rng.random(len(row)) < 0.3), "leak_down", ""),
            "gauge": gauge,
        }
    )
    return jobs, lifters


def main() -> None:
    """Times each step."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--ventings", type=int, default=100_000)
    parser.add_argument("--years", type=int, default=6)
    asked = parser.parse_args()
    find_alarms(monitor.monitor_streams(monitor.list_outcomes(*draw_records(300, 1))))
    jobs, lifters = draw_records(asked.ventings, asked.years)
    seconds = {}
    start = time.process_time()
    outcomes = monitor.list_outcomes(jobs, lifters)
    seconds["outcomes"] = time.process_time() - start
    start = time.process_time()
    watched = monitor.monitor_streams(outcomes)
    seconds["streams"] = time.process_time() - start
    start = time.process_time()
    found = find_alarms(watched)
    seconds["alarms"] = time.process_time() - start
    told = ", ".join(f"{name} {value:.2f} s" for name, value in seconds.items())
    print(
        f"{asked.ventings} ventings, {len(lifters)} lifters, {len(watched.streams)} streams: {told}; {len(found)} alarms and notes"
    )


if __name__ == "__main__":
    main()
