"""The list of wrong changes fits the code as it stands, a change made is the one that is imported, and some are still noticed."""

from __future__ import annotations

import os
import subprocess
import sys
import types
from dataclasses import replace

import pytest
from calibrate import mutants

ROWS = mutants.read_mutants()
forks = pytest.mark.skipif(not hasattr(os, "fork"), reason="changes are tried in forked processes")


def test_every_row_stands_once_in_its_module_and_names_tests_that_are_there():
    told = mutants.find_stale(ROWS)
    assert not told, "\n".join(["rows of calibrate/mutants.csv to mend or take out:", *told])
    assert len(ROWS) >= 150
    for row in ROWS:
        files = [part.split("::")[0] for part in row.tests.split() if part.startswith("tests/")]
        assert files and all((mutants.ROOT / file).is_file() for file in files), row.name


def test_most_rows_are_tried_and_nearly_all_of_them_noticed():
    tried = [row for row in ROWS if row.outcome != "not run"]
    noticed = [row for row in tried if row.outcome == "noticed"]
    assert len(noticed) >= 0.95 * len(tried)
    assert not [row.name for row in tried if row.why == mutants.UNSEEN]


def test_a_row_that_no_longer_fits_is_told_in_one_line_with_what_is_nearest():
    row = next(r for r in ROWS if r.module == "numerics.py" and "\n" not in r.stands)
    gone = replace(row, stands=row.stands.replace(" ", "  "))
    nothing = replace(row, becomes=row.stands)
    lost = replace(row, module="no_such_module.py")
    told = mutants.find_stale([gone, nothing, lost])
    assert [line.split(":")[0] for line in told] == [row.name] * 3
    assert "stands 0 times in numerics.py" in told[0] and "\n" not in told[0]
    assert "nearest there" in told[0] and row.stands in told[0].split("nearest there")[1]
    assert "stands 0 times in no_such_module.py" in told[2]


def test_a_name_that_no_row_has_is_told_in_one_line(capsys):
    assert mutants.main(["no.such.row"]) == 2
    assert capsys.readouterr().err == "no row's name begins with no.such.row\n"


def test_a_survivor_without_a_reason_is_refused(tmp_path):
    mutants.write_mutants([replace(ROWS[0], outcome="survived", by="", why="")], tmp_path / "list.csv")
    with pytest.raises(ValueError, match="a survivor alone says why"):
        mutants.read_mutants(tmp_path / "list.csv")


def test_what_is_drawn_depends_on_the_text_alone_and_keeps_within_the_seconds():
    rows = [
        replace(r, outcome="noticed", by="a::b", seconds=f"{3 + i % 7}", why="") for i, r in enumerate(ROWS)
    ]
    rows[::3] = [replace(row, outcome="not run") for row in rows[::3]]
    drawn = mutants.draw_rows(rows, 20, "abc", 90.0)
    assert drawn == mutants.draw_rows(rows, 20, "abc", 90.0) != mutants.draw_rows(rows, 20, "abd", 90.0)
    assert sum(float(row.seconds) for row in drawn) <= 90.0 and 12 <= len(drawn) <= 20
    assert all(row.outcome == "noticed" for row in drawn)
    assert len(mutants.draw_rows(rows, 20, "abc", 1e9)) == 20
    # without seconds on the list a row may take the limit
    assert mutants.draw_rows([replace(rows[1], seconds="")], 1, "", mutants.LIMIT_S - 1) == []


@pytest.fixture(scope="module")
def codes():
    return mutants.compile_library()


@forks
def test_what_is_imported_is_the_changed_copy(tmp_path, codes):
    """The test given to pytest passes only where the factor of the sandwich stands the wrong way round, in what is imported."""
    row = next(r for r in ROWS if r.stands.startswith("meat *= len(scores)"))
    check = tmp_path / "test_changed.py"
    check.write_text(
        "import numpy as np\n"
        "from ventbook import numerics\n"
        "def test_changed():\n"
        "    assert numerics.sandwich_variance(np.eye(1), np.ones((2, 1)), kind='CR1')[0, 0] == 1.0\n"
    )
    assert mutants.run_tests(codes, str(check), row).outcome == "survived"
    run = mutants.run_tests(codes, str(check))
    assert run.outcome == "noticed" and run.by.endswith("test_changed.py::test_changed")
    assert 0 < run.seconds < mutants.LIMIT_S
    # the file on disk and this process keep the code as it stands
    assert not mutants.find_stale([row])


BODIES = """
from functools import cache, cached_property
LIMIT = 2
def plain(x):
    return x + 1
@cache
def kept(x):
    return x + 2
class Thing:
    width = 3
    def own(self, x):
        return [y + 3 for y in x]
    @property
    def seen(self):
        return 4
    @cached_property
    def late(self):
        return 5
    @staticmethod
    def still(x):
        return x + 6
table = {"a": lambda x: x + 7}
"""


@pytest.mark.parametrize(
    ("stands", "becomes", "ask"),
    [
        ("x + 1", "x - 1", lambda m: m.plain(0)),
        ("x + 2", "x - 2", lambda m: m.kept(0)),
        ("y + 3", "y - 3", lambda m: m.Thing().own([0])),
        ("return 4", "return -4", lambda m: m.Thing().seen),
        ("return 5", "return -5", lambda m: m.Thing().late),
        ("x + 6", "x - 6", lambda m: m.Thing.still(0)),
    ],
)
def test_a_function_that_others_hold_gets_the_changed_body(stands, becomes, ask):
    module = types.ModuleType("bodies")
    old, new = (compile(text, "bodies", "exec") for text in (BODIES, BODIES.replace(stands, becomes)))
    exec(old, vars(module))
    before = ask(module)
    assert mutants.swap_bodies(old, new, module)
    after = types.ModuleType("bodies")
    exec(new, vars(after))
    assert ask(module) == ask(after) != before


@pytest.mark.parametrize(
    ("stands", "becomes"),
    [
        ("LIMIT = 2", "LIMIT = 3"),
        ("width = 3", "width = 4"),
        ("x + 7", "x - 7"),
        ("plain(x)", "plain(x, y=1)"),
    ],
)
def test_a_change_beyond_bodies_is_imported_anew(stands, becomes):
    module = types.ModuleType("bodies")
    old, new = (compile(text, "bodies", "exec") for text in (BODIES, BODIES.replace(stands, becomes)))
    exec(old, vars(module))
    assert not mutants.swap_bodies(old, new, module)


@forks
def test_what_never_ends_is_noticed_by_the_processors_clock(tmp_path, codes):
    check = tmp_path / "test_endless.py"
    check.write_text("def test_endless():\n    while True:\n        pass\n")
    assert mutants.run_tests(codes, str(check), limit=2.0) == mutants.Run("noticed", mutants.OVER, 2.0)


@forks
def test_tests_that_never_import_the_module_are_told(tmp_path, codes):
    check = tmp_path / "test_nothing.py"
    check.write_text("def test_nothing():\n    pass\n")
    row = next(r for r in ROWS if r.module == "statistics/trials/planning.py")
    with pytest.raises(RuntimeError, match=r"never import statistics/trials/planning\.py"):
        mutants.run_tests(codes, str(check), row)


# in CI with the others, elsewhere with the long ones
@forks
@(pytest.mark.filterwarnings("error") if os.environ.get("CI") == "true" else pytest.mark.long)
def test_twenty_rows_drawn_by_the_commit_are_still_noticed():
    """Rows that together took two minutes of the processor at most when the list was made; a machine too busy says nothing."""
    head = subprocess.run(["git", "rev-parse", "HEAD"], cwd=mutants.ROOT, capture_output=True, text=True)
    command = [sys.executable, "-m", "calibrate", "mutants", "--draw", "20", "--within", "120"]
    try:
        said = subprocess.run(
            [*command, "--seed", head.stdout.strip()],
            cwd=mutants.ROOT,
            capture_output=True,
            text=True,
            timeout=330,
        )
    except subprocess.TimeoutExpired:
        pytest.skip("the machine is too busy for twenty rows")
    assert "isn't now" not in said.stderr, f"drawn by {head.stdout.strip()}:\n{said.stdout}{said.stderr}"
    assert " noticed," in said.stdout, said.stderr
