"""What of a notebook's output may stand on a page: a closed list of tags and attributes.

Records' texts are escaped where mark-up is made; this is the second lock. Whatever a cell prints, no script, style,
form, frame, link to elsewhere or picture from elsewhere gets through.
"""

from __future__ import annotations

import re
from typing import Any

from bs4 import BeautifulSoup, Comment, NavigableString, Tag

TAGS = frozenset(
    [
        "h1",
        "h2",
        "h3",
        "h4",
        "h5",
        "h6",
        "p",
        "ul",
        "ol",
        "li",
        "table",
        "caption",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
        "div",
        "figure",
        "figcaption",
        "img",
        "details",
        "summary",
        "em",
        "strong",
        "code",
        "pre",
        "a",
        "br",
        "wbr",
        "blockquote",
        "hr",
        "span",
        "sub",
        "sup",
        "dl",
        "dt",
        "dd",
        "math",
        "mrow",
        "mi",
        "mn",
        "mo",
        "ms",
        "mtext",
        "mspace",
        "mfrac",
        "msqrt",
        "mroot",
        "msub",
        "msup",
        "msubsup",
        "munder",
        "mover",
        "munderover",
        "mtable",
        "mtr",
        "mtd",
        "mstyle",
        "mpadded",
        "mphantom",
        "semantics",
    ]
)
DROPPED = (
    "script",
    "style",
    "iframe",
    "object",
    "embed",
    "form",
    "svg",
    "link",
    "meta",
    "base",
    "template",
    "title",
)
ATTRIBUTES = frozenset(
    [
        "id",
        "class",
        "alt",
        "src",
        "href",
        "scope",
        "colspan",
        "rowspan",
        "tabindex",
        "role",
        "aria-label",
        "open",
        "data-finding",
        "display",
        "alttext",
        "mathvariant",
        "stretchy",
        "fence",
        "separator",
        "accent",
        "columnalign",
        "lspace",
        "rspace",
        "width",
        "linethickness",
    ]
)
_CLASS = re.compile(r"^vb-[a-z-]+$")
_PICTURE = re.compile(r"^data:image/(svg\+xml|png);base64,[A-Za-z0-9+/=]+$")


def clean_html(markup: str) -> BeautifulSoup:
    """The mark-up with everything but the allowed tags and attributes taken out; text is kept."""
    soup = BeautifulSoup(markup, "html.parser")
    for node in soup.find_all(string=lambda text: isinstance(text, Comment)):
        node.extract()
    for tag in soup.find_all(list(DROPPED)):
        tag.decompose()
    for tag in soup.find_all(True):
        if tag.name not in TAGS:
            tag.unwrap()
            continue
        tag.attrs = {name: value for name, value in tag.attrs.items() if _allowed(tag, name, value)}
        if tag.name == "a" and "href" not in tag.attrs:
            tag.unwrap()
        elif tag.name == "img" and ("src" not in tag.attrs or not str(tag.get("alt", "")).strip()):
            tag.replace_with(NavigableString(str(tag.get("alt", ""))))
        elif tag.name == "th" and "scope" not in tag.attrs:
            tag["scope"] = "col" if tag.find_parent("thead") else "row"
    return soup


def _allowed(tag: Tag, name: str, value: Any) -> bool:
    if name not in ATTRIBUTES:
        return False
    if name == "src":
        return tag.name == "img" and bool(_PICTURE.match(str(value)))
    if name == "href":
        return str(value).startswith("#")
    if name == "class":
        return all(_CLASS.match(word) for word in (value if isinstance(value, list) else str(value).split()))
    return True
