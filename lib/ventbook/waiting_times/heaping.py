"""Counts that stop at round numbers: told by a test, and widened to what they really say.

People who count turns stop, or write down, at multiples of 5 and 10. In counts that are spread over several tens
one in five is a multiple of 5 by chance; more than that by an exact binomial test is heaping, and a heaped count k says no
more than that the true one lay nearer to k than to the next round number.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import bdtrc

from ventbook.waiting_times.patterns import Floats

HEAPING_COLUMNS = ["group", "n", "on_fives", "share", "index", "p", "on_tens", "p_tens", "widen_to", "state"]
#: Counts that a group needs before heaping is looked for.
FEWEST_COUNTS = 10
#: A group counts as heaped where chance alone would show as many round counts in less than this share of groups.
CHANCE = 0.01


def count_chance(total: int, hits: int, share: float) -> float:
    """Exact one-sided binomial probability of at least ``hits`` of ``total`` at that share."""
    return float(bdtrc(hits - 1, total, share)) if hits > 0 else 1.0


def test_heaping(
    counts: ArrayLike, *, group: ArrayLike | None = None, chance: float = CHANCE
) -> pd.DataFrame:
    """Whether the counts of each group stop at round numbers.

    ``counts``: whole numbers of at least 1 as they were counted; missing ones are left out, and so are counts under 5,
    which reach no multiple of 5. One row a group (sorted; "all" without ``group``):

    - n, on_fives (multiples of 5, tens included), share, index = 5 x share (1 without heaping, 5 where every count
      is one; Whipple's index over 100), p: exact one-sided binomial against 1/5;
    - on_tens, p_tens: multiples of 10 among the multiples of 5, against 1/2;
    - widen_to: 0 not heaped, 5 heaped at fives, 10 heaped at fives and at tens beyond that;
    - state: estimated, or too_few under 10 counts (then widen_to is 0).

    Reference: Whipple's index as in United Nations (1955), Manual II: Methods of appraisal of quality of basic data for
    population estimates.
    """
    if not 0.0 < chance < 0.5:
        raise ValueError(f"chance must lie between 0 and 0.5; got {chance!r}")
    values = pd.to_numeric(pd.Series(np.asarray(counts, dtype=object)), errors="coerce").to_numpy(np.float64)
    if group is None:
        names = np.full(values.size, "all", dtype=object)
    else:
        given = pd.Series(np.asarray(group, dtype=object))
        if len(given) != values.size:
            raise ValueError(f"group must have one value a count ({values.size}); got {len(given)}")
        names = given.where(given.notna(), "not recorded").astype(str).to_numpy()
    rows: list[dict[str, Any]] = []
    for name in sorted(set(names)):
        mine = values[names == name]
        mine = mine[~np.isnan(mine) & (mine >= 5)]
        n = mine.size
        fives = int(np.sum(mine % 5 == 0))
        tens = int(np.sum(mine % 10 == 0))
        p, p_tens = count_chance(n, fives, 0.2), count_chance(fives, tens, 0.5)
        enough = n >= FEWEST_COUNTS
        widen = 0 if not enough or p >= chance else (10 if p_tens < chance else 5)
        rows.append(
            {
                "group": name,
                "n": n,
                "on_fives": fives,
                "share": fives / n if n else np.nan,
                "index": 5 * fives / n if n else np.nan,
                "p": p if enough else np.nan,
                "on_tens": tens,
                "p_tens": p_tens if enough else np.nan,
                "widen_to": widen,
                "state": "estimated" if enough else "too_few",
            }
        )
    return pd.DataFrame(rows, columns=HEAPING_COLUMNS)


# pytest takes a module-level name that begins with test_ for a test of its own
test_heaping.__test__ = False  # type: ignore[attr-defined]


def widen_heaped(
    counts: ArrayLike, given_up: ArrayLike, widen_to: ArrayLike, *, per_count: ArrayLike = 1.0
) -> tuple[Floats, Floats]:
    """What counts say as intervals (low, high], heaped ones widened; times ``per_count`` rotations a count.

    An exact count k is (k - 1, k], about k - 1/2. A heaped one stands for as many counts to either side, about the same
    middle: with ``widen_to`` 5 a multiple of 5 is (k - 3, k + 2], the union of (k - 3, k - 2] to (k + 1, k + 2]; with 10 a
    multiple of 10 is (k - 5.5, k + 4.5] and another multiple of 5 as with 5. Given up at an exact count k is (k, inf), one
    above the low end of a count that ended; a heaped one is so too. Missing counts stay missing; a low end is at least 0.
    """
    k = np.asarray(counts, dtype=np.float64)
    up = np.broadcast_to(np.asarray(given_up, dtype=bool), k.shape)
    widen = np.broadcast_to(np.asarray(widen_to, dtype=np.float64), k.shape)
    unknown = ~np.isin(widen, (0.0, 5.0, 10.0))
    if unknown.any():
        raise ValueError(f"widen_to must be 0, 5 or 10; got {widen[unknown][0]:g}")
    reach = np.where((widen >= 5) & (k % 5 == 0), 2.5, 0.5)
    reach = np.where((widen == 10) & (k % 10 == 0), 5.0, reach)
    low = k - 0.5 - reach + up
    high = np.where(up, np.inf, k - 0.5 + reach)
    high = np.where(np.isnan(k), np.nan, high)
    each = np.asarray(per_count, dtype=np.float64)
    return np.maximum(low, 0.0) * each, high * each
