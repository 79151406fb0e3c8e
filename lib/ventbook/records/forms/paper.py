"""The paper form: what the page prints, and what it shows where its script doesn't run."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from typing import Any

from ventbook.records.forms import fields
from ventbook.records.forms.sections import Section, linked, read_texts
from ventbook.tables import Column
from ventbook.tables.units import System

LIFTERS = 16  # empty lines where the engine's lifters are not known yet
STARTS = 2
READINGS = 12
SAFETY = (
    "second_person",
    "stop_word",
    "propeller_live",
    "tank_pressure",
    "first_run",
    "hot_oil",
    "no_permission",
)


def paper_form(
    sections: tuple[Section, ...],
    system: System,
    values: Mapping[str, Mapping[str, Any]],
    notes: Sequence[str],
) -> str:
    """All sections as boxes to write in; cells carry the name of their field, so that what is typed can be printed.

    ``notes`` stand under the cautions: stop count, open alarms.
    """
    safety = "".join(f"<li>{html.escape(read_texts()[name])}</li>" for name in SAFETY if name in read_texts())
    said = "".join(f"<p>{html.escape(note)}</p>" for note in notes)
    return f'<ul class="safety">{safety}</ul>{said}' + "".join(_part(s, system, values) for s in sections)


def _part(section: Section, system: System, values: Mapping[str, Mapping[str, Any]]) -> str:
    given = values.get(section.table, {})
    own = [c for c in section.find(section.columns) if (section.table, c.name) not in linked()]
    if section.table == "lifter_checks":
        boxes = [_box(c, f"lifter_checks.0.{c.name}", system) for c in section.find(section.for_all)]
        body = f'<div class="boxes">{"".join(boxes)}</div>{_table(own, system, "Lifter", LIFTERS, "lifters")}'
    elif section.table == "starts":
        body = "".join(
            f"<h4>Start {n + 1}</h4><div class='boxes'>{''.join(_box(c, f'starts.{n}.{c.name}', system) for c in own)}</div>"
            for n in range(STARTS)
        )
    elif section.table == "gauge_readings":
        body = _table(own, system, "", READINGS, "study")
    else:
        made = [_box(c, f"{section.table}.0.{c.name}", system, given.get(c.name)) for c in own]
        body = f'<div class="boxes">{"".join(made)}</div>'
    return f'<section class="{section.id}"><h3>{html.escape(section.title)}</h3>{body}</section>'


def _box(column: Column, name: str, system: System, value: Any = None) -> str:
    choices = " / ".join(code.replace("_", " ") for code in fields.options(column))
    span = fields.span(column, system)
    small = choices or ("" if span is None else fields.say_span(span))
    star = " *" if column.required else ""
    return (
        f'<div class="box{" wide" if column.name == fields.LONG_TEXT else ""}"><span class="what">{html.escape(fields.label(column, system))}{star}</span>'
        f'<span class="write" data-from="{name}">{html.escape(fields.text_of(column, value, system))}</span>'
        f'<span class="small">{html.escape(small)}</span></div>'
    )


def _table(columns: list[Column], system: System, first: str, rows: int, mark: str) -> str:
    lead = f'<th scope="col">{first}</th>' if first else ""
    head = "".join(
        f'<th scope="col" data-column="{c.name}">{html.escape(fields.label(c, system))}'
        f"{'<br>' + ' / '.join(fields.options(c)).replace('_', ' ') if fields.options(c) else ''}</th>"
        for c in columns
    )
    empty = f"<tr>{'<td></td>' * (len(columns) + bool(first))}</tr>"
    return f'<table data-table="{mark}"><thead><tr>{lead}{head}</tr></thead><tbody>{empty * rows}</tbody></table>'
