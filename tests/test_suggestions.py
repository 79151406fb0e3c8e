"""No suggestion against a limit in force, and none without the cautions of what it touches."""

from __future__ import annotations

import datetime as dt
import re
import string
from pathlib import Path

import pytest

from ventbook import tables
from ventbook.reports.suggestions import say_limit, say_suggestion
from ventbook.statistics import causes
from ventbook.tables.limits import Limit, Limits, load_limits, load_steps, read_limits
from ventbook.tables.suggestions import fit_suggestion, load_suggestions

DAY = dt.date(2026, 9, 1)
TABLE = load_suggestions()
NAMES = tuple(TABLE.suggestions)
PLACES = {"site": "Ridge", "gauge": "G", "place": "turns", "threshold": "the threshold"}


def make_limits(low: float, high: float, status: str = "manual") -> Limits:
    """A manual that allows nothing but ``low`` to ``high`` at any step."""
    steps = {step.limit: step for step in load_steps().values()}
    reference = {"check_force": 80.0, "check_hold": 6.0}
    return Limits(
        tuple(
            Limit(
                name, "*", min(low, reference.get(name, low)), max(high, reference.get(name, high)), step.unit,
                status, "invented", "R", reference=reference.get(name),
            )
            for name, step in steps.items()
        )
    )  # fmt: skip


LIMITS = {
    "shipped placeholders": load_limits(),
    "the demo's": read_limits([tables.DATA / "demo_limits.toml"]),
    "all narrow, high": make_limits(77.0, 77.0),
    "all narrow, nought": make_limits(0.0, 0.0),
    "all narrow, one": make_limits(1.0, 1.0),
    "all wide": make_limits(-1e6, 1e6),
    "wide placeholders": make_limits(-1e6, 1e6, "placeholder"),
    "empty": Limits(()),
}


def said_of(name: str, limits: Limits):
    return say_suggestion(name, limits, engine_types=["flat4"], day=DAY, **PLACES)


@pytest.mark.parametrize("of", LIMITS)
@pytest.mark.parametrize("name", NAMES)
def test_none_leaves_a_limit_in_force(name: str, of: str) -> None:
    limits, fit = LIMITS[of], None
    said = said_of(name, limits)
    fit = fit_suggestion(name, limits, engine_types=["flat4"], day=DAY)
    assert (said is None) == (fit is None)
    if said is None or fit is None:
        return
    row = fit.row
    for step in row.steps:
        limit = limits.find(load_steps()[step].limit, "flat4", DAY)
        manual = limit is not None and limit.status == "manual"
        asked = [*row.values.get(step, ()), *([80.0 * row.shares[step]] if step in row.shares else ())]
        # what it would bring about lies within a manual's limit
        assert not asked or manual
        for value in asked:
            assert limit is not None
            assert limit.low is None or limit.low <= value
            assert limit.high is None or value <= limit.high
        if step in row.touches:
            if manual:
                assert limit is not None
                assert f"{TABLE.nouns[step]} {say_limit(step, limit)}" in said.text
            else:
                assert re.search(rf"within your manual's [^;]*{re.escape(TABLE.nouns[step])}", said.text)
    # every number said is one of a limit in force
    own = [say_limit(step, row) for step, row in fit.entered]
    left = said.text
    for text in own:
        left = left.replace(text, "")
    assert not re.search(r"\d", left)


def test_a_page_of_types_with_other_limits_gives_no_number() -> None:
    rows = tuple(
        Limit("rotations_max", kind, None, high, "1", "manual", "s", "R")
        for kind, high in (("flat4", 200.0), ("radial9", 300.0))
    )
    said = say_suggestion("turn_by_hand_cold", Limits(rows), engine_types=["flat4", "radial9"], day=DAY)
    assert said is not None
    assert not re.search(r"\d", said.text)
    assert "within your manual's" in said.text


# What each word of a text means at an engine: the steps one of which has to be named, or the caution that has to stand
# with it. Common practice, no source.
MEANS = {
    r"pressure on the tank|tank under pressure": ({"tank_overpressure"}, "tank_pressure"),
    r"\bturn (again|on|by hand|slower)|vent again|count rotations": ({"rotations_max"}, "turning"),
    r"\b(run again|after the run|engine runs|start soon|first start|hot idle)": (set(), "running"),
    r"\b(press |read .*(gap|gauge|lifter))": ({"check_force"}, "opening"),
    r"\b(bench|prefill|swap|pushrod|fittings|suction side|inside diameter)": (set(), "opening"),
    r"\bplugs out\b": ({"plugs_removed"}, "turning"),
    r"\bfroth|hot idle|after the run|warm the oil": (set(), "hot_oil"),
    r"propeller": (set(), "turning"),
}
# what only reads records, or speaks of what was
ON_PAPER = {
    "compare_tank_pressure", "compare_plugs", "compare_long_lines", "write_rest", "read_without_force",
    "read_half_force", "before_first_start", "froth_while_running", "sign_on_propeller", "drips_under_pressure",
    "compare_gauge", "how_gaps_are_measured",
}  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_a_text_names_what_it_touches(name: str) -> None:
    row = TABLE.suggestions[name]
    assert not re.search(r"\d|minute|seconds|\bhour|\bday\b", row.text)
    cautions = TABLE.cautions_of(row)
    words = {c.name: c.text for c in TABLE.cautions}
    for pattern, (steps, caution) in MEANS.items():
        if re.search(pattern, row.text) and name not in ON_PAPER:
            assert not steps or steps & set(row.steps), (pattern, row.steps)
            assert words[caution] in cautions, (pattern, caution)


def test_cautions_say_what_hurts() -> None:
    """The dangers that the trade names for each kind of work. From memory, common practice."""
    words = {c.name: c.text for c in TABLE.cautions}
    for name, said in {
        "turning": ("ignition off and grounded", "propeller treated as live", "permitted direction", "arc", "manual"),
        "tank_pressure": ("regulated", "tank's own limit", "eye protection", "vented before"),
        "running": ("chocks", "fire extinguisher", "shut down at once"),
        "opening": ("ignition off", "no pressure on the tank", "eye protection"),
        "hot_oil": ("burn",),
    }.items():  # fmt: skip
        for part in said:
            assert part in words[name]


def test_every_suggestion_is_asked_for_and_none_is_written_elsewhere() -> None:
    asked = {f.check for f in causes.load_factors() if f.check}
    modes = causes.load_modes()
    asked |= {row.check for row in (*modes.modes, *modes.readings)}
    asked |= {step.suggestion for step in load_steps().values()}
    code = "".join(p.read_text("utf-8") for p in Path(causes.__file__).parents[2].rglob("*.py"))
    for name, row in TABLE.suggestions.items():
        assert (
            name in asked or f'"{name}"' in code or any(r.instead == name for r in TABLE.suggestions.values())
        ), name
        assert {field for _, field, _, _ in string.Formatter().parse(row.text) if field} <= set(PLACES)


def test_what_would_speak_against_a_cause_asks_for_nothing() -> None:
    for factor in causes.load_factors():
        assert not re.match(
            r"(prefill|hold|raise|warm|turn|start|alternate|read|pressurise)\b", factor.refute
        ), factor.name
        assert not re.search(r"\d", factor.refute)
