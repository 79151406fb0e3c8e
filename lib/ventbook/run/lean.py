"""The notebook tools, loaded without packages that they bring, that take long to load and that nothing here uses.

``rfc3987_syntax`` builds a grammar of web addresses at import, a second of processor time, for a check of JSON schemas
that notebooks don't ask for; ``boto3`` is a client of a storage service that no report reads.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

UNUSED = ("rfc3987_syntax", "boto3")


@contextmanager
def left_out(*names: str) -> Iterator[None]:
    """While this lasts importing one of these packages fails as if it weren't installed; afterwards it loads as ever."""
    held = [name for name in names if name not in sys.modules]
    sys.modules.update(dict.fromkeys(held))  # type: ignore[arg-type]
    try:
        yield
    finally:
        for name in held:
            sys.modules.pop(name, None)


def load_nbformat() -> Any:
    """The package nbformat."""
    with left_out(*UNUSED):
        import nbformat
    return nbformat


def load_papermill() -> Any:
    """The package papermill."""
    with left_out(*UNUSED):
        import papermill
    return papermill
