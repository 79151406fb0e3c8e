"""Means of ratios, differences between two periods' numbers, and what the failing ventings have in common."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

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
    frame: pd.DataFrame, *, failed: str, columns: Sequence[str], fewest: int = 4
) -> pd.DataFrame:
    """Levels that failing ventings carry more often than the others, most improbable first.

    Columns: column, level, failing_with, with_level, failing_without, without_level, p (Fisher, one-sided, more
    failing with the level). Many are looked at: it says where to look, not what the cause is. Levels with fewer
    than ``fewest`` ventings on either side are left out.
    """
    known = frame[frame[failed].notna()]
    bad = known[failed].astype(bool).to_numpy()
    rows = []
    for column in columns:
        if column not in known.columns:
            continue
        text = known[column]
        if text.dtype == "boolean":
            text = text.map({True: "yes", False: "no"})
        text = text.astype("str").where(known[column].notna(), "not recorded")
        for level in sorted(text.unique()):
            has = (text == level).to_numpy()
            if has.sum() < fewest or (~has).sum() < fewest:
                continue
            a, b = int(bad[has].sum()), int(bad[~has].sum())
            p = stats.fisher_exact([[a, has.sum() - a], [b, (~has).sum() - b]], alternative="greater")[1]
            rows.append((column, level, a, int(has.sum()), b, int((~has).sum()), float(p)))
    names = ["column", "level", "failing_with", "with_level", "failing_without", "without_level", "p"]
    table = pd.DataFrame(rows, columns=names)
    return table.sort_values(["p", "column", "level"], kind="stable").reset_index(drop=True)
