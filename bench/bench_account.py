"""The account of every failure on a large fleet: seconds and memory with and without intervals.

    python -m bench.bench_account [--ventings 100000]

The fleet is that of calibrate/calibrate_account.py (an empty cooler with odds ratio 4 in it), drawn at this
size: 24 recorded circumstances, 8 quarters, 4 sites, 8 or 12 lifters a venting, 22 % of them failing. Prints processor seconds and
the highest memory of the process.
"""

from __future__ import annotations

import argparse
import resource
import time

from calibrate.calibrate_account import draw_workshop

from ventbook.statistics import causes


def main() -> None:
    """Times the account with its intervals, and without."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--ventings", type=int, default=100_000)
    asked = parser.parse_args()
    drawn = draw_workshop(0, ventings=asked.ventings, rate=0.02)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(
        f"{asked.ventings} ventings, {len(drawn.lifters)} lifters; {before:.2f} GB with the tables drawn",
        flush=True,
    )
    for draws in (0, causes.DRAWS):
        start = time.process_time()
        account = causes.explain_failures(drawn.ventings, drawn.lifters, draws=draws)
        seconds = time.process_time() - start
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        named = account.terms.loc[account.terms["standing"] == "named", "name"].tolist()
        print(
            f"{draws} draws: {seconds:.1f} s, {memory:.2f} GB at most; failing {account.failing}; named {named}",
            flush=True,
        )


if __name__ == "__main__":
    main()
