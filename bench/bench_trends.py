"""Time and memory of the signal rule and of the quarterly review, 1,000 against 100,000 ventings.

    python -m bench.bench_trends [--rounds 3]

The fleet's analysis tables are the demo fleet's, laid side by side as often as it takes (own venting and engine numbers
each time). Building those tables and the procedure's steps are timed elsewhere. Rounds are interleaved; medians of
processor seconds (one thread), so that a busy machine does not blur the ratio.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import sys
import time
from pathlib import Path
from typing import Any

import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

SECTIONS = (
    "answer", "failing_by_period", "against_expectation", "by_site", "by_type_and_reason", "times", "rotations", "lifters", "mix",
    "data_quality", "open_jobs", "earlier_signals", "ventings", "methods", "not_said",
)  # fmt: skip
LIMIT_RATIO, LIMIT_GB = 2.0, 1.5


def lay_side_by_side(frame: pd.DataFrame, times: int) -> pd.DataFrame:
    """The frame ``times`` times, venting and engine numbers made different."""
    parts = []
    for k in range(times):
        part = frame.copy()
        for name in ("venting_id", "engine_id"):
            if name in part.columns:
                part[name] = part[name] + f"/{k}"
        parts.append(part)
    return pd.concat(parts, ignore_index=True).sort_values("date", kind="stable").reset_index(drop=True)


def make_tables(times: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ventings and lifters, ``times`` demo fleets of 1,000."""
    from invented_fleet import fleet_tables, make_page

    page = make_page("quarterly-review", fleet_tables(1000), period="2026Q3")
    return lay_side_by_side(page.all_jobs, times), lay_side_by_side(page.all_lifters, times)


def time_review(jobs: pd.DataFrame, lifters: pd.DataFrame) -> dict[str, float]:
    """Seconds by section for one run of the review on these tables."""
    from invented_fleet import fleet_tables, make_page
    from ventbook.pages import quarterly_review as review

    page: Any = make_page("quarterly-review", fleet_tables(1000), period="2026Q3")
    page.__dict__["all_jobs"], page.__dict__["all_lifters"] = jobs, lifters
    took = {}
    for name in SECTIONS:
        start = time.process_time()
        getattr(review, name)(page)
        took[name] = time.process_time() - start
    return took


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--times", type=int, default=100)
    asked = parser.parse_args(arguments)
    sizes = {1: make_tables(1), asked.times: make_tables(asked.times)}
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    took: dict[int, list[dict[str, float]]] = {times: [] for times in sizes}
    time_review(*sizes[1])  # warm: imports and fonts
    for _ in range(asked.rounds):
        for times, tables in sizes.items():
            took[times].append(time_review(*tables))
    print(f"{'section':22s}" + "".join(f"{len(sizes[t][0]):>12,d}" for t in sizes) + "   ratio")
    for name in (*SECTIONS, "all"):
        seconds = {
            t: statistics.median(sum(r.values()) if name == "all" else r[name] for r in rounds)
            for t, rounds in took.items()
        }
        few, many = seconds.values()
        print(f"{name:22s}{few:12.3f}{many:12.3f}{many / few:8.2f}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"peak memory {peak:.2f} GB, of which making the tables {before:.2f} (limit {LIMIT_GB}); limit of the ratio {LIMIT_RATIO}"
    )


if __name__ == "__main__":
    main()
