"""From an executed notebook to the blocks of its page: what cells show, code left out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ventbook.document.blocks import Block, Closing, Plain
from ventbook.document.codec import decode_blocks
from ventbook.document.sequence import MEDIA, Blocks
from ventbook.document.text import read_markdown
from ventbook.errors import InputError


def read_blocks(notebook: Mapping[str, Any]) -> Blocks:
    """The blocks of an executed notebook (format 4), in order.

    Of what was shown by something else than a page, the plain text is kept. Raises InputError with one line that
    names the cell when its blocks can't be read.
    """
    made: list[Block] = []
    for number, cell in enumerate(notebook["cells"], 1):
        if cell["cell_type"] == "markdown":
            made += read_markdown(_joined(cell["source"]))
        elif cell["cell_type"] == "code":
            for output in cell.get("outputs", ()):
                try:
                    made += _output_blocks(output)
                except ValueError as error:
                    raise InputError(f"cell {number}: its output can't be read: {error}") from None
    return Blocks(*made)


def find_closing(blocks: Blocks) -> Closing | None:
    """The end of the page; None where the notebook ended without one."""
    return next((block for block in reversed(blocks) if isinstance(block, Closing)), None)


def _output_blocks(output: Mapping[str, Any]) -> tuple[Block, ...]:
    if output["output_type"] in ("display_data", "execute_result"):
        data = output["data"]
        if MEDIA in data:
            return decode_blocks(data[MEDIA])
        if text := _joined(data.get("text/plain", "")):
            return (Plain(text),)
    elif output["output_type"] == "stream" and output["name"] == "stdout":
        text = _joined(output["text"])
        return (Plain(text),) if text.strip() else ()
    return ()


def _joined(text: str | list[str]) -> str:
    return text if isinstance(text, str) else "".join(text)
