"""How many ventings a trial takes, looked at once, four times or after every block; what can be finished by then."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from ventbook import distributions as stats
from ventbook.numerics import Floats
from ventbook.statistics.trials.evidence import Evidence, weigh_blocks, weigh_pairs
from ventbook.tables import load_trial_rules

LEVEL = 0.05
RUNS = 800
FARTHEST = 2400
"""Ventings beyond which a plan doesn't look."""
PART = 200  # runs weighed at once, for the sake of memory


@dataclass(frozen=True)
class Needed:
    """Ventings, both ways of working together, that a trial takes for the power of ``data/trials.toml``.

    ``one_look`` and ``four_looks`` are fixed beforehand; ``most`` is what any number of looks may take (None: more than
    2,400), ``mean_with`` and ``mean_without`` what it takes on average where the change acts as planned and where it does
    nothing (None without ``most``). ``reached`` holds, of each simulated trial, the ventings at "works" (infinite: not).
    """

    planned: float
    one_look: int
    four_looks: int
    most: int | None
    mean_with: float | None
    mean_without: float | None
    reached: Floats

    def power_at(self, ventings: float) -> float:
        """The chance of "works" by so many ventings where the change acts as planned."""
        return float(np.mean(self.reached <= ventings))


def need_share(share: float, odds_ratio: float, *, runs: int = RUNS, seed: int = 1) -> Needed:
    """Ventings for a trial on the share of failing ventings.

    Parameters
    ----------
    share : float
        Failing as before, 0 to 1 (both not included).
    odds_ratio : float
        Odds of failing with the change over as before that the plan looks for, under 1.
    runs : int
        Simulated trials.
    seed : int
        Seed of the simulation.

    Returns
    -------
    Needed

    Examples
    --------
    >>> from ventbook.statistics import trials
    >>> needed = trials.need_share(0.4, 0.25, runs=200)
    >>> needed.one_look, needed.four_looks
    (72, 76)
    >>> needed.one_look < needed.most < 200
    True
    """
    if not 0 < share < 1:
        raise ValueError(f"share must lie between 0 and 1; got {share!r}")
    if not 0 < odds_ratio < 1:
        raise ValueError(f"odds_ratio must lie between 0 and 1; got {odds_ratio!r}")
    rules = load_trial_rules()
    odds = odds_ratio * share / (1 - share)
    changed = odds / (1 + odds)
    z, b = stats.norm.ppf(1 - LEVEL), stats.norm.ppf(rules.power)
    pooled = (share + changed) / 2
    spread = z * np.sqrt(2 * pooled * (1 - pooled)) + b * np.sqrt(
        share * (1 - share) + changed * (1 - changed)
    )
    half = rules.block // 2

    def draw(p: float, part: int, rng: np.random.Generator) -> Evidence:
        size = (part, FARTHEST // rules.block)
        treated, before = rng.binomial(half, p, size), rng.binomial(half, share, size)
        return weigh_blocks(
            treated + before, np.full(size, 2 * half), np.full(size, half), treated, planned=odds_ratio
        )

    fixed = 2 * (spread / (share - changed)) ** 2
    acts, nothing = (_reach(partial(draw, p), runs, seed) for p in (changed, share))
    return _needed(odds_ratio, fixed, acts, nothing, step=rules.block)


def need_number(spread: float, ratio: float, *, runs: int = RUNS, seed: int = 1) -> Needed:
    """Ventings for a trial on a number of which less is better.

    Parameters
    ----------
    spread : float
        Standard deviation of the number's logarithm among like ventings.
    ratio : float
        Number with the change over as before that the plan looks for, under 1.
    runs : int
        Simulated trials.
    seed : int
        Seed of the simulation.

    Returns
    -------
    Needed

    Examples
    --------
    >>> from ventbook.statistics import trials
    >>> needed = trials.need_number(0.14, 0.9, runs=200)
    >>> needed.one_look, needed.one_look < needed.mean_with < needed.most < 150
    (44, True)
    """
    if not spread > 0:
        raise ValueError(f"spread must be over 0; got {spread!r}")
    if not 0 < ratio < 1:
        raise ValueError(f"ratio must lie between 0 and 1; got {ratio!r}")
    rules = load_trial_rules()
    shift = -np.log(ratio)
    z, b = stats.norm.ppf(1 - LEVEL), stats.norm.ppf(rules.power)

    def draw(mean: float, part: int, rng: np.random.Generator) -> Evidence:
        differences = rng.normal(mean, spread * np.sqrt(2), (part, FARTHEST // 2))
        return weigh_pairs(differences, spread=spread, planned=ratio)

    fixed = 4 * (spread * (z + b) / shift) ** 2
    acts, nothing = (_reach(partial(draw, mean), runs, seed) for mean in (shift, 0.0))
    return _needed(ratio, fixed, acts, nothing, step=2)


def _reach(
    draw: Callable[[int, np.random.Generator], Evidence], runs: int, seed: int
) -> tuple[Floats, Floats]:
    """Of each simulated trial: blocks or pairs until "works", and until it ends by any of the three."""
    rules = load_trial_rules()
    rng = np.random.default_rng(seed)
    works, ends = [], []
    for first in range(0, runs, PART):
        found = draw(min(PART, runs - first), rng)
        three = [
            _first(values >= limit)
            for values, limit in (
                (found.works, rules.works),
                (found.harm, rules.harm),
                (found.no_use, rules.no_use),
            )
        ]
        works.append(three[0])
        ends.append(np.minimum.reduce(three))
    return np.concatenate(works), np.concatenate(ends)


def _first(yes: npt.NDArray[np.bool_]) -> Floats:
    return np.where(yes.any(axis=-1), yes.argmax(axis=-1) + 1.0, np.inf)


def _needed(
    planned: float, fixed: float, acts: tuple[Floats, Floats], nothing: tuple[Floats, Floats], *, step: int
) -> Needed:
    rules = load_trial_rules()
    most = float(np.quantile(acts[0], rules.power, method="inverted_cdf"))

    def mean(ends: Floats) -> float | None:
        return float(step * np.minimum(ends, most).mean()) if np.isfinite(most) else None

    return Needed(
        planned,
        _round_up(fixed),
        _round_up(fixed * rules.four_looks),
        int(step * most) if np.isfinite(most) else None,
        mean(acts[1]),
        mean(nothing[1]),
        step * acts[0],
    )


def _round_up(ventings: float) -> int:
    """To the next even number, half for each way of working."""
    return int(2 * np.ceil(ventings / 2 - 1e-9))
