"""Blocks in a row: what a page's functions return, what a notebook's cell shows and carries in its output."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, overload

from ventbook.document.blocks import Block, Text, make_words
from ventbook.document.codec import encode_blocks
from ventbook.document.html import block_html
from ventbook.document.text import block_text

# The media type under which a cell's output carries its blocks, beside the HTML that readers see.
MEDIA = "application/vnd.ventbook.blocks+json"


class Blocks(Sequence[Block]):
    """Blocks in order; ``+`` puts two rows behind each other. A plain text is a paragraph, an empty one is nothing.

    >>> shown = Blocks("One in four.") + Blocks("", "So far.")
    >>> len(shown), shown.text
    (2, 'One in four.\\nSo far.')
    """

    def __init__(self, *items: Block | str) -> None:
        self._blocks = tuple(
            Text(make_words(item)) if isinstance(item, str) else item for item in items if item
        )

    @overload
    def __getitem__(self, place: int) -> Block: ...

    @overload
    def __getitem__(self, place: slice) -> Blocks: ...

    def __getitem__(self, place: int | slice) -> Block | Blocks:
        return Blocks(*self._blocks[place]) if isinstance(place, slice) else self._blocks[place]

    def __len__(self) -> int:
        return len(self._blocks)

    def __iter__(self) -> Iterator[Block]:
        return iter(self._blocks)

    def __add__(self, other: Blocks) -> Blocks:
        return Blocks(*self, *other)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Blocks) and self._blocks == other._blocks

    def __repr__(self) -> str:
        return f"Blocks({', '.join(type(block).__name__ for block in self)})"

    @property
    def html(self) -> str:
        """The blocks as HTML, as a cell shows them."""
        return "\n".join(made for block in self if (made := block_html(block)))

    @property
    def text(self) -> str:
        """The blocks as plain text."""
        return "\n".join(made for block in self if (made := block_text(block)))

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        return {"text/html": self.html, "text/plain": self.text, MEDIA: encode_blocks(self)}
