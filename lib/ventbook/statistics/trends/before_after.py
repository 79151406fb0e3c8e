"""Before and after an action that was not drawn by lot: did the findings it aims at become fewer beside those it can't touch?

Counted are failing ventings of the kind aimed at, beside failing ventings of a control. What acts on both, a season or a
stricter check, drops out: given all four counts' margins the kind's count after is hypergeometric while nothing but that
happened. An action is mostly taken after a bad quarter, and a bad quarter passes by itself, so that quarter and all up to the
action stand apart. The first question, against what was usual before, may be answered "worked"; the second, against the bad
level, never.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from ventbook.numerics import Floats

#: One-sided error of the two looks, after so many quarters; no other look is taken.
LOOKS = ((2, 0.02), (4, 0.03))
#: Variance of the log ratio of two kinds from one quarter to another beyond chance (each varies by about 15 %).
APART = 0.045
#: A quarter is bad where the kind stands out beside the control at this mid-p, the usual quarters held against it.
BAD = 0.05
MOST_CELLS = 1_000_000  # held at once
WORKED, FELL, ROSE, NO_DIFFERENCE, TOO_EARLY = "worked", "fell", "rose", "no difference", "too early"


@dataclass(frozen=True)
class Findings:
    """Failing ventings of a span: of the kind aimed at and of the control, and how many quarters the span lasts.

    ``exposure``: ventings that could show the kind for each that could show the control; 1 where they are the same ventings.
    """

    kind: int
    control: int
    quarters: float
    exposure: float = 1.0

    def __post_init__(self) -> None:
        if min(self.kind, self.control, self.quarters) < 0 or not self.exposure > 0:
            raise ValueError(
                f"counts and quarters must be 0 or more, the exposure over 0; got {self}: count again"
            )

    @property
    def total(self) -> int:
        """Failing ventings of either."""
        return self.kind + self.control


@dataclass(frozen=True)
class ActionVerdict:
    """What the looks at an action say.

    called : "worked", "fell", "rose", "no difference" or "too early" (before the first look).
    look : quarters after the action at the look that speaks: the one that called, else the last taken; 0 for none.
    p_usual, p_bad : one-sided, allowance made, at that look; None where there was nothing to compare with.
    chance_of_halving : chance that the kind halved would have been called "worked" at that look; None before it.
    """

    called: str
    look: int
    p_usual: float | None = None
    p_bad: float | None = None
    chance_of_halving: float | None = None


def compare_before_after(before: Findings, after: Findings) -> float:
    """Chance, nothing having acted on the kind alone, of so few findings of the kind after: exact, one-sided, mid-p.

    Parameters
    ----------
    before, after : Findings
        Failing ventings of the kind and of the control in the two spans.

    Returns
    -------
    float
        P(fewer) + half of P(as many), hypergeometric given the margins (Fisher's noncentral one where the exposures of
        the two spans differ). No allowance for kinds that vary separately; :func:`judge_before_after` makes it.

    Examples
    --------
    Fisher's tea tasting, four cups of eight, three right: P(at most 1) of the other tail is 17/70, P(1) is 16/70.

    >>> from ventbook.statistics import trends
    >>> p = trends.compare_before_after(trends.Findings(3, 1, 1), trends.Findings(1, 3, 1))
    >>> round(p * 70, 6)
    9.0
    """
    return float(_mid_p(before, after)[after.kind - _ends(before, after)[0]])


def judge_before_after(
    usual: Findings, bad: Findings, waiting: Findings, after: Sequence[Findings]
) -> ActionVerdict:
    """What the looks taken so far say of an action.

    Parameters
    ----------
    usual : Findings
        Of the quarters before the bad one.
    bad : Findings
        Of the quarter that led to the action: left out of the first question.
    waiting : Findings
        From the end of the bad quarter to the action; all 0 where it came at once.
    after : sequence of Findings
        From the action to each look that is due, cumulated: none, the first (two quarters), or both (four).

    Returns
    -------
    ActionVerdict
        "worked" where the kind is below what was usual, one-sided at .02 on the first look and .03 on the second; "rose" where
        it is above even the bad level; "fell" where only the bad level (bad and waiting quarter, given that the bad one was
        as bad as it takes to start) is undercut.

    Notes
    -----
    z of the exact mid-p is divided by sqrt(1 + .045 (1/L_a + 1/L_b) / sum(1/count)), L in quarters, a half added to each
    count: kinds vary separately by more than chance.

    Examples
    --------
    >>> from ventbook.statistics.trends import Findings, judge_before_after
    >>> verdict = judge_before_after(
    ...     Findings(28, 29, 4), Findings(11, 7, 1), Findings(7, 7, 1), [Findings(4, 26, 2)]
    ... )
    >>> verdict.called, verdict.look
    ('worked', 2)
    >>> judge_before_after(Findings(28, 29, 4), Findings(11, 7, 1), Findings(7, 7, 1), []).called
    'too early'
    """
    said = ActionVerdict(TOO_EARLY, 0)
    for (quarters, alpha), span in zip(LOOKS, after, strict=False):
        if said.called in (WORKED, ROSE):
            break
        p, q = _below(usual, span), _below_bad(usual, bad, waiting, span)
        above = _below(_join(bad, waiting), span)
        if p is not None and p <= alpha:
            called = WORKED
        elif above is not None and above >= 1 - alpha / 2:
            called = ROSE
        elif said.called == FELL or (q is not None and q <= alpha):
            called = FELL
        else:
            called = NO_DIFFERENCE
        said = ActionVerdict(called, quarters, p, q, None)
    if not said.look:
        return said
    at = [quarters for quarters, _ in LOOKS].index(said.look)
    chance = _chance_of_halving(usual, after[at], LOOKS[at][1])
    return ActionVerdict(said.called, said.look, said.p_usual, said.p_bad, chance)


def count_bad(usual: Findings, total: int, *, exposure: float = 1.0) -> int:
    """The least number of the kind among ``total`` failing ventings that makes a quarter bad; ``total`` + 1 where none does."""

    def stands_out(kind: int) -> bool:
        return 1.0 - compare_before_after(usual, Findings(kind, total - kind, 1.0, exposure)) <= BAD

    return bisect_left(range(total + 1), True, key=stands_out)


def _join(bad: Findings, waiting: Findings) -> Findings:
    """The two spans as one; their exposure is the mean over their length."""
    quarters = bad.quarters + waiting.quarters
    exposure = (
        (bad.exposure * bad.quarters + waiting.exposure * waiting.quarters) / quarters if quarters else 1.0
    )
    return Findings(bad.kind + waiting.kind, bad.control + waiting.control, quarters, exposure)


def _ends(before: Findings, after: Findings) -> tuple[int, int]:
    """Least and greatest number of the kind after, given the margins."""
    kind, control = before.kind + after.kind, before.control + after.control
    return max(0, after.total - control), min(kind, after.total)


def _mid_p(before: Findings, after: Findings) -> Floats:
    """Lower mid-p of every possible number of the kind after."""
    low, high = _ends(before, after)
    x = np.arange(low, high + 1)
    ways = _log_choose(after.total, x) + _log_choose(before.total, before.kind + after.kind - x)
    log = np.asarray(ways + x * np.log(after.exposure / before.exposure))
    chance = np.exp(log - log.max())
    chance = chance / chance.sum()
    return np.asarray(np.cumsum(chance) - chance / 2)


def _log_choose(n: int, k: npt.NDArray[np.int_]) -> Floats:
    return np.asarray(special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(n - k + 1))


def _allow(p: float, before: Findings, after: Findings) -> float:
    """One-sided p with the allowance for kinds that vary separately."""
    counts = (before.kind, before.control, after.kind, after.control)
    apart = APART * (1 / before.quarters + 1 / after.quarters)
    spread = sum(1 / (count + 0.5) for count in counts)
    return float(special.ndtr(special.ndtri(p) / np.sqrt(1 + apart / spread)))


def _below(before: Findings, after: Findings) -> float | None:
    """Chance of so few after while the level before lasts, allowance made; None where there is nothing to compare."""
    if not (before.quarters and after.quarters and before.total and before.kind + after.kind):
        return None
    return _allow(compare_before_after(before, after), before, after)


def _below_bad(usual: Findings, bad: Findings, waiting: Findings, after: Findings) -> float | None:
    """Chance of so few after while the level of the bad quarter lasts, given that it was bad enough to start."""
    if not (bad.quarters and after.quarters and bad.kind):
        return None
    start = min(bad.kind, count_bad(usual, bad.total, exposure=bad.exposure)) if usual.total else bad.kind
    kind = bad.kind + waiting.kind + after.kind
    every = np.arange(0, min(kind, after.total) + 1)[:, None]
    y = np.arange(start, bad.total + 1)[None, :]

    def weigh(x: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Log of the ways, up to a constant, by x of after (rows) and y of bad."""
        rest = kind - x - y
        fits = (rest >= 0) & (rest <= waiting.total)
        ways = _log_choose(after.total, x) + _log_choose(bad.total, y)
        ways = np.asarray(ways + _log_choose(waiting.total, np.where(fits, rest, 0)))
        odds = x * np.log(after.exposure) + y * np.log(bad.exposure) + rest * np.log(waiting.exposure)
        return np.where(fits, ways + odds, -np.inf)

    # large fleets have many: some rows at a time
    parts = np.array_split(every, every.size * y.size // MOST_CELLS + 1)
    top = max(weigh(part).max() for part in parts)
    chance = np.concatenate([np.exp(weigh(part) - top).sum(axis=1) for part in parts])
    chance = chance / chance.sum()
    p = float(chance[: after.kind].sum() + chance[after.kind] / 2)
    return _allow(p, _join(bad, waiting), after)


def _chance_of_halving(usual: Findings, after: Findings, alpha: float) -> float:
    """Chance of "worked" had the kind come half as often, the control as it came: Poisson, the usual counts as they are."""
    if not (usual.kind and usual.control and after.control):
        return 0.0
    expected = 0.5 * usual.kind / usual.control * after.control * after.exposure / usual.exposure

    def too_many(kind: int) -> bool:
        p = _below(usual, Findings(kind, after.control, after.quarters, after.exposure))
        return p is None or p > alpha

    fewest = bisect_left(range(int(4 * expected) + 20), True, key=too_many)
    return float(special.pdtr(fewest - 1, expected)) if fewest else 0.0
