"""Formulas in the spellings that renderers need: TeX as authors write it, MathML for browsers, Typst for print."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

from ventbook.document.blocks import Span, Words, make_words
from ventbook.tables import DATA
from ventbook.tables.reader import read_rows

TABLE = DATA / "formulas.toml"
PATTERN = re.compile(r"(?<!\\)\$\$(.+?)\$\$|(?<!\\)\$([^$\n]+?)\$", re.DOTALL)
_SAME = re.compile(r"[0-9]*[A-Za-z](_[A-Za-z0-9])?")


@dataclass(frozen=True)
class Formula:
    """One row of the table: the TeX spelling and the one for print."""

    tex: str
    typst: str


@cache
def read_formulas() -> dict[str, str]:
    """Typst spelling by TeX spelling. Raises TableError for a row without either, and for one that stands twice."""
    rows = read_rows(
        TABLE, "formula", Formula, where=f"{TABLE.name}, ", word="formula", label="tex", unique=True
    )
    return {row.tex: row.typst for row in rows}


def find_typst(tex: str) -> str | None:
    """The Typst spelling of a formula; None where the table has none."""
    return tex if _SAME.fullmatch(tex) else read_formulas().get(tex)


@cache
def make_mathml(tex: str, *, display: bool) -> str:
    """A formula as MathML, which browsers and screen readers read without any script; its TeX stands in ``alttext``."""
    import html

    from latex2mathml.converter import convert

    made = str(convert(tex, display="block" if display else "inline")).replace(
        ' xmlns="http://www.w3.org/1998/Math/MathML"', ""
    )
    return made.replace("<math ", f'<math alttext="{html.escape(tex, quote=True)}" ', 1)


def find_formulas(text: str) -> Words:
    """Prose with formulas between dollar signs, as words: ``$...$`` in the line, ``$$...$$`` on a line of its own."""
    made: list[Span] = []
    place = 0
    for match in PATTERN.finditer(text):
        if before := text[place : match.start()]:
            made.append(Span(before))
        made.append(read_formula(match))
        place = match.end()
    if rest := text[place:]:
        made.append(Span(rest))
    return tuple(made) or make_words("")


def read_formula(match: re.Match[str]) -> Span:
    """One match of the pattern, white space made plain."""
    return Span(" ".join((match[1] or match[2]).split()), "display" if match[1] is not None else "formula")
