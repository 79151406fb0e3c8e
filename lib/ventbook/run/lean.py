"""The notebook tools, loaded without packages that they bring, that take long to load and that nothing here uses.

``rfc3987_syntax`` builds a grammar of web addresses at import, a second of processor time, for a check of JSON schemas
that notebooks don't ask for; ``boto3`` is a client of a storage service that no report reads; a kernel loads ``debugpy`` for
those who stop in its cells, and the plotting library its axes of three dimensions.
"""

from __future__ import annotations

import sys
import warnings
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


def load_kernel() -> Any:
    """The application that runs a kernel, without a debugger."""
    with left_out("debugpy"):
        import ipykernel.debugger
        import ipykernel.kernelapp
    return ipykernel.kernelapp.IPKernelApp


def load_matplotlib() -> Any:
    """The package matplotlib with what draws SVG, for flat pictures."""
    with left_out("mpl_toolkits.mplot3d"), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Unable to import Axes3D")
        import matplotlib.backends.backend_svg
        import matplotlib.figure
    return matplotlib
