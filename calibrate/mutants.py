"""Small wrong changes to the numeric code, one at a time, and whether the tests beside it notice: python -m calibrate mutants.

``mutants.csv`` is the standing list: ``stands`` is text that the module has exactly once, ``becomes`` what is put in its place,
``tests`` what pytest runs, up to the first failure; the test that failed last time goes first and alone. ``seconds`` are of the
processor, until a test failed, with imports. Names run only those rows (a name or its beginning). ``--draw N --seed TEXT`` runs
N drawn from those listed as noticed, as many as ``--within`` seconds hold by the list, and writes nothing. Exit code 1 where a
row listed as noticed isn't, 2 for a row that no longer fits the code: it says which, and the nearest line there is now.
"""

from __future__ import annotations

import argparse
import csv
import difflib
import importlib
import multiprocessing
import os
import random
import re
import resource
import shlex
import signal
import sys
import tempfile
import time
import warnings
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, fields, replace
from importlib.machinery import (
    EXTENSION_SUFFIXES,
    SOURCE_SUFFIXES,
    ExtensionFileLoader,
    FileFinder,
    SourceFileLoader,
)
from pathlib import Path
from types import CodeType

ROOT = Path(__file__).resolve().parent.parent
TABLE = ROOT / "calibrate" / "mutants.csv"
OUTCOMES = ("noticed", "survived", "not run")
UNSEEN = "not looked at yet"
OVER = "over the time limit"
LIMIT_S = 60.0
# of what the tests import, loaded once before the forks
LOADED = (
    *("pandas", "pyarrow.parquet", "scipy.stats", "scipy.optimize", "statsmodels.stats.api", "pint"),
    *("pytest", "hypothesis.strategies"),
)


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
    seconds: str = ""
    why: str = ""


@dataclass(frozen=True)
class Run:
    """What became of one run: outcome, the test that failed first, seconds of the processor."""

    outcome: str
    by: str
    seconds: float


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
        text = path.read_text("utf-8") if path.is_file() else ""
        count = text.count(row.stands)
        if count == 1 and row.stands != row.becomes:
            continue
        line = f"{row.name}: stale, its text stands {count} times in {row.module}: {row.stands!r}"
        first = row.stands.splitlines()[0] if row.stands else ""
        near = difflib.get_close_matches(first, {part.strip() for part in text.splitlines()}, 1, 0.4)
        told.append(line + (f"; nearest there: {near[0]!r}" if near and count == 0 else ""))
    return told


def compile_library() -> dict[str, CodeType]:
    """Every module of the library compiled once, by the path it is loaded from."""
    paths = sorted((ROOT / "lib" / "ventbook").rglob("*.py"))
    return {str(path): compile(path.read_bytes(), str(path), "exec", dont_inherit=True) for path in paths}


def _run_pytest(
    codes: dict[str, CodeType], mutant: Mutant | None, tests: str, limit: float, at: Path
) -> None:
    """In a process of its own: the library as compiled, with one change where there is one, and pytest on it."""
    resource.setrlimit(resource.RLIMIT_CPU, (int(limit), int(limit) + 5))
    said = (at / "said.txt").open("w", encoding="utf-8")
    os.dup2(said.fileno(), 1)
    os.dup2(said.fileno(), 2)
    sys.stdout = sys.stderr = said
    os.chdir(ROOT)
    os.environ |= {"PYTHONPATH": str(ROOT / "lib"), "PYTHONDONTWRITEBYTECODE": "1", "CI": "1"}
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"  # the one for notebooks takes longer than most tests
    sys.dont_write_bytecode = True
    changed = ""
    if mutant:
        changed = str(ROOT / "lib" / "ventbook" / mutant.module)
        text = Path(changed).read_text("utf-8").replace(mutant.stands, mutant.becomes)
        codes = codes | {changed: compile(text, changed, "exec", dont_inherit=True)}
    loaded = set()

    class Changed(SourceFileLoader):
        def get_code(self, fullname: str) -> CodeType | None:
            loaded.add(self.path)
            return codes[self.path] if self.path in codes else super().get_code(fullname)

    finder = FileFinder.path_hook((ExtensionFileLoader, EXTENSION_SUFFIXES), (Changed, SOURCE_SUFFIXES))
    sys.path_hooks.insert(0, finder)
    sys.path_importer_cache.clear()
    sys.path.insert(0, str(ROOT / "lib"))
    for name in [n for n in sys.modules if n.split(".")[0] == "ventbook"]:
        del sys.modules[name]
    import pytest

    code = int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "--tb=line", *shlex.split(tests)]))
    sys.stdout.flush()
    below = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = time.process_time() + below.ru_utime + below.ru_stime
    (at / "seconds.txt").write_text(str(spent), encoding="utf-8")
    if changed and changed not in loaded:
        print(f"the tests never import {mutant.module if mutant else ''}", flush=True)
        code = 3
    os._exit(code)


def run_tests(
    codes: dict[str, CodeType], tests: str, mutant: Mutant | None = None, *, limit: float = LIMIT_S
) -> Run:
    """Whether the tests notice; over ``limit`` seconds of the processor, or ten times as long by the clock, they do."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # forked, so that numpy and its kin are loaded once
        asked = (codes, mutant, tests, limit, folder)
        child = multiprocessing.get_context("fork").Process(target=_run_pytest, args=asked)
        with warnings.catch_warnings():
            # of forking beside threads: the child uses none of them
            warnings.simplefilter("ignore", DeprecationWarning)
            child.start()
        child.join(10 * limit)
        if child.exitcode in (None, -signal.SIGXCPU, -signal.SIGKILL):
            child.kill()
            child.join()
            return Run("noticed", OVER, limit)
        said = (folder / "said.txt").read_text("utf-8", errors="replace")
        if child.exitcode not in (0, 1, 2) or not (folder / "seconds.txt").is_file():
            raise RuntimeError(f"pytest could not run {tests}: {said[-500:]}")
        seconds = float((folder / "seconds.txt").read_text("utf-8"))
    if child.exitcode == 0:
        return Run("survived", "", seconds)
    failed = re.search(r"^(?:FAILED|ERROR) (.+?)(?: - |$)", said, re.MULTILINE)
    return Run("noticed", failed[1] if failed else "at import", seconds)


def try_mutant(codes: dict[str, CodeType], row: Mutant) -> Run:
    """The test that noticed last time alone; where that is gone or doesn't, all tests of the row."""
    if "::" in row.by:
        try:
            run = run_tests(codes, shlex.quote(row.by), row)
        except RuntimeError:  # renamed
            run = Run("survived", "", 0.0)
        if run.outcome == "noticed":
            return run
    return run_tests(codes, row.tests, row)


def draw_rows(rows: list[Mutant], number: int, seed: str, within: float) -> list[Mutant]:
    """Some of those listed as noticed, drawn by a text, that together take at most so long by the list's seconds."""
    listed = [r for r in rows if r.outcome == "noticed"]
    drawn: list[Mutant] = []
    for row in random.Random(seed).sample(listed, len(listed)):
        seconds = float(row.seconds or LIMIT_S)
        if seconds <= within and len(drawn) < number:
            drawn.append(row)
            within -= seconds
    return drawn


def try_rows(codes: dict[str, CodeType], rows: list[Mutant], jobs: int) -> tuple[list[Mutant], list[str]]:
    """The rows as they turned out, less those whose tests can't be run; none where a test fails without any change."""

    def try_row(row: Mutant) -> Run:
        try:
            return try_mutant(codes, row)
        except RuntimeError as error:
            return Run("not run", f"{row.name}: {error}", 0.0)

    with ThreadPoolExecutor(jobs) as pool:
        found = list(zip(rows, pool.map(try_row, rows), strict=True))
    unrun = [run.by for _, run in found if run.outcome == "not run"]
    found = [(row, run) for row, run in found if run.outcome != "not run"]
    # what fails under a change counts only where it passes without, and in half the time
    told = {run.by for _, run in found if "::" in run.by}
    checks = [shlex.join(sorted(told))] if told else []
    checks += {row.tests for row, run in found if run.outcome == "noticed" and "::" not in run.by}
    sound = [run_tests(codes, tests, limit=max(1, len(told)) * LIMIT_S / 2) for tests in checks]
    if broken := [f"{run.by} fails as the code stands" for run in sound if run.outcome == "noticed"]:
        return [], unrun + broken
    return [
        replace(
            row,
            outcome=run.outcome,
            by=run.by,
            seconds=f"{run.seconds:.1f}",
            why=(row.why or UNSEEN) if run.outcome == "survived" else "",
        )
        for row, run in found
    ], unrun


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m calibrate mutants")
    parser.add_argument("names", nargs="*", help="rows whose name begins so")
    parser.add_argument("--draw", type=int, help="only so many of those listed as noticed")
    parser.add_argument("--seed", default="", help="any text, such as a commit's hash")
    parser.add_argument("--within", type=float, default=1e9, help="seconds that those drawn may take")
    parser.add_argument(
        "--left", action="store_true", help="only rows not run yet, and survivors not looked at"
    )
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args(arguments)
    rows = read_mutants()
    chosen = [
        r for r in rows if not asked.names or any(f"{r.name}.".startswith(f"{n}.") for n in asked.names)
    ]
    chosen = [r for r in chosen if not asked.left or r.outcome == "not run" or r.why == UNSEEN]
    stale = find_stale(chosen)
    if asked.draw is not None:
        fitting = [row for row in chosen if not find_stale([row])]
        chosen, stale = draw_rows(fitting, asked.draw, asked.seed, asked.within), []
    if stale:
        print("\n".join(stale), file=sys.stderr)
        return 2
    for module in LOADED:
        importlib.import_module(module)
    kept = {row.name: row for row in rows}
    lost: list[str] = []
    broken: list[str] = []
    codes = compile_library()
    # drawn rows are tried together, others by the tests they share, and each set is written at once
    sets = [chosen] if asked.draw is not None else _group_by_tests(chosen)
    for part in sets:
        turned, failing = try_rows(codes, part, asked.jobs)
        broken += failing
        for test in failing:
            print(f"rows are left as they were: {test}", flush=True)
        for row in turned:
            print(f"{row.name:<34} {row.outcome:<9} {row.seconds:>6} s  {row.by}", flush=True)
            if kept[row.name].outcome == "noticed" and row.outcome == "survived":
                lost.append(row.name)
            kept[row.name] = row
        if asked.draw is None:
            write_mutants(list(kept.values()))
    counts = [sum(r.outcome == o for r in kept.values()) for o in OUTCOMES]
    print(f"{counts[0]} noticed, {counts[1]} survived, {counts[2]} not run of {len(rows)}")
    for name in lost:
        print(f"{name} was noticed before and isn't now", file=sys.stderr)
    return 1 if lost or broken else 0


def _group_by_tests(rows: list[Mutant]) -> list[list[Mutant]]:
    return [[r for r in rows if r.tests == tests] for tests in dict.fromkeys(r.tests for r in rows)]
