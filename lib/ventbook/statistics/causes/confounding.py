"""Which circumstances came together: the confounding map, and pairs that these records can't tell apart."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd

from ventbook.statistics.causes.factors import Coded, Factor, code_factors, load_factors

COLUMNS = (
    "factor_a",
    "factor_b",
    "ventings",
    "association",
    "together",
    "only_a",
    "only_b",
    "neither",
    "overlap",
)
NO_OVERLAP, THIN_OVERLAP = 0.10, 0.35


def map_confounding(jobs: pd.DataFrame, *, factors: Sequence[Factor] | None = None) -> pd.DataFrame:
    """How strongly every pair of circumstances came together, and the site with each, strongest first.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting (:func:`ventbook.read_ventings`).
    factors : sequence of Factor, optional
        Default ``data/factors.toml`` (:func:`load_factors`).

    Returns
    -------
    DataFrame
        One row a pair: the two, ``association`` (Cramer's V, numbers cut in two), for two yes/no factors (and
        cut numbers) ``together``, ``only_a``, ``only_b``, ``neither`` in ventings (NaN otherwise),
        ``overlap``: "none" where 1 - V^2 is under .10, "thin" under .35, else "good". Pairs of which one does
        not vary are left out.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import causes
    >>> pairs = causes.map_confounding(ventbook.read_ventings("data/demo/store"))
    >>> bool(pairs["association"].between(0, 1).all()), sorted(set(pairs["overlap"]) - {"good", "none", "thin"})
    (True, [])
    """
    chosen = load_factors() if factors is None else tuple(factors)
    coded = {
        name: one for name, one in code_factors(jobs, chosen).items() if one.factor.kind != "interaction"
    }
    columns: dict[str, tuple[np.ndarray, int]] = {
        name: (one.codes, max(len(one.levels), int(one.codes.max(initial=0)) + 1))
        for name, one in coded.items()
    }
    site, names = pd.factorize(jobs["site"], sort=True)
    columns["site"] = (site, len(names))
    rows = []
    for (a, (x, nx)), (b, (y, ny)) in itertools.combinations(columns.items(), 2):
        known = (x >= 0) & (y >= 0)
        table = np.bincount(x[known] * ny + y[known], minlength=nx * ny).reshape(nx, ny).astype(float)
        v = measure_association(table)
        if v is None:
            continue
        cells = [np.nan] * 4
        if nx == 2 and ny == 2:
            cells = [table[1, 1], table[1, 0], table[0, 1], table[0, 0]]
        left = 1 - v**2
        overlap = "none" if left < NO_OVERLAP else "thin" if left < THIN_OVERLAP else "good"
        rows.append((a, b, int(known.sum()), v, *cells, overlap))
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    return frame.sort_values(
        ["association", "factor_a", "factor_b"], ascending=[False, True, True]
    ).reset_index(drop=True)


def measure_association(table: np.ndarray) -> float | None:
    """Cramer's V of a table of counts.

    Parameters
    ----------
    table : ndarray, shape (rows, columns)
        Counts; empty rows and columns are left out.

    Returns
    -------
    float or None
        0 = never together more than by chance, 1 = one is known from the other; None where one side does not
        vary. Without correction for chance.

    Examples
    --------
    >>> import numpy as np
    >>> from ventbook.statistics import causes
    >>> causes.measure_association(np.array([[10, 0], [0, 10]])), causes.measure_association(np.array([[10, 5]]))
    (1.0, None)
    """
    table = table[table.sum(axis=1) > 0][:, table.sum(axis=0) > 0]
    if min(table.shape, default=0) < 2:
        return None
    n = table.sum()
    expected = np.outer(table.sum(axis=1), table.sum(axis=0)) / n
    chi2 = ((table - expected) ** 2 / expected).sum()
    return float(np.sqrt(min(chi2 / n / (min(table.shape) - 1), 1.0)))


def describe_pair(jobs: pd.DataFrame, first: Factor, second: Factor) -> dict[str, object] | None:
    """Counts for the sentence on two yes/no circumstances that went together; None where either is something else.

    Keys: both, only_first, only_second, neither (ventings on which both are recorded), n_first (with the first).
    """
    coded = code_factors(jobs, [first, second])
    one, two = coded[first.name], coded[second.name]
    if not (_two_sided(one) and _two_sided(two)):
        return None
    known = one.known & two.known
    x, y = one.codes[known], two.codes[known]
    both = int(((x == 1) & (y == 1)).sum())
    return {
        "both": both,
        "only_first": int((x == 1).sum()) - both,
        "only_second": int((y == 1).sum()) - both,
        "neither": int(((x == 0) & (y == 0)).sum()),
        "n_first": int((x == 1).sum()),
    }


def _two_sided(coded: Coded) -> bool:
    return coded.factor.kind == "yes_no"
