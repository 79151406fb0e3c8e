"""One voice: what a page says, held against itself.

A reader who finds two sentences that disagree believes neither. The checks here know nothing of what a page is about:
they read its blocks as a reader would.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Sequence

from ventbook.document.blocks import (
    LINES,
    TODO,
    Answer,
    Block,
    Column,
    Figure,
    Finding,
    List,
    Table,
    Text,
    plain_words,
)
from ventbook.document.text import block_text

NUMBER = r"[+\u2212-]?\d+(?:\.\d+)?"
# "1.29 times (plausible range 0.68 to 2.51)", "+6 points (-9 to +20)": an effect with its interval and the value of no effect.
RATIO = re.compile(rf"({NUMBER}) times(?: as \w+)? \((?:plausible range )?({NUMBER}) to ({NUMBER})\)")
POINTS = re.compile(rf"({NUMBER}) points \((?:plausible range )?({NUMBER}) to ({NUMBER})")
CLAIMS = re.compile(
    r"\bstands? out\b|\bmoved by more than chance\b|^(?:More|Fewer) failing ventings than expected|\bworked\b"
)
SHARE_OVER = re.compile(r"(?<![\w.])(?!100(?:\.0+)? %)[1-9]\d\d(?:\.\d+)? %(?! of the (?:limit|expected))")
OTHER_PERCENT = re.compile(r"\berrors?\b|\bincrease")  # per cent of something that may be more than doubled
NOTHING = re.compile(r"(?<![\d.])(?:0 times\b|[pq] = 0\.0+\b)")
MINUS_NOUGHT = re.compile(r"(?<![\w.,-])[-\u2212]0(?:\.0+)?(?![\w.]|,\d)")
# odds are of a lifter or of a venting; beside counts of ventings it has to be said of which
ODDS = re.compile(r"\bodds\b(?! of an? (?:lifter|venting))")
OF_VENTINGS = re.compile(r"\d of \d+ ventings?\b")
RAW_NAME = re.compile(r"(?<![\w./-])[a-z]+(?:_[a-z0-9]+)+(?![\w./-])")
COUNTED = re.compile(r"^(\d+) [\w -]+?[^:]*:$")


def find_faults(blocks: Sequence[Block], *, raw_names: Collection[str] | None = None) -> list[str]:
    """What one page says against itself.

    Parameters
    ----------
    blocks : sequence of Block
        The page in order.
    raw_names : collection of str, optional
        Names of columns and codes that a reader must not meet; not given, whatever small letters hold an underscore.

    Returns
    -------
    list of str
        One sentence a fault: a colon without its list, a list that is not as long as was said, an interval that holds
        no effect beside a claim of one, a share over 100 %, ``0 times``, a p of 0, a minus before nought, odds that may be of
        lifters or of ventings, 100 and 100.0 in one column, a raw name of a column, an answer of more lines than are read at a
        glance.

    Examples
    --------
    >>> from ventbook.document.sequence import Blocks
    >>> find_faults(list(Blocks("Ridge stands out: 1.40 times (plausible range 0.90 to 2.10).")))
    ['an interval that holds no effect beside a claim: "Ridge stands out: 1.40 times (plausible range 0.90 to 2.10)."']
    """
    faults = [f'a colon without its list: "{said}"' for said in _open_colons(blocks)]
    faults += [f"{said} of {wanted}, but {found} follow" for said, wanted, found in _miscounted(blocks)]
    names = None if raw_names is None else set(raw_names)
    for said in _sentences(blocks):
        if CLAIMS.search(said) and any(_holds_none(said)):
            faults.append(f'an interval that holds no effect beside a claim: "{said}"')
        if SHARE_OVER.search(said) and not OTHER_PERCENT.search(said):
            faults.append(f'a share over 100 %: "{said}"')
        if NOTHING.search(said):
            faults.append(f'a count or probability of nothing: "{said}"')
        if MINUS_NOUGHT.search(said):
            faults.append(f'a minus before nought: "{said}"')
        if ODDS.search(said) and OF_VENTINGS.search(said):
            faults.append(f'odds beside counts of ventings, and not of what: "{said}"')
        if found := _raw(said, names):
            faults.append(f'the raw name {", ".join(sorted(found))}: "{said}"')
    for block in blocks:
        if isinstance(block, Answer):
            faults += _answer_faults(block)
        if isinstance(block, Table):
            faults += _table_faults(block, names)
    return list(dict.fromkeys(faults))


def _sentences(blocks: Iterable[Block]) -> Iterator[str]:
    """Sentences and captions of a page, in order; explanations and what it was made from are left out."""
    for block in blocks:
        match block:
            case Answer():
                yield from block.sentences
                yield from block.todo
            case Text():
                if not any(span.kind in ("code", "formula", "display") for span in block.words):
                    yield plain_words(block.words)
            case List():
                for item in block.items:
                    yield from _sentences(item)
            case Figure():
                yield block.caption
                yield block.alt
            case Finding():
                yield block.sentence
            case Table():
                yield block.title
                if block.note:
                    yield block.note


def _answer_faults(answer: Answer) -> Iterator[str]:
    """An answer that can't be read at a glance."""
    if len(answer.sentences) > LINES:
        yield f"an answer of {len(answer.sentences)} lines; {LINES} are read at a glance"
    if len(answer.todo) > TODO:
        yield f"{len(answer.todo)} things to do beside the answer; {TODO} are read at a glance"


def _open_colons(blocks: Sequence[Block]) -> Iterator[str]:
    for place, block in enumerate(blocks):
        following = blocks[place + 1] if place + 1 < len(blocks) else None
        listed = isinstance(following, (List, Table, Text, Figure))
        if isinstance(block, Answer):
            last = block.sentences[-1] if block.sentences else ""
            if last.endswith(":") and not isinstance(following, (List, Table)):
                yield last
        elif isinstance(block, Text) and plain_words(block.words).endswith(":") and not listed:
            yield plain_words(block.words)


def _miscounted(blocks: Sequence[Block]) -> Iterator[tuple[str, int, int]]:
    """(sentence, count said, count found) where a counted list is shorter or longer than it says."""
    for place, block in enumerate(blocks):
        if isinstance(block, Answer):
            for number, said in enumerate(block.sentences):
                found = len(block.sentences) - number - 1
                if (match := COUNTED.match(said)) and found < int(match[1]):
                    yield said, int(match[1]), found
        elif isinstance(block, Text) and (match := COUNTED.match(plain_words(block.words))):
            following = blocks[place + 1] if place + 1 < len(blocks) else None
            if isinstance(following, (List, Table)):
                found = len(following.items) if isinstance(following, List) else following.rows
                if found != int(match[1]):
                    yield plain_words(block.words), int(match[1]), found


def _holds_none(said: str) -> Iterator[bool]:
    for pattern, none in ((RATIO, 1.0), (POINTS, 0.0)):
        for match in pattern.finditer(said):
            low, high = (float(part.replace("\u2212", "-")) for part in match.groups()[1:])
            yield low < none < high


def _raw(text: str, names: set[str] | None) -> set[str]:
    found = set(RAW_NAME.findall(text))
    return found if names is None else found & names


def _table_faults(table: Table, names: set[str] | None) -> Iterator[str]:
    if len(table.cells[0] if table.cells else ()) > table.rows:
        yield f"table {table.name} shows more rows than the {table.rows} that it says it has"
    for column, cells in zip(table.columns, table.cells, strict=True):
        shown = (
            [] if column.format in ("code", "verdict") else [cell for cell in cells if isinstance(cell, str)]
        )
        for text in (column.header, *shown):
            if found := _raw(text, names):
                yield f"table {table.name} shows the raw name {', '.join(sorted(found))}"
        yield from _share_faults(table, column, cells)


def _share_faults(table: Table, column: Column, cells: Sequence[object]) -> Iterator[str]:
    of_whole = column.unit == "share" and not re.search(r"of the (?:limit|expected)", column.header)
    if of_whole and any(isinstance(cell, (int, float)) and cell > 1 + 1e-9 for cell in cells):
        yield f"table {table.name}: {column.header} goes past 100 %"
    if not column.number:
        return
    shown = block_text(Table("check", "", (column,), (tuple(cells),), len(cells)))  # type: ignore[arg-type]
    if {"100", "100.0"} <= set(shown.splitlines()):
        yield f"table {table.name}: {column.header} has 100 and 100.0"
    is_chance = re.search(r"\b[pq]\b|^chance", column.header.casefold()) is not None
    if is_chance and re.search(r"(?m)^0(?:\.0+)?$", shown):
        yield f"table {table.name}: {column.header} is shown as 0"
