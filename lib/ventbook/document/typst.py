"""Blocks as Typst source, and from there a tagged PDF (PDF/UA-1), by packages that pip installs.

Text always travels as a quoted string, never as Typst mark-up: no text of a record can turn into a command. Tables get
header rows that repeat and column widths by content; pictures and formulas keep their alternative text, which tagged
PDF asks for. Same page, same bytes: fonts come with the packages and not from the machine, and the document's date is
the date of the records.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Sequence
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from ventbook.document.arrange import Document
from ventbook.document.blocks import (
    Answer,
    Block,
    Cautions,
    Closing,
    Explain,
    Figure,
    Finding,
    Heading,
    List,
    Numbers,
    Pairs,
    Plain,
    Remark,
    Span,
    Table,
    Text,
    Words,
)
from ventbook.document.columns import (
    NUMBERS_HEADS,
    NUMBERS_TITLE,
    PAIRS_HEADS,
    cut_note,
    heading,
    number_rows,
    text_rows,
)
from ventbook.document.formulas import find_typst
from ventbook.document.html import TEMPLATES, TODO_HEAD

PAPERS = {"a4": "a4", "letter": "us-letter"}
# Width of the narrower paper between its margins and of a column's padding, in points; sizes that table text may take; widest
# cell and header that a column makes room for, in multiples of the size; characters after which a word may break.
PAGE, PADDING, SIZES, WIDEST, WIDEST_HEAD, UNBROKEN = 488.0, 7.5, (7.5, 6.8, 6.2), 27.0, 17.0, 18
# Width and height that a picture takes, in points, where it was drawn larger; how small it may be made for that, so that
# text drawn at 9 points is never under 7: a taller one takes more of the page instead.
WIDTH, HEIGHT, SMALLEST = 0.92 * PAGE, 0.62 * PAGE, 7.2 / 9


def quote(text: str) -> str:
    """Text as a Typst string expression in content: nothing in it is mark-up, any white space is one space."""
    return "#" + string(re.sub(r"\s+", " ", text)) + ";"


def string(text: str, *, lines: bool = False) -> str:
    """Text as a Typst string: the characters that the fonts hold, back slashes and quotes escaped; ``lines`` keeps line ends."""
    known = _advances("DejaVuSans")
    kept = " ".join(text.split("\n")) if not lines else text
    shown = "".join(c if c in " \u200b\n" or ord(c) in known else "\ufffd" for c in kept)
    return '"' + shown.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


@cache
def font_folder() -> Path:
    """The folder of the DejaVu fonts that come with the plotting library: the same on every machine."""
    found = find_spec("matplotlib")  # which need not be loaded
    assert found is not None and found.origin is not None
    return Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"


@cache
def _advances(name: str) -> dict[int, float]:
    """Widths of the characters that a font holds, in multiples of its size."""
    from fontTools.ttLib import TTFont

    with TTFont(font_folder() / f"{name}.ttf", lazy=True) as font:
        em, widths = font["head"].unitsPerEm, font["hmtx"]
        return {
            code: widths[glyph][0] / em for code, glyph in font["cmap"].getBestCmap().items() if code >= 32
        }


def text_width(text: str, *, bold: bool = False) -> float:
    """How wide a table's text is set, in multiples of its size."""
    known = _advances("DejaVuSans-Bold" if bold else "DejaVuSans")
    return sum(known.get(ord(character), 1.0) for character in text)


def picture_width(size: tuple[float, float] | None) -> float:
    """How wide a picture is set, in points, of the size that it was drawn for."""
    if size is None:
        return WIDTH
    width, height = size
    return width * max(min(1.0, WIDTH / width, HEIGHT / height), min(SMALLEST, PAGE / width))


class Writer:
    """Turns blocks into Typst source; pictures are written into ``folder``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.pictures = 0

    def block(self, block: Block) -> str:
        """One block, with the empty line that ends it."""
        match block:
            case Heading():
                return f"#heading(level: {block.level})[{set_words(block.words)}]\n\n"
            case Text():
                return f"{set_words(block.words)}\n\n"
            case Plain():
                return f"#raw(block: true, {string(block.text, lines=True)})\n\n"
            case List():
                items = "".join(f"[{self._item(item)}], " for item in block.items)
                return f"#{'enum' if block.ordered else 'list'}({items})\n\n"
            case Answer():
                banner = f"#banner[{quote(block.banner)}]\n\n" if block.banner else ""
                caution = f"#strong[{quote(block.caution)}]\n\n" if block.caution else ""
                return f"#quiet[{quote(block.scope)}]\n\n{caution}{banner}#answer[{_paragraphs(block.sentences)}{_todo(block)}]\n\n"
            case Explain():
                prose = "".join(f"{set_words(words)}\n\n" for words in block.paragraphs)
                return f"#worked[{quote(f'How this was worked out: {block.title}')}][{prose}]\n\n"
            case Finding():
                return f"{quote(block.sentence)}\n\n"
            case Table():
                return self._table(block)
            case Figure():
                return self._figure(block)
            case Numbers():
                return set_table(NUMBERS_TITLE, NUMBERS_HEADS, number_rows(block))
            case Cautions():
                return f"#list({''.join(f'[{quote(text)}], ' for text in block.texts)})\n\n"
            case Pairs():
                return set_table(block.title, PAIRS_HEADS, [list(row) for row in block.rows])
            case Remark():
                changed = f"#banner[{quote(block.changed)}]\n\n" if block.changed else ""
                return f"#remark[{quote(block.head)}\n\n{changed}{_paragraphs(block.paragraphs)}]\n\n"
            case Closing():
                return ""

    def _item(self, item: Sequence[Block]) -> str:
        if len(item) == 1 and isinstance(item[0], Text):
            return set_words(item[0].words)
        return "".join(self.block(part) for part in item)

    def _figure(self, figure: Figure) -> str:
        """A picture with its alternative text and its caption, no wider than lets it stand among text."""
        self.pictures += 1
        file = f"picture-{self.pictures}.svg"
        (self.folder / file).write_text(figure.svg, encoding="utf-8", newline="")
        width = picture_width(figure.size)
        return f'#picture("{file}", {width:.1f}pt, {string(figure.alt)}, [{quote(figure.caption)}])\n\n'

    def _table(self, table: Table) -> str:
        heads = [heading(column, table.units) for column in table.columns]
        right = [column.number for column in table.columns]
        made = set_table(table.title, heads, text_rows(table), right=right)
        note = cut_note(table)
        return f"{made}#quiet[{quote(note)}]\n\n" if note else made


def set_words(words: Words) -> str:
    """Words of a paragraph with stress, code and formulas."""
    parts = []
    for span in words:
        if span.kind in ("formula", "display"):
            parts.append(_formula(span))
        elif span.kind == "code":
            parts.append(f"#raw({string(span.text)});")
        elif span.kind:
            parts.append(f"#{span.kind.replace('em', 'emph')}[{quote(span.text)}];")
        else:
            parts.append(quote(span.text))
    return "".join(parts)


def _formula(span: Span) -> str:
    """A formula with its TeX as the words for it; one that the table has no Typst for is set as its TeX."""
    block = "true" if span.kind == "display" else "false"
    spelling = find_typst(span.text)
    inside = string(span.text) if spelling is None else spelling
    return f"#math.equation(block: {block}, alt: {string(span.text)}, ${inside}$);"


def _todo(answer: Answer) -> str:
    if not answer.todo:
        return ""
    steps = "".join(f"[{quote(text)}], " for text in answer.todo)
    warnings = "".join(f"#quiet[{quote(text)}]\n\n" for text in answer.warnings)
    return f"#strong[{quote(TODO_HEAD)}]\n\n#enum({steps})\n\n{warnings}"


def _paragraphs(texts: Sequence[str]) -> str:
    return "".join(f"{quote(text)}\n\n" for text in texts)


def set_table(
    title: str, heads: Sequence[str], rows: Sequence[Sequence[str]], *, right: Sequence[bool] = ()
) -> str:
    """A table: title kept with it, header row repeated on every page, columns of numbers set right."""
    if not heads:
        return ""
    columns = [list(column) for column in zip(*rows, strict=True)] if rows else [[] for _ in heads]
    size, widths = _widths(heads, columns)
    sides = ", ".join("right" if flag else "left" for flag in (right or [False] * len(heads)))
    parts = [f"columns: ({widths},)", f"align: ({sides},)"]
    parts.append(f"table.header({', '.join(f'[#strong[{_broken(head)}];]' for head in heads)})")
    for row in rows:
        parts += [f"[{_broken(text)}]" for text in row]
    if not rows:
        parts.append(f"table.cell(colspan: {len(heads)})[{quote('none')}]")
    return f"#tabletitle[{quote(title)}]\n#rows({size}pt, {', '.join(parts)})\n\n"


def _broken(text: str) -> str:
    """Text of a cell; very long words get places where a line may break, so that no column grows off the page."""
    return quote(re.sub(rf"\S{{{UNBROKEN}}}(?=\S)", lambda word: word[0] + "\u200b", text)) if text else ""


def _parts(text: str) -> list[str]:
    """The pieces of a text between which a line may break."""
    return [word[at : at + UNBROKEN] for word in text.split() for at in range(0, len(word), UNBROKEN)]


def _widths(heads: Sequence[str], texts: Sequence[Sequence[str]]) -> tuple[float, str]:
    """Size of the table's text, and column widths: as the content asks where all of it fits, else what the longest
    word needs and the rest of the page shared out by what each column would still like.
    """
    need, want, whole = [], [], []
    for head, column in zip(heads, texts, strict=True):
        texts_of = set(column)
        parts = [text_width(part) for part in {part for text in texts_of for part in _parts(text)}]
        parts += [text_width(part, bold=True) for part in _parts(head)]
        need.append(max(parts, default=1.0))
        longest = max([text_width(text) for text in texts_of], default=1.0)
        want.append(max(need[-1], min(longest, WIDEST)))
        whole.append(max(want[-1], min(text_width(head, bold=True), WIDEST_HEAD)))
    room = PAGE - PADDING * len(heads)
    for size in SIZES:
        if sum(whole) * size <= room:
            return size, ", ".join(["auto"] * len(heads))
        if sum(want) * size <= room:
            return size, _share_out(want, whole, room, size)
        if sum(need) * size <= 0.8 * room:
            break
    return size, _share_out(need, want, room, size)


def _share_out(least: Sequence[float], most: Sequence[float], room: float, size: float) -> str:
    """Widths in points: every column has what it needs, narrow ones all that they would like, and the wide ones, whose
    lines wrap anyhow, share the rest equally.
    """
    space = room / size
    squeeze = min(1.0, space / sum(least))
    low, high = 0.0, max(most)
    for _ in range(40):
        level = (low + high) / 2
        used = sum(max(need, min(wish, level)) for need, wish in zip(least, most, strict=True))
        low, high = (level, high) if used <= space else (low, level)
    widths = [max(need * squeeze, min(wish, low)) for need, wish in zip(least, most, strict=True)]
    return ", ".join(f"{width * size + PADDING:.1f}pt" for width in widths)


def typst_source(document: Document, folder: Path, *, scope: str, stamp: str, day: str, paper: str) -> str:
    """The Typst source of a page; its pictures are written into ``folder``. ``day`` is the date of the records (ISO)."""
    if paper not in PAPERS:
        raise ValueError(f"paper must be one of {', '.join(PAPERS)}; got {paper!r}")
    year, month, number = (int(part) for part in day.split("-"))
    words = {
        "TITLE": string(f"{document.title}, {scope}"),
        "DATE": f"datetime(year: {year}, month: {month}, day: {number})",
        "PAPER": f'"{PAPERS[paper]}"',
        "STAMP": string(stamp),
    }
    source = (TEMPLATES / "report.typ").read_text("utf-8")
    source = re.sub(r"\b(TITLE|DATE|PAPER|STAMP)\b", lambda match: words[match[1]], source)
    writer = Writer(folder)
    return source + "".join(writer.block(block) for _, block in document.parts)


def compile_pages(
    document: Document, *, scope: str, stamp: str, day: str, paper: str, **form: Any
) -> tuple[Any, str]:
    """The page set by Typst, and the source that it is set from; ``form`` says as what (see :func:`write_pdf`)."""
    import typst

    with tempfile.TemporaryDirectory(prefix="ventbook-") as made:
        folder = Path(made)
        source = typst_source(document, folder, scope=scope, stamp=stamp, day=day, paper=paper)
        main = folder / "report.typ"
        main.write_text(source, encoding="utf-8", newline="")
        made = typst.compile(
            str(main), root=str(folder), font_paths=[str(font_folder())], ignore_system_fonts=True, **form
        )
    return made, source


def write_pdf(path: Path, document: Document, *, scope: str, stamp: str, day: str, paper: str) -> str:
    """Writes the page as a tagged PDF/UA-1 file; returns the source, which holds every text of the file."""
    made, source = compile_pages(
        document,
        scope=scope,
        stamp=stamp,
        day=day,
        paper=paper,
        format="pdf",
        pdf_standards=["ua-1"],
        timestamp=0,
    )
    path.write_bytes(made)
    return source


def read_strings(source: str) -> list[str]:
    """The texts in a source as :func:`string` took them, without the places where a long word may break."""
    found = re.findall(r'"((?:[^"\\]|\\.)*)"', source)
    return [
        re.sub(r"\\(.)", lambda at: " " if at[1] == "n" else at[1], text).replace("\u200b", "")
        for text in found
    ]
