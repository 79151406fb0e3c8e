"""How a page says what to do at an engine: within the limits in force, with the cautions of what it touches."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from ventbook.document import wording
from ventbook.document.wording import System
from ventbook.reports.scope import Scope
from ventbook.tables.limits import Limit, Limits, load_steps
from ventbook.tables.suggestions import fit_suggestion, load_suggestions


@dataclass(frozen=True)
class Said:
    """A suggestion in words, without a full stop, and the cautions that stand right beside it."""

    text: str
    cautions: tuple[str, ...]

    def led_by(self, words: str) -> Said:
        """The same with words before it: ``Cheapest next check: ...``."""
        return Said(f"{words} {self.text}", self.cautions)

    @property
    def whole(self) -> str:
        """Both, for a cell of a table or the end of an answer."""
        return " ".join([self.closed.text, *self.cautions]) if self.cautions else self.text

    @property
    def closed(self) -> Said:
        """The same with the full stop that it lacks."""
        return self if self.text.endswith((".", "?")) else Said(f"{self.text}.", self.cautions)


def say_suggestion(
    name: str,
    limits: Limits,
    *,
    engine_types: Sequence[str],
    day: dt.date,
    units: System = "metric",
    **words: str,
) -> Said | None:
    """The suggestion ``name`` of ``data/suggestions.toml`` in words; None where following it would leave a limit.

    Numbers are those of the manual's limits in force on ``day`` for all of ``engine_types``; where none is entered, or
    the types differ, it reads "within your manual's". ``words`` fill the text's places.
    """
    fit = fit_suggestion(name, limits, engine_types=engine_types, day=day)
    if fit is None:
        return None
    table = load_suggestions()
    parts = [fit.row.text.format(**words)]
    if fit.entered:
        numbers = [f"{table.nouns[step]} {say_limit(step, row, units=units)}" for step, row in fit.entered]
        parts.append(f"within the limits in force: {wording.join_words(numbers)}")
    if fit.unentered:
        nouns = wording.join_words([table.nouns[step] for step in fit.unentered])
        parts.append(f"within your manual's {nouns}")
    return Said("; ".join(parts), table.cautions_of(fit.row))


def say_limit(step: str, row: Limit, *, units: System = "metric") -> str:
    """A limit in force as a reader meets it: ``at most 230``, ``79 to 91 N``."""
    unit, (low, high) = load_steps()[step].unit, (row.taken_low, row.taken_high)
    unit = "" if unit == "1" else unit

    def said(value: float) -> str:
        text = wording.number(value, unit, units=units, decimals=4, label=False)
        return text.rstrip("0").rstrip(".") if "." in text else text

    label = f" {wording.unit_label(unit, units)}" if unit else ""
    if low is None and high is None:
        return "as the manual says"
    if low is None:
        return f"at most {said(high or 0.0)}{label}"
    return f"at least {said(low)}{label}" if high is None else f"{said(low)} to {said(high)}{label}"


def suggest(page: Scope, name: str, **words: str) -> Said | None:
    """A suggestion for all engines of a page, under the limits in force on the records' date."""
    return say_suggestion(
        name, page.limits, engine_types=page.all_engine_types, day=page.today, units=page.units, **words
    )


def suggest_whole(page: Scope, name: str, **words: str) -> str:
    """A suggestion with its cautions in one text; empty where it would leave a limit, or ``name`` is empty."""
    said = suggest(page, name, **words) if name else None
    return said.whole if said else ""
