"""Published cases of tests/reference: one shape, one loader, and the table of guides/published-cases.md.

A case names its capability, whose function in ``reference_answers`` gives the project's own numbers for its inputs. What
is expected is held to half a unit of the last printed place; another tolerance stands beside the number with its reason.
``python tests/reference_cases.py`` writes the table.
"""

from __future__ import annotations

import csv
import itertools
import math
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent / "reference"
PAGE = Path(__file__).parents[1] / "guides" / "published-cases.md"
STATUSES = {
    "printed page seen": "the source, or a document that quotes it, was read and says this",
    "memory": "recalled from the source and reproduced from its data; the page was not opened",
    "library run": "computed by a general-purpose package, with version and call; no printed number",
    "formula": "the published formula worked out by other code; no independent number, so not counted as a case",
}


class Printed(float):
    """A number that remembers how it was printed."""

    def __new__(cls, text: str) -> Printed:
        number = super().__new__(cls, text)
        number.text = text.replace("_", "")
        return number

    text: str

    @property
    def half_unit(self) -> float:
        digits, _, power = self.text.lower().partition("e")
        return 0.5 * 10.0 ** (int(power or 0) - len(digits.partition(".")[2]))


@dataclass(frozen=True)
class Case:
    """One case. ``seen`` is where a page was read, ``run`` package, version and call; ``why`` the reason of a tolerance."""

    id: str
    capability: str
    source: str
    status: str
    inputs: dict[str, Any]
    expected: dict[str, Any]
    page: str = ""
    seen: str = ""
    run: str = ""
    tolerance: dict[str, float] | None = None
    why: str = ""

    def __str__(self) -> str:
        return self.id


@dataclass(frozen=True)
class Compared:
    """One quantity of a case beside the project's own."""

    name: str
    published: list[float]
    ours: list[float]
    allowed: list[float]

    @property
    def worst(self) -> int:
        share = [abs(a - b) / c for a, b, c in zip(self.ours, self.published, self.allowed, strict=True)]
        return max(range(len(share)), key=share.__getitem__)

    @property
    def agrees(self) -> bool:
        near = zip(self.ours, self.published, self.allowed, strict=True)
        return all(math.isfinite(a) and abs(a - b) <= c for a, b, c in near)


def flatten(value: Any) -> list[float]:
    """Numbers of a number, or of lists in lists, in order."""
    if isinstance(value, (list, tuple)) or hasattr(value, "tolist"):
        inside = value.tolist() if hasattr(value, "tolist") else value
        return [x for part in inside for x in flatten(part)] if isinstance(inside, list | tuple) else [inside]
    return [value]


def plain(value: Any) -> Any:
    """Inputs without the memory of their printing."""
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, list):
        return [plain(v) for v in value]
    return float(value) if isinstance(value, Printed) else value


@cache
def read_rows(name: str) -> list[dict[str, float | str]]:
    """Rows of a file of tests/reference/data; comment lines start with #."""
    lines = (FOLDER / "data" / name).read_text("utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [{k: _number(v) for k, v in row.items()} for row in rows]


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


@cache
def load_cases() -> tuple[Case, ...]:
    """All cases, checked; ``data`` among the inputs names a table of the same file, ``file`` one of the data folder."""
    cases = []
    for path in sorted(FOLDER.glob("*.toml")):
        table = tomllib.loads(path.read_text("utf-8"), parse_float=Printed)
        for row in table.pop("case"):
            cases.append(_read_case(row, table.get("data", {}), f"{path.name}, case {row.get('id')}"))
    ids = [c.id for c in cases]
    twice = sorted({i for i in ids if ids.count(i) > 1})
    assert not twice, f"ids that stand twice: {', '.join(twice)}"
    return tuple(cases)


def _read_case(row: dict[str, Any], data: dict[str, Any], where: str) -> Case:
    unknown = set(row) - {f.name for f in fields(Case)}
    assert not unknown, f"{where}: unknown {', '.join(unknown)}"
    inputs = dict(row.pop("inputs"))
    inputs = plain(data[inputs.pop("data")] | inputs if "data" in inputs else inputs)
    if "parts" in inputs:
        inputs["parts"] = [plain(data[name]) for name in inputs["parts"]]
    if "file" in inputs:
        rows = read_rows(inputs.pop("file"))
        inputs = {k: [r[k] for r in rows] for k in rows[0]} | inputs
    case = Case(inputs=inputs, **row)
    assert case.status in STATUSES, f"{where}: status must be one of {', '.join(STATUSES)}"
    assert bool(case.seen) == (case.status == "printed page seen"), f"{where}: says where the page was seen"
    assert case.run or case.status != "library run", f"{where}: names package, version and call"
    wide = [
        n for n, t in (case.tolerance or {}).items() if any(t > 1.01 * _half(x) for x in _numbers(case, n))
    ]
    assert case.why or not wide, (
        f"{where}: says why {', '.join(wide)} is held to less than its printed digits"
    )
    return case


def _numbers(case: Case, name: str) -> list[Any]:
    return flatten(case.expected[name])


def _half(number: Any) -> float:
    # a whole number is exact
    return number.half_unit if isinstance(number, Printed) else 1e-9 * max(1.0, abs(number))


def find_case(id: str) -> Case:
    """One case by its id, for a test that needs its data."""
    return next(c for c in load_cases() if c.id == id)


@cache
def _answer(id: str) -> dict[str, Any]:
    import reference_answers

    case = find_case(id)
    return reference_answers.ANSWERS[case.capability](case.inputs)


def compare(case: Case) -> Iterator[Compared]:
    """Every expected quantity beside what the project makes of the inputs."""
    answer = _answer(case.id)
    for name in case.expected:
        assert name in answer, f"{case.id}: the answer has no {name}; it has {', '.join(answer)}"
        published, ours = _numbers(case, name), [float(x) for x in flatten(answer[name])]
        assert len(published) == len(ours), (
            f"{case.id}: {len(published)} of {name} expected, {len(ours)} found"
        )
        given = (case.tolerance or {}).get(name)
        # a printed .5 may have been rounded either way, by a number with more digits than a float keeps
        allowed = [float(given) if given else _half(x) * (1 + 1e-6) + 1e-13 * abs(x) for x in published]
        yield Compared(name, published, ours, allowed)


def write_table() -> str:
    """The text of the table, one row a quantity."""
    cases = load_cases()
    counts = {s: sum(c.status == s for c in cases) for s in STATUSES}
    lines = [
        "# Published cases",
        "",
        "What the library's functions make of data that others have published, beside what they printed. Written by",
        "`python tests/reference_cases.py` from `tests/reference`; the tests hold every number to the tolerance beside it",
        f"there. {len(cases)} entries of {len({c.capability for c in cases})} kinds. Status:",
        "",
        *(f"- *{s}* ({counts[s]}): {meaning}" for s, meaning in STATUSES.items()),
        "",
        "Of a quantity with more than three numbers the first are shown; the difference is the largest of all. A page or",
        "table that was not opened stands as recalled.",
    ]
    for capability, group in itertools.groupby(
        sorted(cases, key=lambda c: c.capability), key=lambda c: c.capability
    ):
        lines += ["", f"## {capability[0].upper()}{capability[1:]}", ""]
        lines += ["| case | quantity | published | ours | difference |", "|---|---|---|---|---|"]
        for case in group:
            lines += list(_rows(case))
    return "\n".join(lines) + "\n"


def _rows(case: Case) -> Iterator[str]:
    where = f"{case.source}{', ' + case.page if case.page else ''}. *{case.status}*"
    where += f": {case.seen or case.run}" if case.seen or case.run else ""
    label = f"**{case.id}**: {where}".replace("|", "\\|")
    for item in compare(case):
        shown = slice(None, 3)
        published = ", ".join(_text(x) for x in item.published[shown])
        ours = ", ".join(_digits(x, c) for x, c in zip(item.ours[shown], item.allowed[shown], strict=True))
        more = len(item.published) - 3
        gap = max(abs(a - b) for a, b in zip(item.ours, item.published, strict=True))
        name = f"{item.name.replace('_', ' ')}{f' (and {more} more)' if more > 0 else ''}"
        yield f"| {label} | {name} | {published} | {ours} | {_digits(gap, max(item.allowed))} |"
        label = ""


def _text(number: float) -> str:
    return number.text if isinstance(number, Printed) else str(number)


def _digits(value: float, allowed: float) -> str:
    """As many digits as the tolerance speaks of."""
    places = min(max(math.ceil(-math.log10(2 * allowed)) + 1, 0), 12)
    shown = f"{value:.{places}f}"
    return f"{float(shown):.15g}" if float(shown) == round(float(shown)) else shown


NUMBER = re.compile(r"\d+(?:\.\d+)?(?:e-?\d+)?")


def same_digits(old: str, new: str) -> bool:
    """Whether two texts agree but for one unit in the last place of a number: another processor rounds otherwise."""
    if NUMBER.sub("#", old) != NUMBER.sub("#", new):
        return False
    pairs = zip(NUMBER.findall(old), NUMBER.findall(new), strict=True)
    return all(a == b or abs(float(a) - float(b)) <= 2.02 * Printed(a).half_unit for a, b in pairs)


if __name__ == "__main__":
    PAGE.write_text(write_table(), "utf-8")
    print(PAGE)
