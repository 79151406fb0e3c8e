"""What an analyst calls from Python: described with shapes and units, and with examples that run."""

import doctest
import importlib
import inspect
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

import ventbook

ROOT = Path(__file__).resolve().parents[1]
FACADES = (
    "ventbook",
    "ventbook.physics.oil",
    "ventbook.physics.priming",
    "ventbook.physics.lifter",
    "ventbook.physics.gauge",
    "ventbook.statistics.rates",
    "ventbook.statistics.waiting_times",
    "ventbook.statistics.trends",
    "ventbook.statistics.monitor",
    "ventbook.statistics.trials",
    "ventbook.model",
    "ventbook.tables",
    "ventbook.tables.units",
)
# Of a room whose other functions are its own machinery: what an analyst starts from.
FURTHER = {
    "ventbook.statistics.causes": (
        "add_lifter_columns",
        "chance_for",
        "compare_cases",
        "detect_share",
        "explain_failures",
        "find_recurrent_engines",
        "load_factors",
        "map_confounding",
        "measure_association",
        "need_ventings",
        "screen_factors",
        "size_two_shares",
        "sum_causes",
    )
}
ROOMS = (*FACADES, *FURTHER)
MOST_PARAMETERS = 8
read_ventings_once = cache(ventbook.read_ventings)
read_lifters_once = cache(ventbook.read_lifters)


def list_public() -> dict[str, object]:
    """The public functions of the facades: those of ``__all__``, or those that a module without it defines."""
    found = {}
    for facade in ROOMS:
        module = importlib.import_module(facade)
        names = (
            FURTHER.get(facade)
            or getattr(module, "__all__", None)
            or [name for name, value in vars(module).items() if getattr(value, "__module__", "") == facade]
        )
        for name in names:
            value = getattr(module, name)
            function = callable(value) and inspect.isfunction(inspect.unwrap(value))
            if function and not name.startswith("_") and value not in found.values():
                found[f"{facade}.{name}"] = value
    return found


def read_sections(text: str) -> dict[str, str]:
    """The sections of a numpydoc text by title; what stands before them under the empty one."""
    parts = re.split(r"^([A-Z][A-Za-z ]+)\n-{3,}\n", inspect.cleandoc(text), flags=re.M)
    return {"": parts[0], **dict(zip(parts[1::2], parts[2::2], strict=True))}


def described_parameters(section: str) -> list[str]:
    heads = [line.partition(" : ")[0] for line in section.splitlines() if line[:1].strip()]
    return [name.lstrip("*").strip() for head in heads for name in head.split(",")]


@pytest.mark.parametrize("facade", ROOMS)
def test_every_public_function_says_what_it_takes_and_gives(facade):
    wrong = []
    for name, function in list_public().items():
        if name.rpartition(".")[0] != facade:
            continue
        sections = read_sections(function.__doc__ or "")
        parameters = list(inspect.signature(function).parameters)
        wrong += [f"{name}: no {title}" for title in ("Returns", "Examples") if title not in sections]
        described = described_parameters(sections.get("Parameters", ""))
        if sorted(described) != sorted(parameters):
            wrong.append(f"{name}: takes {parameters}, describes {described}")
    assert not wrong, "\n".join(wrong)


def test_public_functions_take_at_most_eight_parameters():
    """A physical formula takes a symbol a parameter, by keyword only."""
    many = []
    for name, function in list_public().items():
        parameters = inspect.signature(function).parameters.values()
        if name.startswith("ventbook.physics."):
            parameters = [p for p in parameters if p.kind is not inspect.Parameter.KEYWORD_ONLY]
        if len(list(parameters)) > MOST_PARAMETERS:
            many.append(name)
    assert not many, many


@pytest.mark.parametrize("facade", ROOMS)
def test_examples_of_public_functions_run(facade, demo_store, monkeypatch):
    monkeypatch.chdir(ROOT)
    own = {name: f for name, f in list_public().items() if name.rpartition(".")[0] == facade}
    if facade != "ventbook":  # the examples of a room read the same tables over and over
        monkeypatch.setattr(ventbook, "read_ventings", read_ventings_once)
        monkeypatch.setattr(ventbook, "read_lifters", read_lifters_once)
    runner, told = doctest.DocTestRunner(), []
    for name, item in {facade: importlib.import_module(facade), **own}.items():
        for test in doctest.DocTestFinder(recurse=False).find(item, name, globs={}):
            runner.run(test, out=told.append)
    assert runner.summarize(verbose=False).failed == 0, "".join(told)


def test_the_lines_of_the_readme_run(demo_store, monkeypatch, tmp_path):
    monkeypatch.chdir(ROOT)
    section = (ROOT / "README.md").read_text("utf-8").partition("## From Python\n")[2].partition("\n## ")[0]
    lines = [line[4:] for line in section.splitlines() if line.startswith("    ") or not line]
    code = "\n".join(lines).replace("shares.svg", str(tmp_path / "shares.svg"))
    exec(compile(code, "README.md", "exec"), {})
    assert (tmp_path / "shares.svg").stat().st_size > 1000


def test_names_of_the_package_are_loaded_at_their_first_use():
    code = (
        "import sys, ventbook; print([m for m in sys.modules if m.startswith('ventbook.') or m in"
        " ('numpy', 'pandas', 'scipy', 'pyarrow', 'matplotlib', 'deltalake')]);"
        "print(all(callable(getattr(ventbook, n)) for n in ventbook.__all__ if n != '__version__'))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split("\n")[:2] == ["[]", "True"]
    assert set(ventbook.__all__) <= set(dir(ventbook))


def test_a_wrong_name_of_the_package_is_told_with_the_right_ones():
    with pytest.raises(AttributeError, match=r"no attribute 'read_jobs'; it has .*read_ventings"):
        _ = ventbook.read_jobs
