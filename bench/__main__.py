"""Runs every bench_*.py of this folder in a process of its own, or only those named: python -m bench traces."""

import subprocess
import sys
from pathlib import Path


def main(names: list[str]) -> int:
    """Exit code: 0 when all ran."""
    here = Path(__file__).parent
    found = sorted(path.stem.removeprefix("bench_") for path in here.glob("bench_*.py"))
    unknown = sorted(set(names) - set(found))
    if unknown:
        print(f"no bench named {', '.join(unknown)}; there are {', '.join(found)}", file=sys.stderr)
        return 2
    failed = 0
    for name in names or found:
        print(f"\n== {name}", flush=True)
        failed += subprocess.run([sys.executable, "-m", f"bench.bench_{name}"], check=False).returncode != 0
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
