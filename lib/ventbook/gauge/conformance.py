"""What a reading says about the true gap: probability over the limit, guard bands, risks.

References
----------
[1] JCGM 106:2012, Evaluation of measurement data - the role of measurement uncertainty in conformity
    assessment.
[2] ISO 14253-1:2017, decision rules for verifying conformity.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from ventbook.verdicts import is_over

ASSUMED_U_MM = 0.02
"""Standard uncertainty (mm) of a gap reading where no study stands behind the gauge. Common practice, no
source; every number that rests on it is marked "assumed"."""

Array = npt.NDArray[np.float64]


def over_limit_probability(gap: npt.ArrayLike, u: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Probability that the true gap is over the limit, given the reading (JCGM 106 [1], flat prior).

    P = Phi((gap - limit) / u). With u = 0 the reading is taken as true: 1 over the limit, 0 at or under it.

    Parameters
    ----------
    gap : reading in mm; NaN = not recorded, gives NaN (still not recorded).
    u : standard uncertainty in mm, 0 or more; NaN gives NaN.
    limit : in mm; NaN gives NaN.

    Returns
    -------
    Array of the broadcast shape, in [0, 1].
    """
    gap, u, limit = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (gap, u, limit)))
    if np.any(u < 0):
        raise ValueError("u must be 0 mm or more")
    sure = u == 0
    p = special.ndtr((gap - limit) / np.where(sure, 1.0, u))
    known = ~(np.isnan(gap) | np.isnan(u) | np.isnan(limit))
    return np.where(sure & known, is_over(gap, limit).astype(float), p)


def guard_band(limit: float, u: float, *, probability: float = 0.95) -> float:
    """Largest reading (mm) that may be accepted: the true gap is then within the limit with ``probability``.

    limit - z u, z the one-sided normal quantile (1.645 for 95 %: the decision rule of ISO 14253-1 [2]).
    Never under 0.
    """
    if not u >= 0:
        raise ValueError(f"u must be 0 mm or more; got {u!r}")
    if not 0 < probability < 1:
        raise ValueError(f"probability must lie between 0 and 1; got {probability!r}")
    return float(max(0.0, limit - special.ndtri(probability) * u))


def worst_false_accept(guard: float, *, coverage_factor: float = 2.0) -> float:
    """Chance of passing a lifter that sits at the limit when accepting up to limit - guard U, U = k u."""
    return float(special.ndtr(-guard * coverage_factor))
