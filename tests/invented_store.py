"""A small invented store and a small notebook, for tests of pages, reports and the command line."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import nbformat
import pyarrow as pa

from ventbook.records import store as st
from ventbook.reports.parameters import find_report

TODAY = dt.date(2026, 10, 7)
NASTY = (
    "<script>alert('x')</script><img src=http://example.invalid/x.png onerror=alert(1)> =1+1 "
    "\u202egnp.exe \x07\x00 \U0001f527 עברית عربى 日本 $5 `code` #let x " + "long " * 2000
)
ODD_SITE = 'Ridge/../"North" <b>& Söhne'


def rows_of(table: str, rows: list[dict[str, Any]], intake: int = 1) -> pa.Table:
    """Rows of a record table with the bookkeeping that an intake would add."""
    schema = st.record_schema(table)
    book = {"_intake": intake, "_file": f"{table}.csv"}
    full = [{**book, "_line": line, **row} for line, row in enumerate(rows, 2)]
    return pa.table(
        {field.name: pa.array([row.get(field.name) for row in full], field.type) for field in schema},
        schema=schema,
    )


def make_store(path: Path, *, ventings: int = 24) -> Path:
    """A store of one snapshot: two engines' worth of ventings, the odd site among them."""
    engines = [
        {
            "engine_id": f"00{k}",
            "engine_type": "flat4" if k % 2 else "flat6",
            "cylinders": 4,
            "valves_per_cylinder": 2,
        }
        for k in range(6)
    ]
    jobs = [
        {
            "venting_id": f"V{k:03d}",
            "engine_id": f"00{k % 6}",
            "date": dt.date(2026, 4, 1) + dt.timedelta(days=7 * k),
            "site": ("Harbour", "Lake", ODD_SITE)[k % 3],
            "reason": "oil_change",
            "rotations": 30 + k,
            "rotations_counted_at": "crankshaft",
            "pressure_shown": True,
            "remarks": NASTY if k % 5 == 0 else "fine",
        }
        for k in range(ventings)
    ]
    starts = [
        {
            "venting_id": job["venting_id"],
            "start_no": 1,
            "time_to_pressure_s": 2.0 + k % 5,
            "pressure_shown": True,
            "reading_step_s": 0.5,
        }
        for k, job in enumerate(jobs)
    ]
    return write_store(path, {"engines": engines, "ventings": jobs, "starts": starts})


def write_store(path: Path, tables: Mapping[str, list[dict[str, Any]]], *, today: dt.date = TODAY) -> Path:
    """A store of one snapshot that holds these accepted rows by record table; columns left out are empty."""
    with st.write_snapshot(st.create_store(path)) as writer:
        for table, rows in tables.items():
            writer.add_rows(table, rows_of(table, rows))
        sources = [
            {"file": f"{table}.csv", "sheet": "", "table": table, "rows": len(rows), "sha256": "ab" * 32}
            for table, rows in tables.items()
        ]
        counts = {table: {"accepted": len(rows)} for table, rows in tables.items()}
        writer.commit(kind="intake", today=today, counts=counts, sources=sources)
    return path


BODY = """
import pandas as pd
from ventbook.document import wording
from ventbook.results import Estimate
from ventbook.document.blocks import Column
from ventbook.document.plotting import mark_limit, new_figure
ventings = page.within(page.keep(page.snapshot.read("ventings")), page.period)
share = Estimate(7 / 30, 0.1, 0.4, page.level, "share", len(ventings), 6, "made up")
gap = Estimate(0.4321, 0.31234, 0.55678, page.level, "mm", len(ventings), 6, "made up")
few = Estimate(None, None, None, page.level, "s", 2, 1, "made up", "too_few")
"""


def make_notebook(folder: Path, name: str = "quarterly-review", *, extra: str = "", body: str = BODY) -> Path:
    """A notebook in the form that all reports have, for the report ``name``."""
    spec = find_report(name)
    lines = []
    for parameter in spec.parameters.values():
        lines.append(f"{parameter.name}: {parameter.type} = {parameter.default!r}  # {parameter.help}")
    new = nbformat.v4
    code, words = new.new_code_cell, new.new_markdown_cell
    cells = [
        words(
            f"# {spec.title}\n\nHow did it go? Asked by the *quality team*. Formula: $N = \\frac{{V_0}}{{e_a D}}$."
        ),
        code("\n".join(lines), metadata={"tags": ["parameters"]}),
        code(f'from ventbook import open_page\npage = open_page("{name}", locals())'),
        code(body),
        code(
            'page.answer("Of the ventings, " + wording.share(share) + " failed.", f"{len(ventings)} ventings.")'
        ),
        words("## By site\n\nHow do sites compare?"),
        code(
            'page.add_finding("venting_failure_share", share, tier="describe", sentence=wording.share(share))\n'
        ),
        code(
            'page.add_finding("median_gap", gap, tier="describe", group={"site": ventings["site"].iloc[-1]}, '
            'verdict="within", sentence="The gap is " + wording.interval(gap, units=page.units))'
        ),
        code(
            'page.add_finding("median_time_to_pressure", few, tier="list", sentence=wording.interval(few))\n'
        ),
        code(
            'figure, ax = new_figure()\nax.plot(range(len(ventings)), ventings["rotations"], marker="o")\n'
            'mark_limit(ax, 40, "limit")\nax.set_ylabel("rotations")\n'
            'page.add_figure("rotations", figure, alt="Rotations rise over time.", caption="Rotations by job.")'
        ),
        words("### All jobs"),
        code(
            'frame = ventings[["venting_id", "date", "site", "rotations", "remarks"]].assign(gap_mm=0.5)\n'
            'columns = ["venting_id", "date", "site", Column("rotations", "Rotations"), "gap_mm", Column("remarks", "Remarks")]\n'
            'page.add_table("jobs", frame, title="All jobs", columns=columns)'
        ),
        code('page.explain("the gap", "From $G = r x_a + s_0$ and\\n\\n$$v = \\\\frac{a}{b}$$")'),
        words("## Cautions and stamp"),
        code("page.finish()"),
    ]
    if extra:
        cells.insert(-2, words("## Something else"))
        cells.insert(-2, code(extra))
    notebook = new.new_notebook(cells=cells)
    notebook.metadata["kernelspec"] = {"name": "no-such-kernel", "display_name": "x", "language": "python"}
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / spec.notebook
    nbformat.write(notebook, path)
    return path
