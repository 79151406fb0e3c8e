"""Small wrong changes to the numeric code, one at a time, and whether the tests beside it notice: python -m calibrate mutants.

``mutants.csv`` is the standing list: ``stands`` is text that the module has exactly once, ``becomes`` what is put in its place,
``tests`` what pytest runs, up to the first failure; the test that failed last time goes first. Rows that share their tests are
tried in forks of one process that has collected them, by giving the loaded functions their changed bodies; what isn't noticed
so, or is no change of a function's body, is tried again with the changed module imported anew. A module that numba compiles is run
uncompiled, else what is kept of the unchanged one would be taken. ``seconds`` are of the processor, what is shared left out.

Names run only those rows (a name or its beginning). ``--draw N --seed TEXT`` runs N drawn from those listed as noticed, as many
as ``--within`` seconds hold by the list, and writes nothing. Exit code 1 where a row listed as noticed isn't, 2 for a row that no
longer fits the code: it says which, and the nearest line there is now.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import difflib
import importlib
import inspect
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
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, fields, replace
from importlib.machinery import (
    EXTENSION_SUFFIXES,
    SOURCE_SUFFIXES,
    ExtensionFileLoader,
    FileFinder,
    SourceFileLoader,
)
from multiprocessing.process import BaseProcess
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
TABLE = ROOT / "calibrate" / "mutants.csv"
OUTCOMES = ("noticed", "survived", "not run")
UNSEEN = "not looked at yet"
OVER = "over the time limit"
LIMIT_S = 60.0
OPTIONS = ("-x", "-q", "-p", "no:cacheprovider", "--tb=line")
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


def _is_compiled(mutant: Mutant) -> bool:
    return "@njit" in (ROOT / "lib" / "ventbook" / mutant.module).read_text("utf-8")


def _enter(codes: dict[str, CodeType], at: Path, limit: float, *, interpreted: bool) -> set[str]:
    """Makes a forked process one that imports the library as compiled; gives the paths loaded, as they are.

    ``interpreted``: numba compiles nothing.
    """
    resource.setrlimit(resource.RLIMIT_CPU, (int(limit), int(limit) + 5))
    said = (at / "said.txt").open("w", encoding="utf-8")
    os.dup2(said.fileno(), 1)
    os.dup2(said.fileno(), 2)
    sys.stdout = sys.stderr = said
    os.chdir(ROOT)
    os.environ |= {"PYTHONPATH": str(ROOT / "lib"), "PYTHONDONTWRITEBYTECODE": "1", "CI": "1"}
    if interpreted:
        os.environ["NUMBA_DISABLE_JIT"] = "1"
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"  # the one for notebooks takes longer than most tests
    sys.dont_write_bytecode = True
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
    return loaded


def _compile_changed(mutant: Mutant) -> tuple[str, CodeType]:
    path = str(ROOT / "lib" / "ventbook" / mutant.module)
    text = Path(path).read_text("utf-8").replace(mutant.stands, mutant.becomes)
    return path, compile(text, path, "exec", dont_inherit=True)


def _spent() -> float:
    below = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + below.ru_utime + below.ru_stime


def _run_pytest(
    codes: dict[str, CodeType], mutant: Mutant | None, tests: str, limit: float, interpreted: bool, at: Path
) -> None:
    """In a process of its own: pytest on the library with one change where there is one."""
    changed = ""
    if mutant:
        changed, code = _compile_changed(mutant)
        codes = codes | {changed: code}
    loaded = _enter(codes, at, limit, interpreted=interpreted)
    import pytest

    ended = int(pytest.main([*OPTIONS, *shlex.split(tests)]))
    sys.stdout.flush()
    (at / "seconds.txt").write_text(str(_spent()), encoding="utf-8")
    if changed and changed not in loaded:
        print(f"the tests never import {mutant.module if mutant else ''}", flush=True)
        ended = 3
    os._exit(ended)


def find_changed(old: CodeType, new: CodeType) -> list[tuple[CodeType, CodeType]] | None:
    """Functions of a module (or class) whose body is another one in ``new``; None where more than bodies changed."""
    told = []
    if len(old.co_consts) != len(new.co_consts):
        return None
    same = new.replace(co_consts=old.co_consts, co_linetable=old.co_linetable)
    if same != old.replace(co_linetable=old.co_linetable):
        return None
    for one, other in zip(old.co_consts, new.co_consts, strict=True):
        if not isinstance(one, CodeType) or not isinstance(other, CodeType):
            if type(one) is not type(other) or one != other:
                return None
        elif one != other:
            function = bool(one.co_flags & inspect.CO_NEWLOCALS)
            inside = [(one, other)] if function else find_changed(one, other)
            if inside is None:
                return None
            told += inside
    return told


def swap_bodies(old: CodeType, new: CodeType, module: ModuleType) -> bool:
    """Gives functions of a loaded module the bodies that changed; False where that is not all that changed."""
    pairs = find_changed(old, new)
    if not pairs:
        return False
    for one, other in pairs:
        found: Any = module
        for part in one.co_qualname.split("."):
            found = vars(found).get(part)
            if found is None:
                return False
        if hasattr(found, "cache_clear"):
            found.cache_clear()
        for name in ("fget", "func", "__func__", "__wrapped__"):
            found = getattr(found, name, found)
        if getattr(found, "__code__", None) is not one:
            return False
        found.__code__ = other
    return True


def _serve(
    codes: dict[str, CodeType], rows: list[Mutant], tests: str, alone: bool, limit: float, at: Path
) -> None:
    """In a process of its own: collects the tests once, then forks for each change made in the loaded functions.

    Leaves a line a row: place, the test that failed, seconds; then those failing tests without a change as place -1.
    """
    _enter(codes, at, 1e6, interpreted=all(map(_is_compiled, rows)))
    import pytest
    from _pytest.main import pytest_runtestloop

    class Server:
        failed = ""

        def pytest_runtest_logreport(self, report: Any) -> None:
            if report.failed and not self.failed:
                self.failed = report.nodeid

        def fork(self, session: Any, place: int, row: Mutant | None, items: list[Any], limit: float) -> str:
            """The test that failed under the change, "" where none did or the change can't be made so."""
            child = os.fork()
            if child:
                _, status = os.waitpid(child, 0)
                ended = os.waitstatus_to_exitcode(status)
                if ended in (-signal.SIGXCPU, -signal.SIGKILL, -signal.SIGALRM):
                    return f"{place}\t{OVER}\t{limit}"
                return (at / "row.txt").read_text("utf-8") if ended == 0 else ""
            try:
                began = _spent()
                resource.setrlimit(resource.RLIMIT_CPU, (int(limit), int(limit) + 5))
                signal.alarm(int(10 * limit))
                ended = 1
                if row is not None:
                    path, code = _compile_changed(row)
                    name = "ventbook." + row.module.removesuffix(".py").replace("/", ".")
                    module = sys.modules.get(name)
                    if module is None or not swap_bodies(codes[path], code, module):
                        return ""
                session.items = items
                with contextlib.suppress(BaseException):
                    pytest_runtestloop(session)
                text = f"{place}\t{self.failed}\t{_spent() - began}"
                (at / "row.txt").write_text(text, encoding="utf-8")
                ended = 0
            finally:
                os._exit(ended)

        def pytest_runtestloop(self, session: Any) -> bool:
            by_name = {item.nodeid: item for item in session.items}
            lines = []
            for place, row in enumerate(rows):
                first = [by_name[row.by]] if row.by in by_name else []
                rest = [] if alone else [item for item in session.items if item.nodeid != row.by]
                lines.append(self.fork(session, place, row, first + rest, limit))
            told = {line.split("\t")[1] for line in lines if "::" in line}
            if told:
                checked = [by_name[name] for name in told]
                lines.append(self.fork(session, -1, None, checked, limit / 2 * len(told)))
            (at / "rows.txt").write_text("\n".join(filter(None, lines)), encoding="utf-8")
            return True

    pytest.main([*OPTIONS, *shlex.split(tests)], plugins=[Server()])
    os._exit(0)


def serve_rows(
    codes: dict[str, CodeType], rows: list[Mutant], tests: str, *, alone: bool, limit: float = LIMIT_S
) -> dict[str, Run]:
    """Rows noticed by changing functions in place, each in a fork of a process that has collected the tests.

    A row that isn't among them was not noticed so, or can't be tried so. ``alone``: only the test of last time.
    """
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _fork(_serve, (codes, rows, tests, alone, limit, folder)).join()
        path = folder / "rows.txt"
        lines = path.read_text("utf-8").splitlines() if path.is_file() else []
    parts = [line.split("\t") for line in lines]
    if any(place == "-1" and by for place, by, _ in parts):
        return {}  # one of the tests fails without a change: told by the slow way
    return {
        rows[int(place)].name: Run("noticed", by, float(seconds))
        for place, by, seconds in parts
        if by and place != "-1"
    }


def _fork(work: Callable[..., None], of: tuple[Any, ...]) -> BaseProcess:
    """A forked process that does this work: numpy and its kin are loaded once."""
    child = multiprocessing.get_context("fork").Process(target=work, args=of)
    with warnings.catch_warnings():
        # of forking beside threads: the child uses none of them
        warnings.simplefilter("ignore", DeprecationWarning)
        child.start()
    return child


def run_tests(
    codes: dict[str, CodeType],
    tests: str,
    mutant: Mutant | None = None,
    *,
    limit: float = LIMIT_S,
    interpreted: bool = False,
) -> Run:
    """Whether the tests notice; over ``limit`` seconds of the processor, or ten times as long by the clock, they do."""
    interpreted = interpreted or (mutant is not None and _is_compiled(mutant))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        child = _fork(_run_pytest, (codes, mutant, tests, limit, interpreted, folder))
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


def try_mutant(codes: dict[str, CodeType], row: Mutant, *, limit: float = LIMIT_S) -> Run:
    """The test that noticed last time alone; where that is gone or doesn't, all tests of the row."""
    if "::" in row.by:
        try:
            run = run_tests(codes, shlex.quote(row.by), row, limit=limit)
        except RuntimeError:  # renamed
            run = Run("survived", "", 0.0)
        if run.outcome == "noticed":
            return run
    return run_tests(codes, row.tests, row, limit=limit)


def draw_rows(rows: list[Mutant], number: int, seed: str, within: float) -> list[Mutant]:
    """Some of those that a test noticed, drawn by a text, that together take at most so long by the list's seconds."""
    listed = [r for r in rows if r.outcome == "noticed" and "::" in r.by]
    drawn: list[Mutant] = []
    for row in random.Random(seed).sample(listed, len(listed)):
        seconds = float(row.seconds or LIMIT_S)
        if seconds <= within and len(drawn) < number:
            drawn.append(row)
            within -= seconds
    return drawn


def try_rows(
    codes: dict[str, CodeType], rows: list[Mutant], *, draw: bool, limit: float
) -> tuple[list[Mutant], list[str]]:
    """The rows as they turned out, and a line for each whose tests can't be run or fail without a change.

    Rows share their tests; where they are drawn, the tests that noticed last time are what they share.
    """
    tests = shlex.join(dict.fromkeys(row.by for row in rows if "::" in row.by)) if draw else rows[0].tests
    found = serve_rows(codes, rows, tests, alone=draw, limit=limit) if tests else {}
    turned, told = [], []
    for row in rows:
        try:
            run = found.get(row.name) or try_mutant(codes, row, limit=limit)
            if run.outcome == "noticed" and (row.name not in found or run.by == OVER):
                # what fails under a change counts only where it passes without, and in half the time
                check = shlex.quote(run.by) if "::" in run.by else row.tests
                sound = run_tests(codes, check, limit=limit / 2, interpreted=_is_compiled(row))
                if sound.outcome == "noticed":
                    raise RuntimeError(f"{check} fails as the code stands: {sound.by}")
        except RuntimeError as error:
            told.append(f"{row.name} is left as it was: {error}")
            continue
        why = (row.why or UNSEEN) if run.outcome == "survived" else ""
        turned.append(
            replace(row, outcome=run.outcome, by=run.by, seconds=f"{max(run.seconds, 0.1):.1f}", why=why)
        )
    return turned, told


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m calibrate mutants")
    parser.add_argument("names", nargs="*", help="rows whose name begins so")
    parser.add_argument("--draw", type=int, help="only so many of those listed as noticed")
    parser.add_argument("--seed", default="", help="any text, such as a commit's hash")
    parser.add_argument("--within", type=float, default=1e9, help="seconds that those drawn may take")
    parser.add_argument(
        "--left", action="store_true", help="only rows not run yet, and survivors not looked at"
    )
    parser.add_argument(
        "--limit", type=float, default=LIMIT_S, help="seconds of the processor that a row may take"
    )
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args(arguments)
    rows = read_mutants()
    chosen = [
        r for r in rows if not asked.names or any(f"{r.name}.".startswith(f"{n}.") for n in asked.names)
    ]
    if not chosen:
        print(f"no row's name begins with {', '.join(asked.names)}", file=sys.stderr)
        return 2
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
    left: list[str] = []
    codes = compile_library()
    draw = asked.draw is not None
    shared = [[r for r in chosen if r.tests == tests] for tests in dict.fromkeys(r.tests for r in chosen)]
    with ThreadPoolExecutor(asked.jobs) as pool:
        # rows that share their tests are written at once
        for turned, told in pool.map(
            lambda part: try_rows(codes, part, draw=draw, limit=asked.limit), [chosen] if draw else shared
        ):
            left += told
            print(*told, sep="\n", end="\n" if told else "", flush=True)
            for row in turned:
                print(f"{row.name:<34} {row.outcome:<9} {row.seconds:>6} s  {row.by}", flush=True)
                if kept[row.name].outcome == "noticed" and row.outcome == "survived":
                    lost.append(row.name)
                kept[row.name] = row
            if not draw:
                write_mutants(list(kept.values()))
    counts = [sum(r.outcome == o for r in kept.values()) for o in OUTCOMES]
    print(f"{counts[0]} noticed, {counts[1]} survived, {counts[2]} not run of {len(rows)}")
    for name in lost:
        print(f"{name} was noticed before and isn't now", file=sys.stderr)
    return 1 if lost or left else 0
