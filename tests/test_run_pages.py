"""All reports on a small store, in one process."""

from __future__ import annotations

import json
from pathlib import Path

import openpyxl
import pytest

from invented_store import make_store
from run_pages import REPORTS, run_page


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_store(tmp_path_factory.mktemp("small") / "store")


@pytest.mark.parametrize("name", REPORTS)
def test_report_of_a_small_store_is_whole(store: Path, tmp_path: Path, name: str) -> None:
    run = run_page(name, store, tmp_path, period="2026Q3")
    assert run.closing.answers and "Made from" in run.text
    written = json.loads((run.folder / "findings.json").read_text("utf-8"))
    assert [f["id"] for f in written["findings"]] == [f["id"] for f in run.page.findings]
    assert openpyxl.load_workbook(run.folder / "tables.xlsx")["Numbers"].max_row == len(run.findings) + 1


def test_an_unknown_parameter_is_no_default(store: Path, tmp_path: Path) -> None:
    with pytest.raises(TypeError, match="records takes no perod"):
        run_page("records", store, tmp_path, perod="2026Q3")
