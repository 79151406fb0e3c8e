"""Who may import whom, and what may not stand in the repository."""

import ast
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "lib" / "ventbook"

# A module imports only modules of a lower tier (files of one package may import each other).
TIERS = (
    ("shipped", "__version__"),
    ("errors", "units", "results", "dictionary", "evidence"),
    ("store", "readers", "privacy", "numerics", "verdicts"),
    ("intake", "traces", "priming", "lifter", "oil", "forms", "gauge"),
    ("jobs", "conformity"),
    ("waiting_times", "rates", "contexts", "trends"),
    ("plots", "wording", "demo"),
    ("document",),
    ("pages",),
    ("reports",),
    ("cli", "__main__"),
)
# Within tier 0 and tier 2 these build on each other, in this order.
WITHIN = {
    ("__main__", "cli"),
    ("dictionary", "units"),
    ("evidence", "dictionary"),
    ("evidence", "results"),
    ("priming", "oil"),
    ("lifter", "oil"),
    ("intake", "traces"),
    ("conformity", "jobs"),
    ("dictionary", "errors"),
}
RANK = {name: rank for rank, names in enumerate(TIERS) for name in names}


def modules():
    return sorted(p for p in PACKAGE.rglob("*.py") if p != PACKAGE / "__init__.py")


def topic(path: Path) -> str:
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def imported(path: Path) -> set[str]:
    """Topics of this package that a file imports, at top level or inside a function."""
    found = set()
    here = ["ventbook", *path.relative_to(PACKAGE).parent.parts]
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = here[: len(here) - node.level + 1] if node.level else []
            stem = ".".join([*base, *([node.module] if node.module else [])])
            names = [f"{stem}.{alias.name}" for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "ventbook" and len(parts) > 1:
                found.add(parts[1])
    return found


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_module_imports_only_lower_tiers(path):
    own = topic(path)
    assert own in RANK, f"{own} has no tier"
    for other in imported(path) - {own}:
        if other.startswith("__"):
            continue
        assert other in RANK, f"{own} imports {other}, which has no tier"
        assert RANK[other] < RANK[own] or (own, other) in WITHIN, f"{own} imports {other}"


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_modules_stay_short(path):
    # The compiled kernel stays whole: its cache on disk does not see a change of a function in another file.
    limit = 600 if path.name == "kernel.py" and path.parent.name == "traces" else 400
    assert len(path.read_text("utf-8").splitlines()) <= limit, "split it by topic"


def test_notebooks_define_nothing():
    import nbformat

    for path in sorted((ROOT / "notebooks").glob("*.ipynb")):
        for cell in nbformat.read(path, as_version=4).cells:
            if cell.cell_type == "code":
                assert "def " not in cell.source, f"{path.name} defines a function"
                assert not cell.source.lstrip().startswith(("%", "!")), f"{path.name} uses a magic"


def test_the_base_import_is_light():
    code = "import sys, ventbook.dictionary, ventbook.units, ventbook.cli; print([m for m in ('statsmodels', 'matplotlib', 'numba', 'dask', 'deltalake', 'papermill') if m in sys.modules])"
    done = subprocess.run(
        [__import__("sys").executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
