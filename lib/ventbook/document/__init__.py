"""The document of a report: blocks that hold what is said, and one renderer each for HTML, print, workbook and data files.

A page's functions return :class:`Blocks`; a notebook's cell shows them as HTML and carries them in its output, so that
the executed notebook alone can be exported again.
"""

from ventbook.document.arrange import Document, arrange_page
from ventbook.document.blocks import Block
from ventbook.document.notebook import find_closing, read_blocks
from ventbook.document.sequence import MEDIA, Blocks

__all__ = ["MEDIA", "Block", "Blocks", "Document", "arrange_page", "find_closing", "read_blocks"]
