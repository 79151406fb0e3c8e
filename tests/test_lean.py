"""What a report's processes load, and what they don't."""

import subprocess
import sys

import pytest

from ventbook.run.lean import UNUSED, left_out

NEVER = {*UNUSED, "debugpy", "mpl_toolkits.mplot3d"}
ASKED = f"""
import sys
import ventbook.run.cli
assert not {{"pandas", "numpy", "nbformat"}} & set(sys.modules), "the command line waits for libraries"
import ventbook.run.runner
assert "nbformat" not in sys.modules, "notebook tools where reports are only planned"
import ventbook.run.preload
assert {{"papermill", "nbformat", "jsonschema"}} <= set(sys.modules)
assert not {NEVER} & set(sys.modules), "what nothing uses"
assert "matplotlib" not in sys.modules, "a page whose figures are kept draws nothing"
import ventbook.run.drawing
assert not {NEVER} & set(sys.modules), "what nothing draws"
import nbformat
nbformat.validate(nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("1 + 1")]))
import rfc3987_syntax, mpl_toolkits.mplot3d
"""


def test_reports_load_nothing_unused() -> None:
    done = subprocess.run([sys.executable, "-c", ASKED], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_left_out_for_a_while_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "wave", raising=False)
    with left_out("wave", "json"), pytest.raises(ImportError):
        import wave
    assert "json" in sys.modules  # loaded already: stays
    import wave

    assert wave is sys.modules["wave"]
