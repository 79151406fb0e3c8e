"""Means of ratios, differences between two periods' numbers, and what the failing ventings have in common."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from ventbook.numerics import encode, shuffled_z
from ventbook.results import Estimate, no_estimate


def geometric_mean(
    values: ArrayLike, *, cluster: ArrayLike | None = None, level: float = 0.95, unit: str = "1", fewest: int = 5
) -> Estimate:  # fmt: skip
    """Geometric mean of positive values (rotations recorded over expected) with a t interval on the log scale.

    cluster : ids (engines); the standard error is then that of cluster totals, freedom clusters - 1. Values that
    are missing or not over 0 are left out; fewer than ``fewest`` give state too_few, none not_recorded.
    """
    x = np.asarray(values, float)
    ok = np.isfinite(x) & (x > 0)
    n = int(ok.sum())
    if n < fewest:
        state = "too_few" if n else "not_recorded"
        return no_estimate(state, level=level, unit=unit, n=n, method="geometric mean")
    y = np.log(x[ok])
    ids = np.arange(n) if cluster is None else pd.factorize(pd.Series(np.asarray(cluster, object)[ok]))[0]
    clusters = int(ids.max()) + 1
    if clusters < 2:
        return no_estimate("too_few", level=level, unit=unit, n=n, clusters=clusters, method="geometric mean")
    totals = np.bincount(ids, y - y.mean(), clusters)
    se = np.sqrt((totals**2).sum() * clusters / (clusters - 1)) / n
    half = stats.t.ppf(0.5 + level / 2, clusters - 1) * se
    low, mid, high = (float(np.exp(v)) for v in (y.mean() - half, y.mean(), y.mean() + half))
    method = "geometric mean, t by engine" if cluster is not None else "geometric mean, t"
    return Estimate(mid, low, high, level, unit, n, 0 if cluster is None else clusters, method)


def compare_estimates(now: Estimate, before: Estimate, *, ratio: bool = False) -> Estimate:
    """Change from ``before`` to ``now`` from the two intervals: difference, or ratio of two positive numbers.

    Squares and adds the distances to the ends that matter (Zou & Donner, Statistics in Medicine 27 (2008) 1693),
    so asymmetric intervals stay asymmetric; both are taken as independent. A missing end leaves that end open.
    """
    unit = "1" if ratio else now.unit
    method = "ratio from two intervals" if ratio else "difference from two intervals"
    if now.estimate is None or before.estimate is None:
        short = now if now.estimate is None else before
        return no_estimate(
            short.state, level=now.level, unit=unit, n=now.n, method=method, note="one side has no number"
        )
    a, b = (_ends(e, log=ratio) for e in (now, before))
    middle = a[1] - b[1]
    low = None if a[0] is None or b[2] is None else middle - np.hypot(a[1] - a[0], b[2] - b[1])
    high = None if a[2] is None or b[0] is None else middle + np.hypot(a[2] - a[1], b[1] - b[0])
    ends = [None if v is None else float(np.exp(v)) if ratio else float(v) for v in (low, middle, high)]
    return Estimate(ends[1], ends[0], ends[2], now.level, unit, now.n + before.n, 0, method)


def _ends(e: Estimate, *, log: bool) -> tuple[float | None, float, float | None]:
    assert e.estimate is not None
    if not log:
        return e.low, e.estimate, e.high

    def safe(value: float | None) -> float | None:
        return None if value is None or value <= 0 else float(np.log(value))

    middle = safe(e.estimate)
    return safe(e.low), 0.0 if middle is None else middle, safe(e.high)


def compare_failing(
    frame: pd.DataFrame, *, failed: str, columns: Sequence[str], fewest: int = 4, stratum: str | None = None,
    draws: int = 1_999, seed: int = 0,
) -> pd.DataFrame:  # fmt: skip
    """Levels that failing ventings carry more often than the others, most improbable first.

    Each level is held against the column's other levels; what is left blank takes no side. Levels with fewer than
    ``fewest`` ventings on either side are left out.
    Columns: column, level, failing_with, with_level, failing_without, without_level, p (Fisher, one-sided, more
    failing with the level), p_any (the chance that any of all these levels looks so improbable where none has to do with
    failing: failing shuffled ``draws`` times over the ventings, inside the levels of ``stratum`` where one is given), blank_z (how the
    column's blanks go with failing, in standard deviations; under 0 they are rarer where a venting failed).
    """
    names = [
        "column",
        "level",
        "failing_with",
        "with_level",
        "failing_without",
        "without_level",
        "p",
        "p_any",
        "blank_z",
    ]
    known = frame[frame[failed].notna()]
    bad = known[failed].astype(bool).to_numpy()
    inside, _ = encode(known[stratum]) if stratum else (np.zeros(len(known), dtype=np.int64), [])
    rows: list[tuple[str, str, float]] = []
    has: list[NDArray[np.bool_]] = []
    told: list[NDArray[np.bool_]] = []
    for column in columns:
        if column not in known.columns:
            continue
        text = known[column]
        if text.dtype == "boolean":
            text = text.map({True: "yes", False: "no"})
        recorded = known[column].notna().to_numpy()
        text = text.astype("str").where(recorded, "")
        blank_z = shuffled_z((~recorded).astype(float), bad.astype(float), inside)
        for level in sorted(text[recorded].unique()):
            carried = (text == level).to_numpy()
            if carried.sum() >= fewest and (recorded & ~carried).sum() >= fewest:
                rows.append((column, str(level), blank_z))
                has.append(carried)
                told.append(recorded)
    if not rows:
        return pd.DataFrame(columns=names).astype({"p": float, "p_any": float, "blank_z": float})
    carries, recorded_on = np.array(has, np.float32), np.array(told, np.float32)
    failing_with, failing, p = _tail(carries, recorded_on, bad.astype(np.float32)[:, None])
    least = _least_of_shuffled(carries, recorded_on, bad, inside, draws=draws, seed=seed)
    p_any = (1 + (least[None, :] <= p * (1 + 1e-9)).sum(axis=1)) / (draws + 1)
    table = pd.DataFrame(
        {
            "column": [row[0] for row in rows], "level": [row[1] for row in rows],
            "failing_with": failing_with[:, 0].astype(int), "with_level": carries.sum(axis=1).astype(int),
            "failing_without": (failing - failing_with)[:, 0].astype(int),
            "without_level": (recorded_on - carries).sum(axis=1).astype(int), "p": p[:, 0], "p_any": p_any,
            "blank_z": [row[2] for row in rows],
        }
    )[names]  # fmt: skip
    return table.sort_values(["p", "column", "level"], kind="stable").reset_index(drop=True)


def _tail(
    has: NDArray[np.float32], told: NDArray[np.float32], bad: NDArray[np.float32]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """(failing with the level, failing recorded, Fisher's one-sided p) by level and column of ``bad`` (n, draws)."""
    with_level, recorded = (np.rint(m @ bad).astype(np.float64) for m in (has, told))
    p = stats.hypergeom.sf(with_level - 1, told.sum(axis=1)[:, None], recorded, has.sum(axis=1)[:, None])
    return with_level, recorded, np.asarray(p, np.float64)


def _least_of_shuffled(
    has: NDArray[np.float32], told: NDArray[np.float32], bad: NDArray[np.bool_], stratum: NDArray[np.int64],
    *, draws: int, seed: int,
) -> NDArray[np.float64]:  # fmt: skip
    """The smallest p of all levels in each of ``draws`` fleets with failing shuffled inside strata."""
    rng = np.random.default_rng(seed)
    in_strata = np.argsort(stratum, kind="stable")
    least = []
    for first in range(0, draws, 200):
        wide = min(200, draws - first)
        order = np.argsort(stratum[:, None] + rng.random((len(bad), wide)), axis=0)
        shuffled = np.empty((len(bad), wide), np.float32)
        np.put_along_axis(shuffled, order, bad[in_strata].astype(np.float32)[:, None], axis=0)
        least.append(_tail(has, told, shuffled)[2].min(axis=0))
    return np.concatenate(least)
