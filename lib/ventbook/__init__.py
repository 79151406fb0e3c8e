"""Engineering analysis of venting and run-up records of dry-sump piston engines with hydraulic lifters.

What an analysis of one's own starts from; everything further is imported from its room (``ventbook.physics.oil``,
``ventbook.statistics.rates``, ...):

- ``open_store``: the records of a workshop, with every snapshot of them.
- ``read_ventings``, ``read_lifters``: the two analysis tables, one row a venting and one row a lifter and venting, held
  against the limits beside the store.
- ``shares_by``: failing shares by group from either table, with intervals that carry the clustering by engine.
- ``open_page``: a report as a page in a notebook, its parameters, its records, and what it shows and leaves behind.
- ``run_reports``: finished reports as ``ventbook report`` makes them.

Nothing is loaded before it is used.

Examples
--------
>>> import ventbook
>>> ventings = ventbook.read_ventings("data/demo/store")
>>> by_site = ventbook.shares_by(ventings, ["site"], failures="failed_first")
>>> by_site["site"].tolist()
['Harbour', 'Lake', 'Plain', 'Ridge']
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ventbook.model.reading import read_lifters, read_ventings
    from ventbook.records.store import open_store
    from ventbook.reports.page import open_page
    from ventbook.run.runner import run_reports
    from ventbook.statistics.rates.shares import shares_by

__version__ = "0.10.0"

__all__ = [
    "__version__",
    "open_page",
    "open_store",
    "read_lifters",
    "read_ventings",
    "run_reports",
    "shares_by",
]

_HOMES = {
    "open_page": "ventbook.reports.page",
    "open_store": "ventbook.records.store",
    "read_lifters": "ventbook.model.reading",
    "read_ventings": "ventbook.model.reading",
    "run_reports": "ventbook.run.runner",
    "shares_by": "ventbook.statistics.rates.shares",
}


def __getattr__(name: str) -> Any:
    """Loads a name at its first use (PEP 562), so that ``import ventbook`` costs nothing."""
    if name not in _HOMES:
        raise AttributeError(f"module 'ventbook' has no attribute {name!r}; it has {', '.join(__all__)}")
    value = globals()[name] = getattr(import_module(_HOMES[name]), name)
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
