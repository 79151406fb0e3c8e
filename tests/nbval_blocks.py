"""For the comparison of notebooks with what they say when run: blocks are left out of it.

Notebooks of the repository are kept without the blocks that every cell carries (they would be large, and exact to the last
bit of one machine); what a reader sees of them is compared.
"""

from __future__ import annotations

from typing import Any

from ventbook.document import MEDIA


def pytest_collectstart(collector: Any) -> None:
    if hasattr(collector, "skip_compare"):
        collector.skip_compare += (MEDIA,)
