"""Runs every bench_*.py of this folder in a process of its own, or only those named: python -m bench traces.

Options after the names go to each of them: python -m bench growth --workers 2.
"""

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path


def run_all(folder: Path, names: list[str], options: Sequence[str] = ()) -> int:
    """Runs FOLDER/FOLDER_*.py with ``options``, each in a process of its own; exit code 0 when all ran, 2 for an unknown name."""
    kind = folder.name
    found = sorted(path.stem.removeprefix(f"{kind}_") for path in folder.glob(f"{kind}_*.py"))
    unknown = sorted(set(names) - set(found))
    if unknown:
        print(f"nothing named {', '.join(unknown)}; there are {', '.join(found)}", file=sys.stderr)
        return 2
    failed = 0
    for name in names or found:
        print(f"\n== {name}", flush=True)
        done = subprocess.run([sys.executable, "-m", f"{kind}.{kind}_{name}", *options], check=False)
        failed += done.returncode != 0
    return 1 if failed else 0


if __name__ == "__main__":
    given = sys.argv[1:]
    names = next((number for number, word in enumerate(given) if word.startswith("-")), len(given))
    sys.exit(run_all(Path(__file__).resolve().parent, given[:names], given[names:]))
