"""Pieces of a page as HTML and plain text: paragraphs, tables, figures, notes.

Everything that comes from records or results passes ``html.escape`` here, and only here is mark-up made. The mark-up
is a small closed set (headings come from the notebook), so that the HTML report, the PDF and a screen reader all
understand it.
"""

from __future__ import annotations

import base64
import datetime as dt
import html
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ventbook import wording
from ventbook.units import System

from .period import name_span

ROWS_SHOWN = 60


@dataclass(frozen=True)
class Shown:
    """Something a notebook cell can display: HTML for readers, plain text for everything else."""

    html: str
    text: str = ""

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, str]:
        return {"text/html": self.html, "text/plain": self.text}

    def __add__(self, other: Shown) -> Shown:
        return Shown(
            f"{self.html}\n{other.html}", "\n".join(part for part in (self.text, other.text) if part)
        )


@dataclass(frozen=True)
class ColumnSpec:
    """How a table's column is shown: header, canonical unit, and format.

    ``unit`` is a canonical unit (``mm``, ``s``), ``share`` (shown as per cent) or empty. ``format`` is empty for the
    unit's own decimals, a number of decimals (``"1"``), ``text``, ``integer``, ``date``, ``yes_no``, ``verdict``.
    """

    header: str
    unit: str = ""
    format: str = ""

    def heading(self, units: System) -> str:
        label = wording.unit_label(self.unit, units)
        return f"{self.header} [{label}]" if label else self.header


def anchor(text: str) -> str:
    """A name for links made from a heading: lower case letters, digits and hyphens."""
    words = re.sub(r"[^\w]+", "-", text.casefold(), flags=re.ASCII).strip("-")
    return words or "section"


def escape(text: Any) -> str:
    """Text made safe inside HTML, attributes included."""
    return html.escape(str(text), quote=True)


def paragraphs(*sentences: str) -> str:
    return "".join(f"<p>{escape(sentence)}</p>" for sentence in sentences)


def is_missing(value: Any) -> bool:
    return (
        value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and math.isnan(value))
    )


def cell_text(value: Any, spec: ColumnSpec, units: System) -> str:
    """One table cell as a reader sees it; an empty text where nothing was recorded."""
    if is_missing(value):
        return ""
    if spec.format == "yes_no" or isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if spec.format == "verdict":
        return wording.verdict_words(str(value)) if str(value) in wording.VERDICT_WORDS else str(value)
    if hasattr(value, "isoformat"):
        return str(value.isoformat()).replace("T", " ").removesuffix(" 00:00:00")
    if isinstance(value, (int, float, np.integer, np.floating)) and spec.format != "text":
        if spec.format == "integer":
            return f"{value:.0f}"
        decimals = int(spec.format) if spec.format.isdigit() else None
        if decimals is None and isinstance(value, (int, np.integer)) and not spec.unit:
            return str(int(value))
        return wording.number(float(value), spec.unit, units=units, decimals=decimals, label=False)
    return wording.clean_text(value)


def is_number_column(frame: pd.DataFrame, column: str, spec: ColumnSpec) -> bool:
    kind = frame[column].dtype
    if spec.format in ("text", "yes_no", "verdict", "date") or pd.api.types.is_bool_dtype(kind):
        return False
    return pd.api.types.is_numeric_dtype(kind)


def table_html(
    name: str,
    frame: pd.DataFrame,
    columns: Mapping[str, ColumnSpec],
    *,
    title: str,
    units: System,
    note: str = "",
    rows: int = ROWS_SHOWN,
) -> str:
    """A table with caption, header cells and every row up to ``rows``; a cut is said in the caption."""
    numeric = {column: is_number_column(frame, column, spec) for column, spec in columns.items()}
    cut = len(frame) > rows
    head = "".join(
        f'<th scope="col"{_number_class(numeric[column])}>{escape(spec.heading(units))}</th>'
        for column, spec in columns.items()
    )
    lines = []
    for values in frame[list(columns)].head(rows).itertuples(index=False, name=None):
        cells = []
        for place, (value, (column, spec)) in enumerate(zip(values, columns.items(), strict=True)):
            text = _breakable(cell_text(value, spec, units))
            if place == 0 and not numeric[column]:
                cells.append(f'<th scope="row"{_date_class(text)}>{text}</th>')
            else:
                kind = _number_class(numeric[column]) or _date_class(text)
                cells.append(f"<td{kind}>{text}</td>")
        lines.append(f"<tr>{''.join(cells)}</tr>")
    if not lines:
        lines.append(f'<tr><td colspan="{max(len(columns), 1)}">none</td></tr>')
    more = f" First {rows} of {len(frame)} rows; all of them stand in tables/{name}.csv." if cut else ""
    notes = " ".join(part for part in (note, more.strip()) if part)
    below = f'<p class="vb-note">{escape(notes)}</p>' if notes else ""
    return (
        f'<div class="vb-table" id="table-{anchor(name)}">'
        f'<div class="vb-scroll" tabindex="0" role="region" aria-label="{escape(title)}">'
        f"<table><caption>{escape(title)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(lines)}</tbody></table></div>{below}</div>"
    )


def _number_class(numeric: bool) -> str:
    return ' class="vb-number"' if numeric else ""


def _breakable(text: str) -> str:
    """Escaped text in which words too long for a column may break."""
    return escape(re.sub(r"\S{30}(?=\S)", lambda word: word[0] + "\0", text)).replace("\0", "<wbr>")


def _date_class(text: str) -> str:
    """Dates and short identifiers stay on one line, sentences get room."""
    if re.fullmatch(r"\d{4}-\d\d(-\d\d)?|\d{4}Q\d|[A-Za-z]{0,6}\d+(-\d+)?", text):
        return ' class="vb-date"'
    return ' class="vb-words"' if len(text) > 45 else ""


def table_text(frame: pd.DataFrame, columns: Mapping[str, ColumnSpec], *, title: str, units: System) -> str:
    """The table as plain text, first 20 rows."""
    lines = [title, " | ".join(spec.heading(units) for spec in columns.values())]
    for values in frame[list(columns)].head(20).itertuples(index=False, name=None):
        lines.append(
            " | ".join(
                cell_text(value, spec, units) for value, spec in zip(values, columns.values(), strict=True)
            )
        )
    if len(frame) > 20:
        lines.append(f"... {len(frame)} rows")
    return "\n".join(lines)


def figure_html(name: str, svg: bytes, *, alt: str, caption: str) -> str:
    """A figure as an image that carries its own data, with its alternative text and caption."""
    data = base64.b64encode(svg).decode("ascii")
    return (
        f'<figure class="vb-figure" id="figure-{anchor(name)}">'
        f'<img alt="{escape(alt)}" src="data:image/svg+xml;base64,{data}">'
        f"<figcaption>{escape(caption)}</figcaption></figure>"
    )


def formula_html(tex: str, *, display: bool = False) -> str:
    """A formula in TeX as MathML, which browsers and screen readers read without any script."""
    from latex2mathml.converter import convert

    made = str(convert(tex, display="block" if display else "inline"))
    return made.replace("<math ", f'<math alttext="{escape(tex)}" ', 1)


_FORMULA = re.compile(r"\$\$(.+?)\$\$|\$([^$\n]+?)\$", re.DOTALL)


def prose_html(text: str) -> str:
    """Paragraphs of our own prose, split at blank lines, with ``$...$`` and ``$$...$$`` set as formulas."""
    made = []
    for block in re.split(r"\n\s*\n", text.strip()):
        place, parts = 0, []
        for match in _FORMULA.finditer(block):
            parts.append(escape(block[place : match.start()]))
            parts.append(formula_html(match[1] or match[2], display=match[1] is not None))
            place = match.end()
        parts.append(escape(block[place:]))
        made.append(f"<p>{''.join(parts)}</p>")
    return "".join(made)


def explanation_html(title: str, text: str) -> str:
    """A folded "how this was worked out"."""
    return (
        f'<details class="vb-explain"><summary>How this was worked out: {escape(title)}</summary>'
        f"{prose_html(text)}</details>"
    )


def list_html(items: Sequence[str], kind: str) -> str:
    return f'<ul class="{kind}">{"".join(f"<li>{escape(item)}</li>" for item in items)}</ul>'


def pairs_html(pairs: Sequence[tuple[str, str]], *, title: str, kind: str = "vb-stamp") -> str:
    """Names and values as a two-column table (row headers on the left)."""
    rows = "".join(f'<tr><th scope="row">{escape(a)}</th><td>{escape(b)}</td></tr>' for a, b in pairs)
    head = '<thead><tr><th scope="col">What</th><th scope="col">Which</th></tr></thead>'
    return f'<div class="{kind}"><table><caption>{escape(title)}</caption>{head}<tbody>{rows}</tbody></table></div>'


_SUFFIXES = ("mm", "um", "m", "L", "cm3", "mm3", "s", "h", "bar", "degC", "rpm", "N", "N_per_mm", "share")


def guess_spec(column: str) -> ColumnSpec:
    """A column's header and unit from its stored name: ``gap_first_mm`` is ``gap first`` in mm."""
    for suffix in sorted(_SUFFIXES, key=len, reverse=True):
        if column.endswith(f"_{suffix}"):
            words = column if suffix == "share" else column.removesuffix(f"_{suffix}")
            return ColumnSpec(words.replace("_", " "), suffix.replace("_per_", "/"))
    if column.endswith(("_probability", "_share")):
        return ColumnSpec(column.replace("_", " "), "probability")
    return ColumnSpec(column.replace("_", " "))


def findings_html(findings: Sequence[Mapping[str, Any]], *, units: System, placeholder: bool = False) -> str:
    """All findings of a page as one table, each number in its display unit.

    With ``placeholder``, verdicts say that they are against a placeholder limit.
    """
    heads = ("Number", "About", "Period", "Estimate", "Plausible range", "n", "Independent groups", "Remark")
    lines = []
    for finding in findings:
        unit = finding["unit"]
        about = "; ".join(f"{a} {b}" for a, b in finding["group"].items()) or "all"
        estimate, spread = "", ""
        if finding["estimate"] is not None:
            estimate = wording.number(finding["estimate"], unit, units=units)
        if finding["low"] is not None or finding["high"] is not None:
            spread = wording.value_range(finding["low"], finding["high"], unit, units=units)
        remark = "" if finding["state"] == "estimated" else wording.STATE_WORDS[finding["state"]]
        if finding["verdict"]:
            remark = "; ".join(
                part
                for part in (remark, wording.verdict_words(finding["verdict"], placeholder=placeholder))
                if part
            )
        cells = [
            about,
            name_span(
                dt.date.fromisoformat(finding["period_start"]), dt.date.fromisoformat(finding["period_end"])
            ),
            estimate,
            spread,
            str(finding["n"]),
            str(finding["clusters"] or ""),
            remark,
        ]
        name = escape(finding["id"].replace("_", " "))
        lines.append(
            f'<tr><th scope="row">{name}</th>{"".join(f"<td>{escape(cell)}</td>" for cell in cells)}</tr>'
        )
    head = "".join(f'<th scope="col">{word}</th>' for word in heads)
    title = "Every number of this page with its plausible range"
    if not lines:
        lines.append(f'<tr><td colspan="{len(heads)}">none</td></tr>')
    return (
        f'<div class="vb-table" id="table-findings"><div class="vb-scroll" tabindex="0" role="region" '
        f'aria-label="{title}"><table><caption>{title}</caption><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(lines)}</tbody></table></div></div>"
    )
