"""Two instruments on the same waits: their mean difference, with engines as clusters."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from ventbook.results import Estimate, no_estimate
from ventbook.waiting_times.curves import cluster_variance
from ventbook.waiting_times.intervals import check_level, number_clusters

#: Pairs and engines that a comparison takes.
FEWEST_PAIRS, FEWEST_ENGINES = 5, 3


def compare_instruments(
    first: ArrayLike, second: ArrayLike, *, cluster: ArrayLike, level: float = 0.95, unit: str = "s"
) -> Estimate:
    """Mean of ``first`` less ``second`` over the pairs where both are recorded.

    Error from the sums of the differences by cluster, G / (G - 1) corrected, with Student's t on G - 1 degrees of
    freedom. Under 5 pairs or 3 clusters: state too_few.
    """
    check_level(level)
    difference = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    known = ~np.isnan(difference)
    codes, clusters = number_clusters(cluster, known)
    values = difference[known]
    method = "mean of paired differences, errors by engines with t"
    if codes is None or values.size < FEWEST_PAIRS or clusters < FEWEST_ENGINES:
        return no_estimate("too_few", level=level, unit=unit, n=values.size, clusters=clusters, method=method)
    mean = float(values.mean())
    error = np.sqrt(cluster_variance(values - mean, codes, clusters)) / values.size
    reach = float(stdtrit(clusters - 1, 0.5 + level / 2)) * float(error)
    return Estimate(mean, mean - reach, mean + reach, level, unit, values.size, clusters, method)
