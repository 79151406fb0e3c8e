"""Does it matter where a lifter sits? Rates by cylinder, valve and place in the oil feed, each engine its own
control.

References
----------
[1] M. D. Ernst, Stat. Sci. 19 (2004) 676: permutation methods, exchangeability inside a block.
[2] B. Phipson, G. K. Smyth, Stat. Appl. Genet. Mol. Biol. 9 (2010) 39: (1 + exceedances) / (1 + draws).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from ventbook.numerics import Floats, root_of
from ventbook.statistics.rates.shares import shares_by

DRAWS = 1999
BLOCK = 2_000_000
"""Lifters drawn at once: bounds memory at about 50 MB."""
NORMAL_FROM = 50_000
"""From how many engines' positions on the sums of a dealing are drawn as what they then are, jointly normal."""


@dataclass(frozen=True)
class PositionTest:
    """Whether failures keep to some positions more than chance inside the ventings would have it.

    p and feed_p are permutation p values (None where nothing could be tested); feed_slope tells how much later in
    the oil feed (0 = first fed, 1 = last fed) failing lifters sit than their engine's mean. engines and failures
    count what could be used. state is "estimated" or "too_few"; note says what is missing.
    """

    p: float | None
    statistic: float | None
    feed_p: float | None
    feed_slope: float | None
    engines: int
    failures: int
    positions: int
    draws: int
    state: str
    note: str


def rates_by_position(
    lifters: pd.DataFrame,
    *,
    by: Sequence[str] = ("cylinder", "valve"),
    over: str = "over_first",
    cluster: str = "engine_id",
    level: float = 0.95,
) -> pd.DataFrame:
    """Share of lifters over the limit by position, one row a position that occurs.

    Parameters
    ----------
    lifters : DataFrame
        One row a lifter and venting; rows with the answer or the position missing are left out.
    by : sequence of str
        Columns that make the position.
    over, cluster : str
        Columns of the answer (yes/no) and of the engine.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    DataFrame
        The columns of ``by``, failures and the fields of an Estimate.

    Raises
    ------
    ValueError
        Naming the columns that are missing.

    Notes
    -----
    Every engine counts as one cluster (an engine vented twice is not two witnesses). Whether positions differ
    is asked by :func:`test_positions`.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import rates
    >>> table = rates.rates_by_position(ventbook.read_lifters("data/demo/store"))
    >>> len(table), table.columns[:4].tolist()
    (12, ['cylinder', 'valve', 'failures', 'estimate'])
    """
    columns = [*by, over, cluster]
    missing = [c for c in columns if c not in lifters.columns]
    if missing:
        raise ValueError(f"lifters lacks the columns {', '.join(missing)}")
    table = shares_by(lifters[columns], list(by), failures=over, cluster=cluster, level=level)
    return table[table["n"] > 0].reset_index(drop=True)


def test_positions(
    over: Any, cluster: Any, position: Any, *, feed_rank: Any = None, draws: int = DRAWS, seed: int = 0
) -> PositionTest:
    """Exchangeability test: are an engine's failing lifters spread over its positions by chance?

    Parameters
    ----------
    over : array_like, shape (n,)
        Yes/no a lifter and venting; missing = not checked, left out.
    cluster, position : array_like, shape (n,)
        Engine and position of each.
    feed_rank : array_like, shape (n,), 0..1, optional
        0 (first fed) to 1 (last fed), missing where not known; gives the second test, whether failing lifters
        sit later in the oil feed than the others of their engine (two-sided).
    draws : int
        Number of dealings, 99 at least.
    seed : int
        Their seed.

    Returns
    -------
    PositionTest
        p of the test with what it rests on, and the same for the feed order. Too few data: state "too_few".

    Raises
    ------
    ValueError
        For lengths that differ, or fewer than 99 draws.

    Notes
    -----
    The failures of each position of an engine are added up over its ventings (a lifter that stays bad is one
    witness, not three), and inside every engine these sums are dealt out anew over its positions. Engines
    without a failing or without a sound lifter say nothing and are left out. Statistic: sum over positions of
    (observed - expected)^2 / variance, both under the dealing. ``p = (1 + draws at least as large) / (1 +
    draws)``, so that the test is never too eager. Where a position was checked more often than another of its
    engine, its sum is taken less the engine's share times its checks. With more than NORMAL_FROM positions of engines
    the dealt sums are drawn as jointly normal, with the mean and covariance that dealing gives them.

    Examples
    --------
    The same cylinder in every engine is no chance:

    >>> import numpy as np
    >>> from ventbook.statistics import rates
    >>> engine = np.repeat(np.arange(12), 4)
    >>> position = np.tile([1, 2, 3, 4], 12)
    >>> rates.test_positions(position == 3, engine, position, draws=999).p < 0.01
    True
    """
    answers = pd.Series(over).astype("boolean").astype("Float64")
    failed: Floats = np.asarray(answers.to_numpy(dtype=float, na_value=np.nan), dtype=np.float64)
    code, labels = pd.factorize(pd.Series(position).reset_index(drop=True))
    block, _ = pd.factorize(pd.Series(cluster).reset_index(drop=True))
    if not (failed.size == code.size == block.size):
        raise ValueError(
            f"over, cluster and position must be of one length; got {failed.size}, {block.size}, {code.size}"
        )
    if draws < 99:
        raise ValueError(f"draws must be at least 99; got {draws}")
    rank = np.full(failed.size, np.nan)
    if feed_rank is not None:
        rank = pd.to_numeric(pd.Series(feed_rank)).to_numpy(dtype=float, na_value=np.nan)
    ok = np.isfinite(failed) & (code >= 0) & (block >= 0)
    positions = len(labels)
    value, checks, block, code, rank = _add_up(failed[ok], block[ok], code[ok], rank[ok], positions)
    if value.size:
        checked, hits = np.bincount(block, checks), np.bincount(block, value)
        telling = ((hits > 0) & (hits < checked) & (np.bincount(block) > 1))[block]
        value = (value - checks * (hits / checked)[block])[telling]
        failures = int(hits[np.unique(block[telling])].sum())
        block, code, rank = block[telling], code[telling], rank[telling]
    if value.size == 0:
        note = "no engine with both failing and sound lifters: position cannot be told"
        return PositionTest(None, None, None, None, 0, 0, positions, 0, "too_few", note)
    block = np.unique(block, return_inverse=True)[1]
    code = np.unique(code, return_inverse=True)[1]
    positions = int(code.max()) + 1
    statistic, drawn, feed, drawn_feed = _deal(value, block, code, positions, rank, failures, draws, seed)
    p = (1 + int((drawn >= statistic - 1e-9 * max(1.0, statistic)).sum())) / (1 + draws)
    feed_p = None
    if feed is not None and np.ptp(drawn_feed) > 0:
        feed_p = (1 + int((np.abs(drawn_feed) >= abs(feed) - 1e-12).sum())) / (1 + draws)
    return PositionTest(
        p=float(p),
        statistic=statistic,
        feed_p=feed_p,
        feed_slope=feed if feed_p is not None else None,
        engines=int(block[-1]) + 1,
        failures=failures,
        positions=positions,
        draws=draws,
        state="estimated",
        note="",
    )


test_positions.__test__ = False  # type: ignore[attr-defined]  # a name, not a test case


def _add_up(
    failed: Floats, block: npt.NDArray[np.int64], code: npt.NDArray[np.int64], rank: Floats, positions: int
) -> tuple[Floats, Floats, npt.NDArray[np.int64], npt.NDArray[np.int64], Floats]:
    """Failures and checks of every engine's positions, sorted by engine; the feed rank of the first row stands."""
    block = (np.cumsum(np.bincount(block) > 0) - 1)[block]  # without gaps in the codes
    place, key = pd.factorize(block * max(positions, 1) + code, sort=True)
    first = np.empty(key.size, np.int64)
    first[place[::-1]] = np.arange(place.size)[::-1]
    value = np.bincount(place, failed, key.size).astype(float)
    checks = np.bincount(place, minlength=key.size).astype(float)
    return value, checks, block[first], code[first], rank[first]


def _deal(
    value: Floats,
    block: npt.NDArray[np.int64],
    code: npt.NDArray[np.int64],
    positions: int,
    rank: Floats,
    failures: int,
    draws: int,
    seed: int,
) -> tuple[float, Floats, float | None, Floats]:
    """Observed and dealt statistics. Blocks come sorted; dealing = order of random numbers inside each block."""
    size = np.bincount(block)
    # values sum to 0 in a block, so the dealt sum of a position has mean 0 and this variance
    spread = (np.bincount(block, value**2) / size)[block]
    variance = np.bincount(code, spread, positions)
    use = variance > 0
    one_hot = np.zeros((value.size, positions))
    one_hot[np.arange(value.size), code] = 1.0
    known = np.isfinite(rank)
    n_rank = np.bincount(block, known.astype(float))
    mean_rank = np.bincount(block, np.where(known, rank, 0.0)) / np.maximum(n_rank, 1)
    centred = np.where(known, rank - mean_rank[block], 0.0) / max(failures, 1)
    with_feed = bool(np.any(centred != 0))

    def statistics(counts: Floats) -> Floats:
        return (counts[..., use] ** 2 / variance[use]).sum(-1)

    observed = float(statistics(value @ one_hot))
    rng = np.random.default_rng(seed)
    drawn, drawn_feed = np.empty(draws), np.zeros(draws)
    if value.size >= NORMAL_FROM:
        sums = rng.random((draws, positions + 1))
        np.clip(sums, 2.0**-53, None, out=sums)
        sums = special.ndtri(sums) @ _dealing_root(value, block, np.column_stack([one_hot, centred]))
        drawn, feed = statistics(sums[:, :-1]), float(value @ centred)
        return observed, drawn, feed if with_feed else None, sums[:, -1] * with_feed
    step = max(1, BLOCK // value.size)
    for first in range(0, draws, step):
        m = min(step, draws - first)
        keys = rng.random((m, value.size))
        keys += block
        dealt = value[np.argsort(keys, axis=1)]
        drawn[first : first + m] = statistics(dealt @ one_hot)
        if with_feed:
            drawn_feed[first : first + m] = dealt @ centred
    return observed, drawn, float(value @ centred) if with_feed else None, drawn_feed


def _dealing_root(value: Floats, block: npt.NDArray[np.int64], weights: Floats) -> Floats:
    """Symmetric root of the covariance of ``dealt @ weights``: values dealt inside a block of m have variance s^2 and
    covariance -s^2 / (m - 1), where s^2 is their mean square."""
    size = np.bincount(block).astype(float)
    factor = np.bincount(block, value**2) / np.maximum(size - 1, 1)
    sums = np.column_stack([np.bincount(block, column) for column in weights.T])
    covariance = weights.T @ (weights * factor[block][:, None]) - sums.T @ (sums * (factor / size)[:, None])
    return root_of(covariance)
