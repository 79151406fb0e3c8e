"""Sentences from results: numbers, intervals and counts in plain words. Nothing here computes a result.

The core stands in ``core``; each report keeps its own sentences in a topic module beside it
(``ventbook.wording.<topic>``).
"""

from .core import (
    SEVERITY_WORDS,
    STATE_WORDS,
    VERDICT_WORDS,
    clean_text,
    count,
    count_behind,
    date_span,
    interval,
    join_words,
    level_words,
    limit_text,
    number,
    of_total,
    reading_and_limit,
    share,
    state_words,
    unit_label,
    value_range,
    verdict_words,
)

__all__ = [
    "SEVERITY_WORDS",
    "STATE_WORDS",
    "VERDICT_WORDS",
    "clean_text",
    "count",
    "count_behind",
    "date_span",
    "interval",
    "join_words",
    "level_words",
    "limit_text",
    "number",
    "of_total",
    "reading_and_limit",
    "share",
    "state_words",
    "unit_label",
    "value_range",
    "verdict_words",
]
