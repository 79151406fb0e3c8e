"""The usual distributions under the names of ``scipy.stats`` and with its numbers to the last bit, straight from
``scipy.special``: nothing is loaded that a page doesn't need, and a number costs a hundredth.

Everything else of ``scipy.stats`` is handed on from there and loads it. Parameters may be arrays, which are spread
against each other; a share outside [0, 1] or degrees of freedom of 0 and less give NaN.

Examples
--------
>>> from ventbook import distributions
>>> round(float(distributions.norm.ppf(0.975)), 4), round(float(distributions.t.ppf(0.975, 9)), 4)
(1.96, 2.2622)
>>> float(distributions.binom.pmf(1, 2, 0.5))
0.5
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import special


class norm:
    """The standard normal distribution."""

    ppf, cdf = special.ndtri, special.ndtr

    @staticmethod
    def sf(x: Any) -> Any:
        return special.ndtr(-x)

    @staticmethod
    def isf(q: Any) -> Any:
        return 0.0 - special.ndtri(q)


class t:
    """Student's distribution with ``df`` degrees of freedom; ``q`` lies between 0 and 1, neither counted in."""

    @staticmethod
    def ppf(q: Any, df: Any) -> Any:
        return special.stdtrit(df, q)

    @staticmethod
    def isf(q: Any, df: Any) -> Any:
        return 0.0 - special.stdtrit(df, q)

    @staticmethod
    def cdf(x: Any, df: Any) -> Any:
        return special.stdtr(df, x)

    @staticmethod
    def sf(x: Any, df: Any) -> Any:
        return special.stdtr(df, -x)


class chi2:
    """The chi-square distribution with ``df`` degrees of freedom."""

    @staticmethod
    def ppf(q: Any, df: Any) -> Any:
        return 2 * special.gammaincinv(df / 2, q)

    @staticmethod
    def median(df: Any) -> Any:
        return chi2.ppf(0.5, df)

    @staticmethod
    def sf(x: Any, df: Any) -> Any:
        return special.chdtrc(np.where(np.asarray(df) > 0, df, np.nan), np.maximum(x, 0.0))


class f:
    """The F distribution with ``dfn`` and ``dfd`` degrees of freedom."""

    @staticmethod
    def sf(x: Any, dfn: Any, dfd: Any) -> Any:
        return special.fdtrc(dfn, dfd, np.maximum(x, 0.0))


class beta:
    """The beta distribution."""

    @staticmethod
    def ppf(q: Any, a: Any, b: Any) -> Any:
        return special.betaincinv(a, b, q)

    @staticmethod
    def isf(q: Any, a: Any, b: Any) -> Any:
        return special.betainccinv(a, b, q)


def __getattr__(name: str) -> Any:
    """What else ``scipy.stats`` has (PEP 562)."""
    if name.startswith("__"):
        raise AttributeError(name)
    from scipy import stats

    return getattr(stats, name)
