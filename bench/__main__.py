"""Runs every bench_*.py of this folder in a process of its own, or only those named: python -m bench traces.

Options after the names go to each of them: python -m bench growth --workers 2. With ``--keep`` as the first of them what each prints
goes into bench/tables/NAME.txt too, which DEVELOPERS.md quotes.
"""

import os
import platform
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from ventbook import __version__


def describe_machine() -> str:
    """What figures were measured with; the load counts what else ran."""
    return (
        f"ventbook {__version__}, Python {platform.python_version()}, {os.cpu_count()} cores, "
        f"load {os.getloadavg()[0]:.1f} when it began"
    )


def run_all(folder: Path, names: list[str], options: Sequence[str] = (), *, keep: bool = False) -> int:
    """Runs FOLDER/FOLDER_*.py with ``options``, each in a process of its own; exit code 0 when all ran, 2 for an unknown name.

    ``keep`` writes what each that ran to its end has printed into FOLDER/tables/NAME.txt, below a line of what it ran with.
    """
    kind = folder.name
    found = sorted(path.stem.removeprefix(f"{kind}_") for path in folder.glob(f"{kind}_*.py"))
    unknown = sorted(set(names) - set(found))
    if unknown:
        print(f"nothing named {', '.join(unknown)}; there are {', '.join(found)}", file=sys.stderr)
        return 2
    failed = 0
    for name in names or found:
        print(f"\n== {name}", flush=True)
        command = [sys.executable, "-m", f"{kind}.{kind}_{name}", *options]
        said = [f"python -m {kind} {' '.join([name, *options])}\n{describe_machine()}\n\n" if keep else ""]
        with subprocess.Popen(command, stdout=subprocess.PIPE if keep else None, text=True) as running:
            for line in running.stdout or ():
                print(line, end="", flush=True)
                said.append(line)
        failed += running.returncode != 0
        if keep and not running.returncode:
            (folder / "tables").mkdir(exist_ok=True)
            (folder / "tables" / f"{name}.txt").write_text("".join(said), "utf-8")
    return 1 if failed else 0


if __name__ == "__main__":
    given = sys.argv[1:]
    names = next((number for number, word in enumerate(given) if word.startswith("-")), len(given))
    options = given[names:]
    keep = options[:1] == ["--keep"]
    sys.exit(run_all(Path(__file__).resolve().parent, given[:names], options[keep:], keep=keep))
