"""Calls the browser check (``tests/browser/check.mjs``) on finished pages, where Chromium and Node are there."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).resolve().parent / "browser"
CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
needs_browser = pytest.mark.skipif(
    not (CHROMIUM and shutil.which("node") and (HERE / "node_modules" / "axe-core").is_dir()),
    reason="needs chromium, node and npm install --no-package-lock in tests/browser",
)


def check(*pages: Path) -> list[dict[str, Any]]:
    """What the browser found on each page."""
    done = subprocess.run(
        ["node", str(HERE / "check.mjs"), *map(str, pages)],
        capture_output=True,
        text=True,
        timeout=900,
        env={**os.environ, "CHROMIUM": str(CHROMIUM)},
        check=False,
    )
    assert done.stdout, done.stderr
    found: list[dict[str, Any]] = json.loads(done.stdout)
    return found


def assert_clean(*pages: Path) -> list[dict[str, Any]]:
    """No accessibility violation at a desk, in the dark or on a phone, no console message, no request, nothing wider than
    the window, text without script. Gives what the browser found.
    """
    found = check(*pages)
    for told in found:
        assert told["violations"] == [], told
        assert told["console"] == [], told
        assert told["requests"] == [], told
        assert told["overflow"] <= 0, told
        assert told["withoutScript"] > 200, told
    return found
