"""What a report says, as blocks: frozen values, units and texts, never mark-up. Each renderer makes its own form of them.

A text inside a block is a plain string, or a row of spans where part of it is stressed, code or a formula. Numbers are
canonical and exact; rounding and conversion to the reader's units happen in the renderers. A block knows nothing of
where it stands: the order is kept by :class:`~ventbook.document.sequence.Blocks`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

from ventbook.document.values import Cell, safe_name
from ventbook.tables.units import System

SpanKind = Literal["", "em", "strong", "code", "formula", "display"]
LINES, TODO = 5, 3
"""Lines that an answer may have, and things to do that stand beside it."""


@dataclass(frozen=True)
class Span:
    """A piece of a paragraph. ``formula`` and ``display`` (on a line of its own) hold TeX."""

    text: str
    kind: SpanKind = ""

    def __post_init__(self) -> None:
        if self.kind not in get_args(SpanKind):
            raise ValueError(
                f"a span is one of {', '.join(get_args(SpanKind)[1:])} or plain; got {self.kind!r}"
            )


Words = tuple[Span, ...]


def make_words(text: str) -> Words:
    """A plain string as words."""
    return (Span(text),)


def plain_words(words: Words) -> str:
    """Words without their stress, as one string."""
    return "".join(span.text for span in words)


def make_anchor(text: str) -> str:
    """A name for links made from a heading: lower case letters, digits and hyphens."""
    return re.sub(r"[^\w]+", "-", text.casefold(), flags=re.ASCII).strip("-") or "section"


@dataclass(frozen=True)
class Heading:
    """A heading; ``level`` 1 to 6. Without ``anchor``, its words name it."""

    words: Words
    level: int
    anchor: str = ""

    def __post_init__(self) -> None:
        if self.level not in range(1, 7):
            raise ValueError(f"a heading's level is 1 to 6; got {self.level!r}")


@dataclass(frozen=True)
class Text:
    """One paragraph."""

    words: Words


@dataclass(frozen=True)
class Plain:
    """What a cell printed: shown line by line as it is."""

    text: str


@dataclass(frozen=True)
class List:
    """A list; an item is a row of blocks, mostly one paragraph."""

    items: tuple[tuple[Any, ...], ...]
    ordered: bool = False


@dataclass(frozen=True)
class Answer:
    """The answer that stands first: what it is about, a banner where limits are placeholders, at most five short lines.

    ``caution`` says that the page releases nothing; it stands before the lines. ``todo`` is what to do, in order, and
    ``warnings`` what has to be heeded in doing so.
    """

    scope: str
    sentences: tuple[str, ...]
    banner: str = ""
    caution: str = ""
    todo: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Explain:
    """A folded "how this was worked out"."""

    title: str
    paragraphs: tuple[Words, ...]


@dataclass(frozen=True)
class Finding:
    """One number with its stable id, what it is about, and the sentence that says it.

    ``group`` names the part of the records (empty is all); ``period_end`` is the day after the last; ``period`` is how
    readers call that span. Numbers are canonical, None is "no number".
    """

    id: str
    group: Mapping[str, Cell]
    period_start: str
    period_end: str
    period: str
    estimate: float | None
    low: float | None
    high: float | None
    level: float
    unit: str
    n: int
    clusters: int
    tier: str
    state: str
    verdict: str | None
    sentence: str
    method: str


@dataclass(frozen=True)
class Column:
    """A column as readers meet it.

    ``unit`` is a canonical unit, ``share`` (shown as per cent) or empty. ``format`` is empty for the unit's own decimals,
    a number of decimals (``"1"``), ``text``, ``integer``, ``date``, ``yes_no``, ``verdict``, ``code`` (underscores shown as
    spaces), ``chance`` (a probability, never shown as 0). ``number``: set right.
    """

    name: str
    header: str
    unit: str = ""
    format: str = ""
    number: bool = False
    kind: Literal["", "date"] = ""


@dataclass(frozen=True)
class Table:
    """A table as it stands on the page: its first rows. ``cells`` are one tuple a column, ``rows`` how many there are in all."""

    name: str
    title: str
    columns: tuple[Column, ...]
    cells: tuple[tuple[Cell, ...], ...]
    rows: int
    units: System = "metric"
    note: str = ""

    def __post_init__(self) -> None:
        _check_name(self.name)
        _check_shape(self.name, self.cells, len(self.columns))


@dataclass(frozen=True)
class Data:
    """A table as it is left behind: its rows by every column's own name; ``columns`` are those that readers see.

    ``total``, where it isn't 0: how many rows the table has, of which only the first stand here.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    cells: Mapping[str, tuple[Cell, ...]]
    note: str = ""
    total: int = 0

    def __post_init__(self) -> None:
        _check_name(self.name)
        _check_shape(self.name, tuple(self.cells.values()), len(self.cells))
        if missing := [column.name for column in self.columns if column.name not in self.cells]:
            raise ValueError(f"table {self.name}: columns {', '.join(missing)} are not in the frame")


@dataclass(frozen=True)
class Figure:
    """A drawing as SVG, with words for those who don't see it and a caption."""

    name: str
    svg: str
    alt: str
    caption: str

    def __post_init__(self) -> None:
        _check_name(self.name)
        if not self.alt.strip():
            raise ValueError(f"figure {self.name}: alt must say what the figure shows")

    @property
    def size(self) -> tuple[float, float] | None:
        """Width and height that it was drawn for, in points; None where the drawing doesn't say."""
        found = re.search(r'<svg[^>]*? width="([\d.]+)pt" height="([\d.]+)pt"', self.svg)
        return (float(found[1]), float(found[2])) if found else None


@dataclass(frozen=True)
class Numbers:
    """All findings of a page. With ``placeholder``, verdicts say that they are against a placeholder limit."""

    findings: tuple[Finding, ...]
    units: System = "metric"
    placeholder: bool = False


@dataclass(frozen=True)
class Cautions:
    """What a reader has to bear in mind."""

    texts: tuple[str, ...]


@dataclass(frozen=True)
class Pairs:
    """Names and values: what a page was made from."""

    title: str
    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Remark:
    """A comment by the team; ``changed`` says where the number that it speaks of has moved."""

    head: str
    paragraphs: tuple[str, ...]
    changed: str = ""


@dataclass(frozen=True)
class Closing:
    """The end of a finished page; nothing of it is shown. It holds what files need beside the blocks that readers see.

    ``alerts`` are the sentences of the answer that go before everything else, on the start page too.
    """

    title: str
    scope: str
    units: System
    period: Mapping[str, str]
    answers: tuple[str, ...]
    stamp: Mapping[str, Any]
    tables: tuple[Data, ...] = field(default=())
    banner: str = ""
    alerts: tuple[str, ...] = ()


Block = (
    Heading
    | Text
    | Plain
    | List
    | Answer
    | Explain
    | Finding
    | Table
    | Figure
    | Numbers
    | Cautions
    | Pairs
    | Remark
    | Closing
)


def block_anchor(block: Block) -> str:
    """The name that a block can be linked by; empty where it has none."""
    match block:
        case Heading():
            return make_anchor(block.anchor or plain_words(block.words))[:80]
        case Table():
            return f"table-{make_anchor(block.name)}"[:80]
        case Figure():
            return f"figure-{make_anchor(block.name)}"[:80]
        case Numbers():
            return "table-findings"
    return ""


def _check_name(name: str) -> None:
    """Names become names of files: letters, digits, _ and - only."""
    if safe_name(name) != name:
        raise ValueError(f"a name is letters, digits, _ and -; got {name!r}")


def _check_shape(name: str, cells: tuple[tuple[Cell, ...], ...], columns: int) -> None:
    if len(cells) != columns or len({len(column) for column in cells}) > 1:
        raise ValueError(f"table {name}: as many columns of cells as headers, all of one length")
