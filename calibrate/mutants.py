"""Small wrong changes to the numeric code, one at a time, and whether the tests beside it notice: python -m calibrate mutants.

``mutants.csv`` is the standing list: ``stands`` is text that the module has exactly once, ``becomes`` what is put in its place,
``tests`` what pytest runs. Names run only those rows (a name or its beginning); ``--draw N --seed TEXT`` runs N drawn from those
listed as noticed and writes nothing. Exit code 1 where a row listed as noticed isn't, 2 for a row that no longer fits the code.
"""

from __future__ import annotations

import argparse
import csv
import importlib
import multiprocessing
import os
import random
import re
import shlex
import shutil
import sys
import tempfile
import warnings
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
TABLE = ROOT / "calibrate" / "mutants.csv"
OUTCOMES = ("noticed", "survived", "not run")
UNSEEN = "not looked at yet"


@dataclass(frozen=True)
class Mutant:
    """A row of the list. ``by``: the test that failed; ``why``: of a survivor, why no test can or need notice."""

    name: str
    module: str
    stands: str
    becomes: str
    tests: str
    outcome: str = "not run"
    by: str = ""
    why: str = ""


def read_mutants(table: Path = TABLE) -> list[Mutant]:
    """The list, checked for its shape."""
    with table.open(encoding="utf-8", newline="") as lines:
        rows = [Mutant(**row) for row in csv.DictReader(lines)]
    for row in rows:
        if row.outcome not in OUTCOMES or (row.outcome == "survived") != bool(row.why):
            raise ValueError(
                f"{row.name}: outcome is one of {', '.join(OUTCOMES)}; a survivor alone says why"
            )
    if len({row.name for row in rows}) < len(rows):
        raise ValueError("two rows have the same name")
    return rows


def write_mutants(rows: list[Mutant], table: Path = TABLE) -> None:
    with table.open("w", encoding="utf-8", newline="") as lines:
        writer = csv.DictWriter(lines, [f.name for f in fields(Mutant)], lineterminator="\n")
        writer.writeheader()
        writer.writerows(asdict(row) for row in rows)


def find_stale(rows: list[Mutant], root: Path = ROOT) -> list[str]:
    """One line for each row whose text doesn't stand exactly once in its module, or that changes nothing."""
    told = []
    for row in rows:
        path = root / "lib" / "ventbook" / row.module
        count = path.read_text("utf-8").count(row.stands) if path.is_file() else 0
        if count != 1 or row.stands == row.becomes:
            told.append(f"{row.name}: stale, its text stands {count} times in {row.module}: {row.stands!r}")
    return told


def copy_library(folder: Path, mutant: Mutant | None) -> None:
    """lib/ventbook and the tables of data/ into a folder, with one change where there is one."""
    shutil.copytree(ROOT / "lib" / "ventbook", folder / "lib" / "ventbook")
    shutil.copytree(
        ROOT / "data", folder / "data", ignore=lambda at, names: [n for n in names if n == "demo"]
    )
    shutil.copy2(ROOT / "pyproject.toml", folder)
    if mutant:
        path = folder / "lib" / "ventbook" / mutant.module
        path.write_text(path.read_text("utf-8").replace(mutant.stands, mutant.becomes), encoding="utf-8")


def _run_pytest(folder: Path, tests: str) -> None:
    """In a process of its own: pytest with the copy in front of everything; 3 where something else was imported."""
    said = (folder / "said.txt").open("w", encoding="utf-8")
    os.dup2(said.fileno(), 1)
    os.dup2(said.fileno(), 2)
    sys.stdout = sys.stderr = said
    os.chdir(ROOT)
    os.environ |= {"PYTHONPATH": str(folder / "lib"), "PYTHONDONTWRITEBYTECODE": "1", "CI": "1"}
    sys.dont_write_bytecode = True
    sys.path.insert(0, str(folder / "lib"))
    for name in [n for n in sys.modules if n.split(".")[0] == "ventbook"]:
        del sys.modules[name]
    import pytest

    code = int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "--tb=line", *shlex.split(tests)]))
    loaded = getattr(sys.modules.get("ventbook"), "__file__", None)
    sys.stdout.flush()
    os._exit(code if loaded is None or Path(loaded).is_relative_to(folder) else 3)


def run_tests(tests: str, mutant: Mutant | None = None, *, limit: float = 300) -> tuple[str, str]:
    """Outcome ("noticed" or "survived") and the test that failed first; over ``limit`` seconds counts as noticed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name).resolve()
        copy_library(folder, mutant)
        # forked, so that numpy and its kin are loaded once
        child = multiprocessing.get_context("fork").Process(target=_run_pytest, args=(folder, tests))
        with warnings.catch_warnings():
            # of forking beside threads: the child uses none of them
            warnings.simplefilter("ignore", DeprecationWarning)
            child.start()
        child.join(limit)
        if child.exitcode is None:
            child.kill()
            child.join()
            return "noticed", "over the time limit"
        said = (folder / "said.txt").read_text("utf-8", errors="replace")
    if child.exitcode == 0:
        return "survived", ""
    if child.exitcode not in (1, 2):
        raise RuntimeError(f"pytest could not run {tests}: {said[-500:]}")
    failed = re.search(r"^(?:FAILED|ERROR) (.+?)(?: - |$)", said, re.MULTILINE)
    return "noticed", failed[1] if failed else "at import"


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m calibrate mutants")
    parser.add_argument("names", nargs="*", help="rows whose name begins so")
    parser.add_argument("--draw", type=int, help="only so many of those listed as noticed")
    parser.add_argument("--seed", default="", help="any text, such as a commit's hash")
    parser.add_argument(
        "--left", action="store_true", help="only rows not run yet, and survivors not looked at"
    )
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args(arguments)
    rows = read_mutants()
    if stale := find_stale(rows):
        print("\n".join(stale), file=sys.stderr)
        return 2
    chosen = [
        r for r in rows if not asked.names or any(f"{r.name}.".startswith(f"{n}.") for n in asked.names)
    ]
    chosen = [r for r in chosen if not asked.left or r.outcome == "not run" or r.why == UNSEEN]
    if asked.draw is not None:
        listed = [r for r in chosen if r.outcome == "noticed"]
        chosen = random.Random(asked.seed).sample(listed, min(asked.draw, len(listed)))
    for module in ("pandas", "pytest", "scipy.stats", "scipy.optimize", "statsmodels.stats.api", "pint"):
        importlib.import_module(module)  # loaded before the forks
    kept = {row.name: row for row in rows}
    lost, broken = [], set()
    with ThreadPoolExecutor(asked.jobs) as pool:
        for tests in dict.fromkeys(row.tests for row in chosen):
            part = [row for row in chosen if row.tests == tests]
            found = list(pool.map(lambda r: run_tests(r.tests, r), part))
            # a test that fails under a change counts only where it passes without
            told = sorted({by for _, by in found if "::" in by})
            sound, wrong = run_tests(shlex.join(told)) if told else run_tests(tests)
            if sound == "noticed":
                broken.add(tests)
                print(
                    f"fails as the code stands, its rows are left as they were: {wrong or tests}", flush=True
                )
                continue
            for row, (outcome, by) in zip(part, found, strict=True):
                print(f"{row.name:<34} {outcome:<9} {by}", flush=True)
                lost += [row.name] if row.outcome == "noticed" and outcome == "survived" else []
                why = (row.why or UNSEEN) if outcome == "survived" else ""
                kept[row.name] = replace(row, outcome=outcome, by=by, why=why)
            if asked.draw is None:
                write_mutants(list(kept.values()))
    counts = [sum(r.outcome == o for r in kept.values()) for o in OUTCOMES]
    print(f"{counts[0]} noticed, {counts[1]} survived, {counts[2]} not run of {len(rows)}")
    for name in lost:
        print(f"{name} was noticed before and isn't now", file=sys.stderr)
    return 1 if lost or broken else 0
