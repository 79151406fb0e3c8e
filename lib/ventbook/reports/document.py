"""From an executed notebook to the body of a page: prose, outputs, headings in order, anchors, comments."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from bs4 import BeautifulSoup, Tag

from ventbook.pages.show import anchor, escape, formula_html

from .clean import clean_html
from .comments import Comment, comment_html

_FORMULA = re.compile(r"(?<!\\)\$\$(.+?)\$\$|(?<!\\)\$([^$\n]+?)\$", re.DOTALL)
_MARK = "\ue000{}\ue001"


@dataclass(frozen=True)
class Document:
    """The body of a page; ``sections`` are anchors and titles of its second-level headings."""

    title: str
    body: BeautifulSoup
    sections: tuple[tuple[str, str], ...]


def markdown_html(text: str) -> str:
    """Our notebooks' markdown as HTML; raw HTML in it is shown, not obeyed; formulas become MathML."""
    from markdown_it import MarkdownIt

    formulas: list[str] = []

    def keep(match: re.Match[str]) -> str:
        formulas.append(formula_html(match[1] or match[2], display=match[1] is not None))
        return _MARK.format(len(formulas) - 1)

    made = MarkdownIt("commonmark", {"html": False}).enable("table").render(_FORMULA.sub(keep, text))
    for number, formula in enumerate(formulas):
        made = made.replace(_MARK.format(number), formula)
    return str(made)


def _cell_html(cell: Any) -> str:
    if cell.cell_type == "markdown":
        return markdown_html(cell.source)
    parts = []
    for output in cell.get("outputs", ()):
        if output.output_type in ("display_data", "execute_result"):
            if "text/html" in output.data:
                parts.append(output.data["text/html"])
            elif output.data.get("text/plain"):
                parts.append(f"<pre>{escape(output.data['text/plain'])}</pre>")
        elif output.output_type == "stream" and output.name == "stdout" and output.text.strip():
            parts.append(f"<pre>{escape(output.text)}</pre>")
    return "\n".join(parts)


def build_document(
    notebook: Any,
    *,
    title: str,
    findings: Sequence[Mapping[str, Any]],
    comments: Mapping[str, Sequence[Comment]],
    units: Any,
) -> Document:
    """The page's body from the executed notebook, code left out, comments merged."""
    soup = clean_html("\n".join(_cell_html(cell) for cell in notebook.cells))
    title = _order_headings(soup, title)
    _drop_empty_sections(soup)
    _set_anchors(soup)
    _merge_comments(soup, findings, comments, units)
    sections = tuple((str(tag["id"]), tag.get_text(" ", strip=True)) for tag in soup.find_all("h2"))
    return Document(title, soup, sections)


def _headings(soup: BeautifulSoup) -> list[Tag]:
    return soup.find_all(["h1", "h2", "h3", "h4", "h5", "h6"])


def _order_headings(soup: BeautifulSoup, title: str) -> str:
    """One first-level heading, and no level left out on the way down. Returns the page's title."""
    headings = _headings(soup)
    if headings and headings[0].name == "h1":
        title = headings[0].get_text(" ", strip=True) or title
    else:
        first = soup.new_tag("h1")
        first.string = title
        soup.insert(0, first)
    last = 1
    for tag in _headings(soup)[1:]:
        level = min(max(int(tag.name[1]), 2), last + 1, 4)
        tag.name, last = f"h{level}", level
    return title


def _drop_empty_sections(soup: BeautifulSoup) -> None:
    for tag in soup.find_all("h2"):
        following = tag.find_next_sibling()
        if following is None or following.name == "h2":
            tag.decompose()


def _set_anchors(soup: BeautifulSoup) -> None:
    """Every heading gets an anchor of its own, and no id stands twice."""
    seen: set[str] = set()
    for tag in soup.find_all(True):
        heading = tag.name in ("h2", "h3", "h4")
        if not heading and not tag.get("id"):
            continue
        name = base = str(tag.get("id") or anchor(tag.get_text(" ", strip=True)))[:80]
        number = 2
        while name in seen:
            name, number = f"{base}-{number}", number + 1
        seen.add(name)
        tag["id"] = name


def _merge_comments(
    soup: BeautifulSoup,
    findings: Sequence[Mapping[str, Any]],
    comments: Mapping[str, Sequence[Comment]],
    units: Any,
) -> None:
    """Each comment at the end of its section; those whose section isn't there any more at the end of the page."""
    homeless: list[Comment] = []
    for section, given in comments.items():
        heading = soup.find(["h2", "h3", "h4"], id=section)
        if heading is None:
            homeless += given
            continue
        level = int(heading.name[1])
        place: Any = heading
        for sibling in heading.find_next_siblings():
            if sibling.name in ("h1", "h2", "h3", "h4") and int(sibling.name[1]) <= level:
                break
            place = sibling
        for comment in reversed(given):
            place.insert_after(clean_html(comment_html(comment, findings, units=units)))
    if homeless:
        soup.append(clean_html('<h2 id="comments">Comments whose section is no longer on this page</h2>'))
        for comment in homeless:
            soup.append(clean_html(comment_html(comment, findings, units=units)))
