"""Where the tables and notebooks are: at the top of a checkout, where people open and edit them, or packed into the package.

The wheel is built from the same two folders (``setup.py``), so an installed ventbook needs no checkout.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

_CHECKOUT = Path(__file__).resolve().parents[2]
IN_CHECKOUT = (_CHECKOUT / "pyproject.toml").is_file() and (_CHECKOUT / "data").is_dir()
"""Whether this library runs from a checkout of the project."""
_TOP = _CHECKOUT if IN_CHECKOUT else Path(str(files("ventbook")))
DATA = _TOP / "data"
"""The TOML tables."""
NOTEBOOKS = _TOP / "notebooks"
"""The notebooks that reports are made from."""
WORK = DATA if IN_CHECKOUT else Path.cwd() / "data"
"""Where demo and records lie unless a command names another folder; never inside an installed package."""

WHOLE_TABLES = "VENTBOOK_WHOLE_TABLES"
"""The variable that names the folder where a page leaves whole tables that are too long for its notebook."""
