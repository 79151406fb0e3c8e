"""The list of wrong changes fits the code as it stands, and a change made is the one that is imported."""

import os
from dataclasses import replace

import pytest
from calibrate import mutants

ROWS = mutants.read_mutants()


def test_every_row_stands_once_in_its_module_and_names_tests_that_are_there():
    assert mutants.find_stale(ROWS) == []
    assert len(ROWS) >= 150
    for row in ROWS:
        files = [part.split("::")[0] for part in row.tests.split() if part.startswith("tests/")]
        assert files and all((mutants.ROOT / file).is_file() for file in files), row.name


def test_a_row_that_no_longer_fits_is_told_in_one_line():
    gone = replace(ROWS[0], stands="no such text in the module")
    nothing = replace(ROWS[1], becomes=ROWS[1].stands)
    told = mutants.find_stale([gone, nothing])
    assert [line.split(":")[0] for line in told] == [gone.name, nothing.name]
    assert "stands 0 times in" in told[0] and "\n" not in told[0]


def test_a_survivor_without_a_reason_is_refused(tmp_path):
    mutants.write_mutants([replace(ROWS[0], outcome="survived", by="", why="")], tmp_path / "list.csv")
    with pytest.raises(ValueError, match="a survivor alone says why"):
        mutants.read_mutants(tmp_path / "list.csv")


@pytest.mark.skipif(not hasattr(os, "fork"), reason="changes are tried in forked processes")
def test_what_is_imported_is_the_changed_copy(tmp_path):
    """The test given to pytest passes only where the factor of the sandwich stands the wrong way round, in the copy."""
    row = next(r for r in ROWS if r.stands.startswith("meat *= len(scores)"))
    check = tmp_path / "test_changed.py"
    check.write_text(
        "import numpy as np\n"
        "from ventbook import numerics\n"
        "def test_changed():\n"
        "    assert numerics.sandwich_variance(np.eye(1), np.ones((2, 1)), kind='CR1')[0, 0] == 1.0\n"
    )
    assert mutants.run_tests(str(check), row) == ("survived", "")
    outcome, by = mutants.run_tests(str(check))
    assert outcome == "noticed" and by.endswith("test_changed.py::test_changed")
