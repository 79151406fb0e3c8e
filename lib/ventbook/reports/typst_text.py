"""Page mark-up as Typst source.

The page's mark-up is a closed set of tags (see ``clean``), so it is walked tag by tag. Text always travels as a quoted string,
never as Typst mark-up: no text of a record can turn into a command. Tables get header rows that repeat and column
widths by content; pictures and formulas keep their alternative text, which tagged PDF asks for.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from bs4 import NavigableString, Tag

# Width of the narrower paper between its margins and of a column's padding, in points; sizes that table text may take;
# mean width of a character in shares of the size (of figures and lower case; headers are bold); widest column wanted.
PAGE, PADDING, SIZES, CHARACTER, BOLD, WIDEST = 488.0, 7.5, (7.5, 6.8, 6.2), 0.61, 0.72, 44
# Height of a picture in shares of the text's width: taller ones would push themselves to a page of their own.
TALLEST = 0.62
_BOXES = {"vb-answer": "answer", "vb-banner": "banner", "vb-comment": "remark", "vb-changed": "banner"}
_INLINE = ("em", "strong", "code", "a", "span", "sub", "sup", "br", "math")


def quote(text: str) -> str:
    """Text as a Typst string expression in content: nothing in it is mark-up."""
    return "#" + string(text) + ";"


def string(text: str) -> str:
    """Text as a Typst string: the characters that the fonts hold, back slashes and quotes escaped."""
    shown = "".join(
        c if c in " \u200b" or ord(c) in _covered() else "\ufffd" for c in " ".join(text.split("\n"))
    )
    return '"' + shown.replace("\\", "\\\\").replace('"', '\\"') + '"'


@cache
def font_folder() -> Path:
    """The folder of the DejaVu fonts that come with the plotting library: the same on every machine."""
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"


@cache
def _covered() -> frozenset[int]:
    from fontTools.ttLib import TTFont

    with TTFont(font_folder() / "DejaVuSans.ttf", lazy=True) as font:
        return frozenset(code for code in font["cmap"].getBestCmap() if code >= 32)


class Writer:
    """Turns a page's body into Typst source; pictures are written into ``folder``.

    ``set_formula`` turns TeX into the inside of a Typst equation.
    """

    def __init__(self, folder: Path, set_formula: Callable[[str], str]) -> None:
        self.folder = folder
        self.set_formula = set_formula
        self.pictures = 0

    def blocks(self, parent: Tag) -> str:
        """All children of a tag as blocks; loose text between them becomes paragraphs."""
        parts: list[str] = []
        loose: list[Any] = []

        def close() -> None:
            if any(isinstance(node, Tag) or node.strip() for node in loose):
                parts.append(self.inline(loose) + "\n\n")
            loose.clear()

        for node in parent.children:
            if isinstance(node, NavigableString) or (isinstance(node, Tag) and self._is_inline(node)):
                loose.append(node)
            elif isinstance(node, Tag):
                close()
                parts.append(self.block(node))
        close()
        return "".join(parts)

    def _is_inline(self, tag: Tag) -> bool:
        return tag.name in _INLINE

    def inline(self, nodes: Sequence[Any]) -> str:
        """Text and inline tags in a row."""
        parts = []
        for node in nodes:
            if isinstance(node, NavigableString):
                text = re.sub(r"\s+", " ", str(node))
                if text:
                    parts.append(quote(text))
            elif node.name == "br":
                parts.append("#linebreak();")
            elif node.name == "math":
                parts.append(self._formula(node))
            elif node.name in ("em", "strong", "sub", "sup"):
                word = {"em": "emph", "strong": "strong", "sub": "sub", "sup": "super"}[node.name]
                parts.append(f"#{word}[{self.inline(list(node.children))}];")
            elif node.name == "code":
                parts.append(f"#raw({string(node.get_text())});")
            else:
                parts.append(self.inline(list(node.children)))
        return "".join(parts)

    def _formula(self, tag: Tag) -> str:
        tex = str(tag.get("alttext", "")) or tag.get_text(" ", strip=True)
        block = "true" if tag.get("display") == "block" else "false"
        return f"#math.equation(block: {block}, alt: {string(tex)}, ${self.set_formula(tex)}$);"

    def block(self, tag: Tag) -> str:
        """One block-level tag."""
        name = tag.name
        kinds: list[str] = list(tag.get("class") or [])
        if (name == "div" and "vb-table" in kinds) or (name == "div" and "vb-stamp" in kinds):
            return self.blocks(tag)
        for kind in kinds:
            if kind in _BOXES:
                inside = self.blocks(tag) if name == "div" else self.inline(list(tag.children))
                return f"#{_BOXES[kind]}[{inside}]\n\n"
        if re.fullmatch(r"h[1-6]", name):
            return f"#heading(level: {name[1]})[{self.inline(list(tag.children))}]\n\n"
        if name == "p":
            quiet = {"vb-scope", "vb-note"} & set(kinds)
            text = self.inline(list(tag.children))
            return f"#quiet[{text}]\n\n" if quiet else f"{text}\n\n"
        if name in ("ul", "ol"):
            items = "".join(f"[{self._item(item)}], " for item in tag.find_all("li", recursive=False))
            return f"#{'list' if name == 'ul' else 'enum'}({items})\n\n"
        if name == "table":
            return self.table(tag)
        if name == "figure":
            return self.figure(tag)
        if name == "details":
            summary = tag.find("summary", recursive=False)
            head = self.inline(list(summary.children)) if summary else ""
            if summary:
                summary.extract()
            return f"#worked[{head}][{self.blocks(tag)}]\n\n"
        if name == "pre":
            return f"#raw(block: true, {string(tag.get_text())})\n\n"
        if name == "hr":
            return "\n"
        return self.blocks(tag)

    def _item(self, item: Tag) -> str:
        if any(isinstance(child, Tag) and not self._is_inline(child) for child in item.children):
            return self.blocks(item)
        return self.inline(list(item.children))

    def figure(self, tag: Tag) -> str:
        """A picture with its alternative text and its caption."""
        picture, caption = tag.find("img"), tag.find("figcaption")
        if picture is None:
            return self.blocks(tag)
        kind, _, data = str(picture["src"]).partition(";base64,")
        self.pictures += 1
        file = f"picture-{self.pictures}.{'svg' if 'svg' in kind else 'png'}"
        content = base64.b64decode(data)
        (self.folder / file).write_bytes(content)
        words = self.inline(list(caption.children)) if caption else ""
        width = 90.0
        if size := re.search(rb'<svg[^>]*? width="([\d.]+)pt" height="([\d.]+)pt"', content):
            width = min(width, 100 * TALLEST * float(size[1]) / float(size[2]))
        return f'#picture("{file}", {width:.1f}%, {string(str(picture["alt"]))}, [{words}])\n\n'

    def table(self, tag: Tag) -> str:
        """A table: caption kept with it, header row repeated on every page, rows of numbers set right."""
        caption = tag.find("caption")
        lines = [
            (row.find_parent("thead") is not None, row.find_all(["th", "td"])) for row in tag.find_all("tr")
        ]
        head = [cell for above, cells in lines if above for cell in cells]
        rows = [cells for above, cells in lines if not above]
        wide = max([len(head), *(len(row) for row in rows)], default=0)
        if not wide:
            return ""
        single = [row for row in rows if len(row) == wide]
        texts = [[cell.get_text(" ", strip=True) for cell in column] for column in zip(*single, strict=True)]
        texts = texts or [[] for _ in range(wide)]
        heads = [cell.get_text(" ", strip=True) for cell in head] or [""] * wide
        numeric = ["vb-number" in (cell.get("class") or []) for cell in (head or single[0])]
        size, widths = _widths(heads, texts)
        parts = [f"columns: ({widths},)"]
        parts.append(f"align: ({', '.join('right' if flag else 'left' for flag in numeric)},)")
        if head:
            parts.append(f"table.header({', '.join(self._cell(cell, strong=True) for cell in head)})")
        for row in rows:
            parts += [self._cell(cell) for cell in row]
        title = f"#tabletitle[{self.inline(list(caption.children))}]\n" if caption else ""
        return f"{title}#rows({size}pt, {', '.join(parts)})\n\n"

    def _cell(self, cell: Tag, *, strong: bool = False) -> str:
        inside = self.inline([_broken(node) for node in cell.children])
        inside = f"#strong[{inside}]" if strong else inside
        span = int(cell.get("colspan", 1))  # type: ignore[arg-type]
        return f"table.cell(colspan: {span})[{inside}]" if span > 1 else f"[{inside}]"


def _broken(node: Any) -> Any:
    """Very long words get places where a line may break, so that no column grows off the page."""
    if not isinstance(node, NavigableString):
        return node
    return NavigableString(re.sub(r"\S{18}(?=\S)", lambda word: word[0] + "\u200b", str(node)))


def _widths(heads: Sequence[str], texts: Sequence[Sequence[str]]) -> tuple[float, str]:
    """Size of the table's text, and column widths: as the content asks where all of it fits, else what the longest
    word needs and the rest of the page shared out by what each column would still like.
    """
    need, want, whole = [], [], []
    for head, column in zip(heads, texts, strict=True):
        words = [len(word) * CHARACTER for text in column for word in text.split()]
        words += [len(word) * BOLD for word in head.split()]
        need.append(min(max(words, default=1.0), 19 * CHARACTER))
        longest = max([len(text) * CHARACTER for text in column], default=1.0)
        want.append(max(need[-1], min(longest, WIDEST * CHARACTER)))
        whole.append(max(want[-1], min(len(head) * BOLD, 24 * BOLD)))
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
    """Widths in points: what each column needs, and of the rest of the room what it would like, in proportion."""
    wish = [high - low for low, high in zip(least, most, strict=True)]
    part = min(max(room / size - sum(least), 0.0) / (sum(wish) or 1.0), 1.0)
    squeeze = min(1.0, room / size / sum(least))
    widths = [(low * squeeze + part * more) * size + PADDING for low, more in zip(least, wish, strict=True)]
    return ", ".join(f"{width:.1f}pt" for width in widths)
