"""Is every row that is handed in accounted for? The law of intake over many more deliveries than the tests try.

    python -m calibrate.calibrate_intake [--examples 10000] [--seed 1]

Strategy and law are those of ``tests/intake_law.py``; an example that breaks the law is shrunk and printed, and the exit
code is 1. Writes calibrate/tables/intake.md. About half a second of processor time an example.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from calibrate import runner

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from intake_law import deliveries, hold_law, make_stock  # noqa: E402


def main() -> None:
    """Runs the law and writes what was tried."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--examples", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    tried = {"examples": 0, "deliveries": 0, "files": 0, "files of a header only": 0, "rows": 0}
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="ventbook-law-") as made:
        stock = make_stock(Path(made))

        @seed(asked.seed)
        @settings(
            max_examples=asked.examples,
            deadline=None,
            database=None,
            print_blob=True,
            suppress_health_check=list(HealthCheck),
        )
        @given(given=deliveries(), stocked=st.booleans(), dry_last=st.booleans())
        def law(given: list, stocked: bool, dry_last: bool) -> None:
            files = [rows for delivery in given for _, rows in delivery.values()]
            for name, n in (("examples", 1), ("deliveries", len(given)), ("files", len(files))):
                tried[name] += n
            tried["files of a header only"] += sum(not rows for rows in files)
            tried["rows"] += sum(map(len, files))
            with tempfile.TemporaryDirectory(dir=made) as folder:
                hold_law(Path(folder), given, stock=stock if stocked else None, dry_last=dry_last)
            if tried["examples"] % 500 == 0:
                print(f"{tried['examples']:,} examples, {time.monotonic() - begun:.0f} s", flush=True)

        law()
    lines = [
        "# Every row handed in is accounted for",
        "",
        f"Seed {asked.seed}; no example broke the law.",
        "",
        "| tried | number |",
        "|---|---|",
        *(f"| {name} | {n:,} |" for name, n in tried.items()),
    ]
    target = Path(__file__).parent / "tables" / "intake.md"
    target.write_text("\n".join(lines) + "\n", "utf-8")
    print(target.read_text("utf-8"))


if __name__ == "__main__":
    main()
