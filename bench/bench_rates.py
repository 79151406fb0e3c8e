"""Speed of the rates: side by side with the general-purpose library, alternated in one run; only ratios carry over.

    python bench/bench_rates.py [--ventings 100000] [--runs 3] [--full]

--full adds the million-venting run of all shares by site and quarter.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from ventbook.statistics import rates


def draw_ventings(ventings: int, seed: int = 0) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    engines = max(2, int(ventings / 1.6))
    engine = rng.integers(0, engines, ventings)
    lifters = np.where(np.arange(engines) % 5 < 3, 8, 12)[engine]
    site = rng.integers(0, 4, ventings)
    empty = rng.random(ventings) < 0.4
    level = -3 + rng.normal(0, 0.8, engines)[engine] + 0.4 * (site == 1) - 0.3 * empty
    failures = rng.binomial(lifters, 1 / (1 + np.exp(-level)))
    return pd.DataFrame(
        {
            "engine_id": pd.Series(engine).map("E{:07d}".format),
            "site": np.array(["Harbour", "Ridge", "Plain", "Lake"])[site],
            "quarter": np.array([f"{2024 + q // 4}Q{q % 4 + 1}" for q in range(8)])[
                rng.integers(0, 8, ventings)
            ],
            "lines_empty": empty,
            "lifters_over_first": failures,
            "lifters_checked": lifters,
            "failed_first": failures > 0,
        }
    )


def take_time(work: Callable[[], object]) -> tuple[float, object]:
    begin = time.perf_counter()
    answer = work()
    return time.perf_counter() - begin, answer


def time_shares(ventings: int, runs: int) -> None:
    """All shares by site and quarter with clustered intervals, from one row a venting."""
    t = draw_ventings(ventings)

    def work() -> object:
        out = []
        for by in ([], ["site"], ["quarter"], ["site", "quarter"]):
            out.append(rates.shares_by(t, by, failures="lifters_over_first", lifters="lifters_checked"))
            out.append(rates.shares_by(t, by, failures="failed_first"))
        return out

    seconds = statistics.median(take_time(work)[0] for _ in range(runs))
    read = statistics.median(
        take_time(lambda: t.groupby(["site", "quarter"], observed=True)["lifters_over_first"].sum())[0]
        for _ in range(runs)
    )
    print(f"shares of lifters and ventings, whole / by site / by quarter / by both, {ventings} ventings: "
          f"{seconds:.2f} s ({seconds / read:.1f} x one pandas group-by sum)")  # fmt: skip


def time_bootstrap(ventings: int) -> None:
    """One interval here against 1,000 resamples of engines."""
    t = draw_ventings(ventings)
    codes, engines = pd.factorize(t["engine_id"])[0], t["engine_id"].nunique()
    xs = np.bincount(codes, t["lifters_over_first"], engines)
    ns = np.bincount(codes, t["lifters_checked"], engines)
    rng = np.random.default_rng(0)

    def bootstrap() -> object:
        share = []
        for _ in range(1000):
            pick = rng.integers(0, engines, engines)
            share.append(xs[pick].sum() / ns[pick].sum())
        return np.quantile(share, [0.025, 0.975])

    ours = statistics.median(take_time(lambda: rates.clustered_interval(xs, ns))[0] for _ in range(5))
    theirs = take_time(bootstrap)[0]
    print(f"one interval, {engines} engines: bootstrap of 1,000 {theirs:.2f} s, ours {ours * 1e3:.1f} ms, "
          f"{theirs / ours:.0f} x")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--ventings", type=int, default=100_000)
    parser.add_argument("--runs", type=int, default=1)
    parser.add_argument("--full", action="store_true")
    call = parser.parse_args()
    time_shares(1_000_000 if call.full else call.ventings, max(call.runs, 3))
    time_bootstrap(call.ventings)


if __name__ == "__main__":
    main()
