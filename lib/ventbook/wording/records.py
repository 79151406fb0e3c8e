"""Sentences of the records report."""

from __future__ import annotations

from .core import count, join_words, number


def came_in(*, handed_in: int, held: int, deliveries: int) -> str:
    """How much came in and how much of it is held."""
    first = f"{count(handed_in, 'row')} came in with {count(deliveries, 'delivery', 'deliveries')}; "
    if held == 0:
        return first + "none of them is held."
    share = number(held / handed_in, "share", decimals=1)
    return first + f"{count(held, 'row')} ({share}) {'is' if held == 1 else 'are'} held until mended."


def most_held(reasons: list[tuple[str, int]]) -> str:
    """The commonest reasons, in words."""
    if not reasons:
        return ""
    parts = [f"{what} ({rows})" for what, rows in reasons]
    return f"Most often: {join_words(parts)}."


def record_better(names: list[tuple[str, float]]) -> str:
    """What to record better first, with the share that is recorded now."""
    if not names:
        return "Everything the questions of these reports need was recorded in this period."
    parts = [f"{name} (recorded in {number(share, 'share')})" for name, share in names]
    return f"Recording these better would answer most: {join_words(parts)}."


def question_answered(answered: int, total: int, of: str) -> str:
    """For how many rows a question can be answered."""
    if total == 0:
        return f"no {of} in this period"
    return f"{answered} of {total} {of}"
