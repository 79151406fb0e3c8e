"""A report that version 0.1.0 made, made again: which version made it, and what was changed on purpose since."""

import json
import shutil
import tarfile
from pathlib import Path

import pytest
from packaging.version import Version

from ventbook import __version__, tables
from ventbook.reports.parameters import report_specs
from ventbook.run.verify import compare_reports, verify_report
from ventbook.tables import TableError
from ventbook.tables.dictionary import load_changes

ARCHIVE = Path(__file__).parent / "fixtures" / "v010.tar.xz"


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp("then")
    with tarfile.open(ARCHIVE) as archive:
        archive.extractall(folder, filter="data")
    return folder / "v010" / "reports" / "lifter-gaps" / "2025-01_to_2026-09"


def changed_copy(report, tmp_path, **versions):
    """The report again with other numbers: a cured share, another finding, and a cell of two tables."""
    again = tmp_path / "again"
    shutil.copytree(report, again)
    said = json.loads((again / "findings.json").read_text("utf-8"))
    by_id = {finding["id"]: finding for finding in reversed(said["findings"])}
    by_id["cured_share"]["estimate"] = 0.123
    by_id["lifter_failure_share_last_check"]["estimate"] = 0.456
    (again / "findings.json").write_text(json.dumps(said), "utf-8")
    for name in ("cured_by_site", "gap_medians"):
        path = again / "tables" / f"{name}.csv"
        head, line, *rest = path.read_text("utf-8").splitlines()
        path.write_text("\n".join([head, line + "9", *rest]) + "\n", "utf-8")
    run = json.loads((report / "run.json").read_text("utf-8"))
    run["versions"] |= versions
    return again, run


def test_what_was_changed_on_purpose_stands_apart(report, tmp_path):
    again, run = changed_copy(report, tmp_path)
    verdict = compare_reports(report, run, again)
    assert not verdict.same and verdict.made_by == "0.1.0"
    meant = [text for _, moved in verdict.on_purpose for text in moved]
    assert [text.split()[:2] for text in meant] == [
        ["cured_share", meant[0].split()[1]],
        ["table", "cured_by_site,"],
    ]
    assert [text.split()[0] for text in verdict.differences] == ["lifter_failure_share_last_check", "table"]
    lines = verdict.lines()
    assert lines[1] == f"the report was made by ventbook 0.1.0; it was made again by {__version__}"
    assert lines[2].startswith("changed on purpose: An empty after_start is unknown")
    rest = lines.index("changed, and not on the list of what was changed on purpose:")
    assert max(lines.index(text) for text in meant) < rest < lines.index(verdict.differences[0])


def test_a_report_of_this_version_has_nothing_changed_on_purpose(report, tmp_path):
    again, run = changed_copy(report, tmp_path, ventbook="99.0")
    verdict = compare_reports(report, run, again)
    assert verdict.on_purpose == () and len(verdict.differences) == 4


def test_a_report_of_0_1_0_is_made_again_and_says_who_made_it(report):
    verdict = verify_report(report)
    assert verdict.made_by == "0.1.0" and verdict.findings > 20 and verdict.tables >= 10
    assert f"the report was made by ventbook 0.1.0; it was made again by {__version__}" in verdict.lines()
    assert not verdict.differences


def test_the_list_of_changes_names_reports_that_exist():
    for change in tables.load_changes():
        assert set(change.reports) <= {*report_specs(), "*"}, change
        assert Version(change.version) <= Version(__version__)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ('version = "2"\nreports = ["x"]\nfindings = ["y"]\ntables = []', "missing why"),
        ('version = "next"\nreports = ["x"]\nfindings = ["y"]\ntables = []\nwhy = "z"', "numbers and points"),
        ('version = "2"\nreports = ["x"]\nfindings = []\ntables = []\nwhy = "z"', "names no report"),
    ],
)
def test_a_wrong_row_is_named(tmp_path, row, said):
    path = tmp_path / "changes.toml"
    path.write_text(f"[[change]]\n{row}\n", "utf-8")
    with pytest.raises(TableError, match=f"changes.toml, change 1.*{said}"):
        load_changes(path)
