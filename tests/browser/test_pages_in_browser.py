"""Finished pages in a real browser: no accessibility violation, no console message, no request.

Needs Chromium, Node and ``npm install --no-package-lock`` in this folder; skipped where one of them is missing.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from browser_check import assert_clean, check, needs_browser
from invented_store import make_notebook, make_store
from ventbook.run.runner import run_reports

pytestmark = [pytest.mark.browser, needs_browser]


@pytest.fixture(scope="module")
def pages(tmp_path_factory) -> list[Path]:
    """The invented page with odd text, comments and a table too wide, and the start page."""

    base = tmp_path_factory.mktemp("browser")
    wide = (
        'wide = pd.DataFrame({f"column number {k}": ["x" * 90] for k in range(14)})\n'
        'page.add_table("wide", wide, title="A table wider than the page")'
    )
    make_notebook(base / "notebooks", extra=wide)
    comments = base / "comments.toml"
    comments.write_text(
        '[[comment]]\nreport = "quarterly-review"\nsection = "by-site"\ntext = "Seen."\n'
        'finding = "venting_failure_share"\nvalue = 0.5\n',
        encoding="utf-8",
    )
    outcome = run_reports(
        ["quarterly-review"],
        {"store": str(make_store(base / "store")), "period": "2026Q3"},
        out=base / "out",
        notebooks=base / "notebooks",
        comments=comments,
    )[0]
    assert outcome.done, outcome.message
    return [outcome.folder / "report.html", base / "out" / "index.html"]


def test_pages_hold_up_in_a_browser(pages) -> None:
    assert_clean(*pages)


def test_the_check_itself_sees_faults(tmp_path) -> None:
    bad = tmp_path / "bad.html"
    bad.write_text(
        '<!DOCTYPE html><html><head><title>x</title></head><body><main><img src="missing.png">'
        '<p style="color:#ccc">pale</p><div style="width:3000px">wide</div></main></body></html>',
        encoding="utf-8",
    )
    told = check(bad)[0]
    assert {"image-alt", "html-has-lang", "color-contrast"} <= {fault["id"] for fault in told["violations"]}
    assert told["requests"] and told["overflow"] > 0
