"""Errors that carry the clustering, with degrees of freedom fit for few clusters.

Up to 400 clusters: every cluster is left out in turn (one Newton step from the full fit), and the errors are the spread of
those estimates, the form CR3 of the sandwich [1]_. Where few clusters carry an effect that spread is too wide by an
amount that is known under independent readings, its expectation over the model's own variance; it is divided out, so that the
error is unbiased there as for the form CR2. Degrees of freedom for Student's t by
Satterthwaite's rule on the quadratic form under independent readings [2]_. More clusters: the plain sandwich with
clusters / (clusters - 1), and the normal quantile.

References
----------
.. [1] Bell, R. M. and McCaffrey, D. F. (2002), Survey Methodology 28, 169-181.
.. [2] Pustejovsky, J. E. and Tipton, E. (2018), J. Bus. Econ. Stat. 36, 672-683.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtrit

from ventbook.numerics import keep_spread
from ventbook.waiting_times.intervals import Floats, Ints

#: From this many clusters on the plain sandwich and the normal quantile serve.
MANY_CLUSTERS = 400


@dataclass(frozen=True)
class Errors:
    """Covariance of the estimates (beta, log sigma), and what the degrees of freedom are made of.

    ``bread`` is the inverse information; ``meat`` the information of each cluster (G x p x p) and ``step`` the
    inverse information without it, both empty where no adjustment is needed.
    """

    covariance: Floats
    bread: Floats
    meat: Floats
    step: Floats
    clusters: int
    kind: str

    def variance(self, gradient: Floats) -> float:
        """Variance of the linear combination with that gradient, its known bias taken off (see the module's text).

        The model's own where the clusters show none by balance.
        """
        model = float(gradient @ self.bread @ gradient)
        raw = keep_spread(float(gradient @ self.covariance @ gradient), model)
        if self.meat.shape[0] == 0 or raw == model:
            return raw
        spread = (self.clusters - 1) / self.clusters * float(np.trace(self._quadratic(gradient)))
        return raw * min(model / spread, 1.0) if spread > 0 else raw

    def _quadratic(self, gradient: Floats) -> Floats:
        """Covariance between the clusters' steps along the gradient under independent readings (G x G)."""
        m = gradient @ self.step  # G x p
        a = (m[:, None, :] @ self.meat)[:, 0, :]
        return np.diag(np.sum(a * m, axis=1)) - a @ self.bread @ a.T

    def degrees(self, gradient: Floats) -> float:
        """Satterthwaite's degrees of freedom of that variance; inf where the normal quantile serves."""
        if self.meat.shape[0] == 0:
            return np.inf
        omega = self._quadratic(gradient)
        whole = float(np.sum(omega**2))
        if whole <= 0:
            return 1.0
        return float(min(max(np.trace(omega) ** 2 / whole, 1.0), self.clusters - 1))

    def critical(self, gradient: Floats, level: float, df: float | None = None) -> float:
        """Two-sided quantile for that combination; ``df`` where it is known already."""
        upper = 0.5 + level / 2
        df = self.degrees(gradient) if df is None else df
        return float(ndtri(upper)) if np.isinf(df) else float(stdtrit(df, upper))


def invert(matrix: Floats) -> Floats:
    """Inverse of a symmetric matrix, scaled first; the generalised one where it has none."""
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix / np.outer(scale, scale)
    try:
        if np.linalg.cond(scaled) < 1e11:
            return np.linalg.inv(scaled) / np.outer(scale, scale)
    except np.linalg.LinAlgError:
        pass
    return np.linalg.pinv(scaled, rcond=1e-10, hermitian=True) / np.outer(scale, scale)


def leave_out_clusters(scores: Floats, information: Floats, meat: Floats) -> tuple[Floats, Floats]:
    """One Newton step from the full fit for every cluster left out: the steps (G x p) and the inverses used."""
    inverses = np.stack([invert(information - one) for one in meat])
    return -(inverses @ scores[:, :, None])[:, :, 0], inverses


def number_rows_by_cluster(codes: Ints, clusters: int) -> list[Ints]:
    """Row numbers of each cluster."""
    order = np.argsort(codes, kind="stable")
    bounds = np.searchsorted(codes[order], np.arange(clusters + 1))
    return [order[bounds[c] : bounds[c + 1]] for c in range(clusters)]
