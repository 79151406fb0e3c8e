"""The form as one offline page for phone and tablet: fields from the dictionary, a counter, a stopwatch, a hold timer.

The page carries its own script and style and a policy that lets in nothing else. Without its script it shows the paper
form, which is also what it prints.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from ventbook import __version__
from ventbook.errors import InputError
from ventbook.records.forms import fields, paper
from ventbook.records.forms.columns import LEFT_OUT
from ventbook.records.forms.parts import (
    MANY_ROWS,
    TEMPLATES,
    Job,
    piece,
    row_template,
    section_html,
    split_plan,
)
from ventbook.records.forms.sections import Section, linked, numbered, read_sections, read_texts
from ventbook.tables import record_tables
from ventbook.tables.units import System

VALVES = {
    2: ("inlet", "exhaust"),
    3: ("inlet_1", "inlet_2", "exhaust"),
    4: ("inlet_1", "inlet_2", "exhaust_1", "exhaust_2"),
}


NO_JOB = Job("", {})


def write_page(path: Path, *, units: System, job: Job | None = None) -> Path:
    """Write the page to ``path`` and return it. InputError when it can't be written."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(make_page(units=units, job=job or NO_JOB), encoding="utf-8", newline="")
    except OSError as error:
        raise InputError(f"{path}: can't be written ({error}); choose another place") from None
    return path


def make_page(*, units: System, job: Job = NO_JOB) -> str:
    """The whole page as text."""
    style, script = ((TEMPLATES / name).read_text("utf-8") for name in ("form.css", "form.js"))
    policy = (
        f"default-src 'none'; script-src '{_hash(script)}'; style-src '{_hash(style)}'; "
        "base-uri 'none'; form-action 'none'"
    )
    sections = read_sections()
    return piece(
        "form.html",
        policy=policy,
        style=style,
        script=script,
        title=html.escape(f"Venting record{f', {job.name}' if job.name else ''}"),
        made_by=html.escape(f"ventbook {__version__}, {'US customary' if units == 'us' else 'metric'} units"),
        alarms=_list_alarms(job),
        contents="".join(f'<li><a href="#{s.id}">{html.escape(s.title)}</a></li>' for s in sections),
        sections="".join(section_html(section, units, job) for section in sections),
        templates="".join(row_template(section, units) for section in sections),
        paper=paper.paper_form(
            sections,
            units,
            {table: split_plan(table, job)[0] for table in job.values},
            (*_say_stop(job), *job.alarms),
        ),
        facts=_embed(_facts(sections, units, job)),
    )


def _hash(text: str) -> str:
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode('utf-8')).digest()).decode('ascii')}"


def _embed(facts: Mapping[str, Any]) -> str:
    """JSON that can stand inside an element of HTML."""
    text = json.dumps(facts, ensure_ascii=True, sort_keys=True)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _facts(sections: tuple[Section, ...], units: System, job: Job) -> dict[str, Any]:
    """What the script needs to know."""
    own = {name: table for name, table in record_tables().items() if name not in (*LEFT_OUT, "planned")}
    lifters = next(section for section in sections if section.table == "lifter_checks")
    return {
        "kept_as": f"ventbook form/{units}/{job.name}",
        "tables": {name: [[c.name, fields.header(c, units)] for c in own[name].columns] for name in own},
        "required": {name: [c.name for c in own[name].columns if c.required] for name in own},
        "linked": {".".join(own): ".0.".join(other) for own, other in linked().items()},
        "numbered": {name: numbered(name) for name in own if numbered(name)},
        "many": MANY_ROWS,
        "for_all": lifters.for_all,
        "valves": VALVES,
        "job": {key: value for key, value in asdict(job).items() if key not in ("values", "alarms")},
        "texts": dict(read_texts()),
        "ahead": {
            f"lifter_checks.0.{column.name}": fields.text_of(column, value, units)
            for name, value in job.values.get("lifter_checks", {}).items()
            for column in [own["lifter_checks"].column(name)]
        },
    }


def _list_alarms(job: Job) -> str:
    if not job.alarms:
        return ""
    items = "".join(f"<li>{html.escape(text)}</li>" for text in job.alarms)
    return f'<section class="warn" aria-labelledby="alarms"><h2 id="alarms">The monitor on this job\'s lot, gauge or site</h2><ul>{items}</ul></section>'


def _say_stop(job: Job) -> list[str]:
    """The manual's count on paper, and where to stop and look, which is never above it."""
    limit, look = job.manual.get("rotations_max"), job.look_at
    engine = job.values.get("engines", {})
    reduction, blades = engine.get("propeller_reduction"), engine.get("propeller_blades")

    def count(rotations: float) -> str:
        counted = [f"{math.floor(rotations + 1e-9)} crankshaft rotations"]
        if reduction:
            counted.append(f"{math.floor(rotations / reduction + 1e-9)} propeller rotations")
        if reduction and blades:
            counted.append(f"{math.floor(rotations * blades / reduction + 1e-9)} blade passes")
        return ", ".join(counted)

    if limit is None:
        said = f"{read_texts()['no_count']} ______________________"
        if look is not None:
            said += (
                f" In these records 95 in 100 like this had pressure by {count(look)}; this is no permission."
            )
        return [said]
    whose = f"the manual's limit ({job.revision})" if job.revision else "the manual's limit"
    said = f"Stop at {count(limit)}: {whose}, whatever is expected."
    if look is not None and look < limit:
        said = f"Stop and look at {count(look)}: 95 in 100 like this had pressure by then. {said}"
    return [said]
