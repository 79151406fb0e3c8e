"""Sentences about what is named, what is only asked, and the quarter's one allowance of false statements."""

from __future__ import annotations

from collections.abc import Sequence

from ventbook.document.wording import join_words
from ventbook.tables import evidence


def per_hundred(share: float) -> str:
    """A small share as so many of 100: ``5``, ``1.8``, ``0.3``."""
    return f"{100 * share:.2g}"


def allowance_sentence(family: str, *, what: str) -> str:
    """What a statement of ``family`` is held to, and the allowance that it shares with all other reports.

    ``what`` names the statements: ``circumstances named here``.
    """
    budget = evidence.load_budget()
    return (
        f"All reports of a quarter share one allowance of false statements: of 100 quarters in which nothing acts, at most {per_hundred(budget.total)} carry any, "
        f"{per_hundred(budget.share(family))} on account of {what}, however many were looked at; a question is raised in at most "
        f"{per_hundred(budget.hints_total)}."
    )


def question_sentence(names: Sequence[str]) -> str:
    """Hints, as a question: ``Does the cooler matter? These records can't say.``"""
    if not names:
        return ""
    asked = join_words(names)
    return f"{'Do' if len(names) > 1 else 'Does'} {asked} matter? These records can't say: it would take new ventings to tell."
