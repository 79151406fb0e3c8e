"""What it costs that a store is held against its hashes: reading all records with the checks and without.

    python -m bench.bench_store [--store data/demo/store]

Each way in processes of its own (a process hashes a file once), interleaved, best of seven: opening the newest snapshot, all
record tables, and naming the files of the traces. Prints processor seconds, and the bytes that were hashed.
"""

from __future__ import annotations

import argparse
import subprocess
import sys

RUN = """
import sys, time
from ventbook.records.store import open_store, proof
import deltalake, pandas, pyarrow.parquet
if sys.argv[2] == "without":
    proof.find_fault = lambda *a, **k: ""
begin = time.process_time()
snapshot = open_store(sys.argv[1]).snapshot()
snapshot.records()
files = snapshot.files("samples")
spent = time.process_time() - begin
print(spent, sum(size for _, size, _, _ in proof._READ))
"""


def main() -> None:
    """Times reading with and without the checks."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--store", default="data/demo/store")
    asked = parser.parse_args()
    best: dict[str, float] = {}
    hashed = 0
    for _ in range(7):
        for way in ("with", "without"):
            done = subprocess.run(
                [sys.executable, "-c", RUN, asked.store, way], capture_output=True, text=True, check=True
            )
            spent, size = done.stdout.split()
            best[way] = min(float(spent), best.get(way, 1e9))
            hashed = max(hashed, int(size))
    print(f"with {best['with']:.3f} s, without {best['without']:.3f} s; {hashed / 1e6:.1f} MB hashed")
    print(f"the checks cost {best['with'] - best['without']:.3f} s")


if __name__ == "__main__":
    main()
