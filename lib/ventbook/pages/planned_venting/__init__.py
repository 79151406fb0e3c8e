"""Report 09: what to expect at a planned venting, on one page, and how such predictions fared before."""

from ventbook.pages.planned_venting.fared import how_it_fared, methods, not_said
from ventbook.pages.planned_venting.sheet import answer, next_ventings, sheet

__all__ = ["answer", "how_it_fared", "methods", "next_ventings", "not_said", "sheet"]
