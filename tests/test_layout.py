"""Who may import whom: rooms in one order, and no circle anywhere."""

import ast
import subprocess
import sys
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import nbformat

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "lib" / "ventbook"

# A room imports only rooms that stand before it. The longest name that fits a module is its room.
ROOMS = (
    "shipped",
    "errors",
    "cluster",
    "results",
    "distributions",
    "numerics",
    "places",
    "tables",
    "records.privacy",
    "records.readers",
    "records.store",
    "records.trials",
    "records.forms",
    "model.traces",
    "model.verdicts",
    "records.intake",
    "physics.oil",
    "physics.priming",
    "physics.lifter",
    "physics.gauge",
    "model",
    "statistics.waiting_times",
    "statistics.rates",
    "statistics.trends",
    "statistics.trials",
    "statistics.causes",
    "statistics.time_causes",
    "statistics.forecast",
    "statistics.monitor",
    "demo",
    "document",
    "reports",
    "run",
    "__main__",
)
ORDER = {name: rank for rank, name in enumerate(ROOMS)}


def find_modules() -> dict[str, Path]:
    """Every module below the package, by dotted name; a package under its own name."""
    named = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        named[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return named


MODULES = find_modules()


def imported(name: str) -> set[str]:
    """Modules of this package that a module imports, at top level or inside a function."""
    path = MODULES[name]
    here = name.split(".") if name else []
    if path.name != "__init__.py":
        here = here[:-1]
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {a.name.partition(".")[2] for a in node.names if a.name.startswith("ventbook.")}
        elif isinstance(node, ast.ImportFrom):
            base = ["ventbook", *here][: len(here) + 2 - node.level] if node.level else []
            stem = [*base, *(node.module.split(".") if node.module else [])]
            if stem[:1] != ["ventbook"]:
                continue
            for alias in node.names:
                full = ".".join([*stem[1:], alias.name])
                found.add(full if full in MODULES else ".".join(stem[1:]))
    return found - {""}


# Packages that only hold rooms.
HALLS = ("records", "physics", "statistics")


def find_room(name: str) -> str:
    fitting = [room for room in ROOMS if name == room or name.startswith(f"{room}.")]
    assert fitting, f"{name} stands in no room"
    return max(fitting, key=len)


def test_a_room_imports_only_rooms_before_it():
    wrong = []
    for name in MODULES:
        if not name:  # the front door leads to several rooms, and no room leads to it
            continue
        if name in HALLS:
            assert not imported(name), f"{name} only holds rooms"
            continue
        own = find_room(name)
        for other in imported(name):
            theirs = find_room(other)
            if theirs != own and ORDER[theirs] > ORDER[own]:
                wrong.append(f"{name} imports {other}")
    assert not wrong, wrong


def test_no_modules_import_each_other_in_a_circle():
    try:
        TopologicalSorter({name: imported(name) - {name} for name in MODULES if name}).prepare()
    except CycleError as error:
        raise AssertionError(f"a circle: {' -> '.join(error.args[1])}") from None


def test_notebooks_define_nothing():
    for path in sorted((ROOT / "notebooks").glob("*.ipynb")):
        for cell in nbformat.read(path, as_version=4).cells:
            if cell.cell_type == "code":
                assert "def " not in cell.source, f"{path.name} defines a function"
                assert not cell.source.lstrip().startswith(("%", "!")), f"{path.name} uses a magic"


def test_the_base_import_is_light():
    code = (
        "import sys, ventbook.tables, ventbook.run.cli; print([m for m in "
        "('statsmodels', 'matplotlib', 'numba', 'dask', 'deltalake', 'papermill') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
