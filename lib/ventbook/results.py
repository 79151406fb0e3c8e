"""Shapes that every analysis answers in: one number with its interval, and the error for too few data.

A result never carries a made-up number: where data are too few, ``estimate``, ``low`` and ``high`` are None
and ``state`` says why.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

STATES = ("estimated", "not_reached", "too_few", "suppressed", "not_recorded")
DIGITS = 10
"""Significant digits that a number is kept and said with: far beyond what any record carries, and short of the last bits
in which two machines' numerical libraries differ."""
VERDICTS = ("within", "outside", "near_limit", "not_comparable")


class NotEnoughData(ValueError):
    """Too few data for the question asked; carries how many there were and how many it takes."""

    def __init__(self, what: str, *, n: int, needed: int) -> None:
        super().__init__(f"{what}: {n} available, {needed} needed")
        self.what, self.n, self.needed = what, n, needed


class NoFit(NotEnoughData):
    """A fit that has no answer: it didn't settle, nothing varies, or columns that the data can't tell apart.

    A kind of too few data, so that whoever answers "too_few" for those does so for these; ``reason`` says which.
    """

    def __init__(self, what: str, reason: str) -> None:
        ValueError.__init__(self, f"{what}: {reason}")
        self.what, self.n, self.needed, self.reason = what, 0, 0, reason


@dataclass(frozen=True)
class Estimate:
    """One number with its two-sided interval.

    ``low`` and ``high`` bound the interval of confidence ``level`` (0.95 = 95 %). ``n`` counts the units the
    number is about (ventings, lifters), ``clusters`` the independent groups behind them (engines), 0 where
    clustering does not apply. None (never NaN) stands for "no number"; an upper limit that the data do not
    reach is None with ``state`` still "estimated" and said in ``note``.
    """

    estimate: float | None
    low: float | None
    high: float | None
    level: float
    unit: str
    n: int
    clusters: int
    method: str
    state: str = "estimated"
    note: str = ""

    def __post_init__(self) -> None:
        if self.state not in STATES:
            raise ValueError(f"state must be one of {', '.join(STATES)}; got {self.state!r}")
        for name in ("estimate", "low", "high"):
            value = getattr(self, name)
            if value is not None:
                value = float(value)
                object.__setattr__(self, name, None if math.isnan(value) else value)
        object.__setattr__(self, "n", int(self.n))
        object.__setattr__(self, "clusters", int(self.clusters))

    def as_row(self) -> dict[str, Any]:
        """The fields as a dict, in order, for a frame or JSON."""
        return asdict(self)


def no_estimate(
    state: str, *, level: float, unit: str, n: int, clusters: int = 0, method: str = "", note: str = ""
) -> Estimate:
    """An answer without a number: ``state`` is one of STATES other than "estimated"."""
    return Estimate(None, None, None, level, unit, n, clusters, method, state, note)
