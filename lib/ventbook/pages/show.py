"""Names under which pages know the document's blocks."""

from __future__ import annotations

from dataclasses import dataclass

from ventbook.document import Blocks as Shown
from ventbook.document.blocks import Column

__all__ = ["ColumnSpec", "Shown"]


@dataclass(frozen=True)
class ColumnSpec:
    """How a table's column is shown: header, canonical unit, and format (see :class:`~ventbook.document.blocks.Column`)."""

    header: str
    unit: str = ""
    format: str = ""

    def named(self, name: str) -> Column:
        """The same for the column of that name."""
        return Column(name, self.header, self.unit, self.format)
