"""Sections of the page, the rows that its script makes, and what a page is filled ahead with."""

from __future__ import annotations

import html
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from string import Template
from typing import Any

from ventbook.records.forms import fields
from ventbook.records.forms.sections import Section, filled_ahead, linked, read_texts
from ventbook.tables.units import System

TEMPLATES = Path(__file__).resolve().parents[2] / "templates"
MANY_ROWS = ("starts", "gauge_readings")  # tables of which the page adds a row at a time
COUNTED = "rotations"  # the counter stands before this column
FIRST = 2  # columns of a lifter that are in sight at once


@dataclass(frozen=True)
class Job:
    """What a page is filled ahead with.

    ``values``: by table and column name, in canonical units. ``manual``: limits of the manual in force by step
    (``rotations_max`` in crankshaft rotations, ``time_to_pressure`` and ``check_hold`` in s), with its ``revision``. ``look_at``: crankshaft
    rotations by which 95 in 100 such ventings had pressure. ``alarms``: sentences on the job's lot, gauge and site.
    """

    name: str
    values: Mapping[str, Mapping[str, Any]]
    manual: Mapping[str, float] = field(default_factory=dict)
    revision: str = ""
    look_at: float | None = None
    alarms: tuple[str, ...] = ()


def piece(name: str, **parts: str) -> str:
    """A template with the page's texts and ``parts`` in their places."""
    texts = {f"text_{key}": html.escape(text) for key, text in read_texts().items()}
    return Template((TEMPLATES / name).read_text("utf-8")).substitute(texts, **parts)


def section_html(section: Section, units: System, job: Job) -> str:
    texts = "".join(f"<p>{html.escape(read_texts()[name])}</p>" for name in section.texts)
    head = f'<div class="warn">{texts}</div>' if texts else ""
    body = "".join(_section_parts(section, units, job))
    opened = " open" if section.id == "job" else ""
    return (
        f'<details class="part" id="{section.id}"{opened}><summary><h2>{html.escape(section.title)}</h2></summary>'
        f"{head}{body}</details>"
    )


def _section_parts(section: Section, units: System, job: Job) -> list[str]:
    if section.table == "lifter_checks":
        return ['<p id="no-grid">Enter the number of cylinders under "The engine": the lifters then stand here.</p>',
                '<div id="rows-lifter_checks"></div>', _add_button("lifter_checks", "Another check of the lifters")]  # fmt: skip
    if section.table in MANY_ROWS:
        word = {"starts": "Another start"}.get(section.table, "Another reading")
        return [f'<div id="rows-{section.table}"></div>', _add_button(section.table, word)]
    given, plan = split_plan(section.table, job)
    parts = {
        column.name: fields.field(
            column,
            f"{section.table}.0.{column.name}",
            units,
            given.get(column.name),
            plan=plan.get(column.name),
        )
        for column in section.find(section.columns)
        if (section.table, column.name) not in linked()
    }
    grid = _grid(parts.values())
    if COUNTED in parts:
        at = list(parts).index(COUNTED)
        made = list(parts.values())
        return [_grid(made[:at]), piece("form_counter.html"), _grid(made[at:])]
    if section.id == "engine":
        box = '<label class="tick"><input type="checkbox" name="form.0.hand_in_engine"{}> Hand in the engine\'s own row too</label>'
        return [grid, box.format("" if given else " checked")]
    return [grid]


def _grid(parts: Iterable[str]) -> str:
    return f'<div class="fields">{"".join(parts)}</div>'


def split_plan(table: str, job: Job) -> tuple[dict[str, Any], dict[str, Any]]:
    """What is filled in of a table, and what is only planned."""
    values = job.values.get(table, {})
    given = {n: v for n, v in values.items() if table != "ventings" or n in filled_ahead()}
    return given, {n: v for n, v in values.items() if n not in given}


def _add_button(table: str, words: str) -> str:
    return (
        f'<p class="buttons"><button type="button" data-do="add" data-table="{table}">{words}</button>'
        f'<button type="button" data-do="drop" data-table="{table}">Take the last one away</button></p>'
    )


def row_template(section: Section, units: System) -> str:
    """What the script makes rows of: ``__ROW__`` becomes the row's number, ``__LIFTER__`` the lifter's."""
    own = [c for c in section.find(section.columns) if (section.table, c.name) not in linked()]
    if section.table in MANY_ROWS:
        made = [fields.field(c, f"{section.table}.__ROW__.{c.name}", units) for c in own]
        word = "Start" if section.table == "starts" else "Reading"
        watch = piece("form_stopwatch.html") if section.table == "starts" else ""
        return (
            f'<template id="row-{section.table}"><fieldset class="row"><legend>{word} <span data-number></span></legend>'
            f"{watch}{_grid(made)}</fieldset></template>"
        )
    if section.table != "lifter_checks":
        return ""
    for_all = "".join(
        fields.field(c, f"lifter_checks.__ROW__.{c.name}", units) for c in section.find(section.for_all)
    )
    every = [*own, *section.find(section.for_all)]
    made = [fields.field(c, f"lifter_checks.__ROW__.__LIFTER__.{c.name}", units, must=False) for c in every]
    first, more = "".join(made[:FIRST]), "".join(made[FIRST:])
    return (
        '<template id="row-lifter_checks"><fieldset class="row"><legend>Check <span data-number></span></legend>'
        f'<p>The same for all lifters of this check:</p><div class="fields">{for_all}</div><div data-lifters></div></fieldset></template>'
        '<template id="lifter"><fieldset class="lifter"><legend data-number></legend>'
        '<p class="buttons"><button type="button" data-do="hold">Hold timer</button>'
        '<span class="clock" role="timer" aria-live="off"></span></p>'
        f'<div class="fields">{first}</div><details><summary>More of this lifter</summary><div class="fields">{more}</div></details>'
        "</fieldset></template>"
    )
