"""Evidence by the draw alone, as a number that under no effect passes 20 in at most 1 of 20 trials, at any number of looks.

Given how many of a block fail, the draw alone says how they fall on the two ways of working. The likelihood of a better
way over that of no difference is a fair bet at each block, whatever the engines, sites or quarters do; so the product over
blocks, and any mixture of such products, passes 1/alpha with a chance of at most alpha [1]. Of numbers the signs of paired
differences are the draw [2], [3].

References
----------
[1] J. Ville, Etude critique de la notion de collectif (1939); from memory.
[2] V. H. de la Pena, Ann. Probab. 27 (1999) 537: exp(l S - l^2 V / 2) for symmetric differences; from memory.
[3] S. R. Howard et al., Ann. Statist. 49 (2021) 1055: its one-sided normal mixture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from ventbook.numerics import Floats
from ventbook.tables import load_trial_rules

HIGHEST = 700.0  # logarithms are cut here, so that no evidence overflows


@dataclass(frozen=True)
class Evidence:
    """Evidence after each block or pair: that the change works, that it harms, that going on is of no use.

    The last is evidence against the planned effect; each starts at 1 before the first block (not kept).
    """

    works: Floats
    harm: Floats
    no_use: Floats

    def __len__(self) -> int:
        return len(self.works)

    def last(self, name: str) -> float:
        """The newest value of ``works``, ``harm`` or ``no_use``; 1 before the first block."""
        values = getattr(self, name)
        return float(values[-1]) if len(values) else 1.0


def log_ratio(
    psi: npt.ArrayLike,
    *,
    failing: npt.ArrayLike,
    ventings: npt.ArrayLike,
    treated: npt.ArrayLike,
    failing_treated: npt.ArrayLike,
) -> Floats:
    """Log of Fisher's noncentral over the central hypergeometric chance of each block.

    Parameters
    ----------
    psi : array_like
        Odds of failing with the change over as before; broadcast against the others.
    failing, ventings : array_like
        Failing ventings and all ventings of a block.
    treated : array_like
        Ventings of the block with the change.
    failing_treated : array_like
        Failing ones among these.

    Returns
    -------
    ndarray
        0 where the counts leave the draw nothing to tell (none or all failing, one way only).

    Examples
    --------
    Two of four fail, both as before; with odds a half as high the chances of 0, 1, 2 among the two with the
    change are 4, 8 and 1 of 13, and by the draw alone 1, 4 and 1 of 6:

    >>> import numpy as np
    >>> from ventbook.statistics import trials
    >>> ratio = trials.log_ratio(0.5, failing=2, ventings=4, treated=2, failing_treated=[0, 1, 2])
    >>> print((np.exp(ratio) * np.array([1, 4, 1]) / 6 * 13).round(6))
    [4. 8. 1.]
    """
    log_psi, k, n, t, x = np.broadcast_arrays(
        *(np.asarray(v, float) for v in (np.log(psi), failing, ventings, treated, failing_treated))
    )
    if np.any((x < 0) | (x > np.minimum(k, t)) | (k - x > n - t)):
        raise ValueError("failing_treated must fit failing, ventings and treated in every block")
    places = np.arange(t.max(initial=0) + 1.0).reshape((-1,) + (1,) * x.ndim)
    log_ways = _log_choose(t, places) + _log_choose(n - t, k - places)
    top = special.logsumexp(log_ways + places * log_psi, axis=0)
    return np.asarray(x * log_psi - top + special.logsumexp(log_ways, axis=0), float)


def _log_choose(n: Floats, k: Floats) -> Floats:
    """Log of n over k, -inf where there is no way."""
    n, k = np.broadcast_arrays(n, k)
    possible = (k >= 0) & (k <= n)
    kept = np.where(possible, k, 0)
    ways = special.gammaln(n + 1) - special.gammaln(kept + 1) - special.gammaln(n - kept + 1)
    return np.where(possible, ways, -np.inf)


def _mix(log_ratios: Floats, weights: npt.ArrayLike) -> Floats:
    """Evidence after each block of a mixture over the last axis; blocks along the axis before."""
    paths = np.cumsum(log_ratios, axis=-2)
    np.exp(np.minimum(paths, HIGHEST, out=paths), out=paths)
    return np.asarray(paths @ np.asarray(weights, float))


def weigh_blocks(
    failing: npt.ArrayLike,
    ventings: npt.ArrayLike,
    treated: npt.ArrayLike,
    failing_treated: npt.ArrayLike,
    *,
    planned: float,
) -> Evidence:
    """Evidence of a trial on a share, after each full block.

    Parameters
    ----------
    failing, ventings, treated, failing_treated : array_like, shape (..., blocks)
        Counts of each block in order, as in :func:`log_ratio`.
    planned : float
        Odds ratio that the trial was planned for, under 1.

    Returns
    -------
    Evidence
        ``works`` is mixed over the odds ratios of ``data/trials.toml``, ``harm`` over the same turned round,
        ``no_use`` is 1 over the ratio at ``planned``.

    Examples
    --------
    >>> from ventbook.statistics import trials
    >>> found = trials.weigh_blocks([2, 1, 2], [4, 4, 4], [2, 2, 2], [0, 0, 0], planned=0.25)
    >>> [round(float(value), 2) for value in found.works]
    [2.41, 3.66, 10.06]
    """
    if not 0 < planned < 1:
        raise ValueError(f"planned must lie between 0 and 1; got {planned!r}")
    rules = load_trial_rules()
    counts = np.stack(np.broadcast_arrays(failing, ventings, treated, failing_treated)).astype(int)
    sizes = tuple(counts.max(axis=tuple(range(1, counts.ndim)), initial=0) + 1)
    kinds, which = np.unique(np.ravel_multi_index(tuple(counts), sizes), return_inverse=True)
    k, n, m, x = (part[:, np.newaxis] for part in np.unravel_index(kinds, sizes))

    def ratios(
        psi: npt.ArrayLike,
    ) -> Floats:  # there are few kinds of blocks, and simulations have many blocks
        each = log_ratio(psi, failing=k, ventings=n, treated=m, failing_treated=x)
        return each[which.reshape(counts.shape[1:])]

    psi = np.asarray(rules.psi)
    return Evidence(
        _mix(ratios(psi), rules.weights),
        _mix(ratios(1 / psi), rules.weights),
        _mix(-ratios([planned]), [1.0]),
    )


def weigh_pairs(differences: npt.ArrayLike, *, spread: float, planned: float) -> Evidence:
    """Evidence of a trial on a number, after each full pair.

    Parameters
    ----------
    differences : array_like, shape (..., pairs)
        Log of the number as before less log of the number with the change, in order.
    spread : float
        Standard deviation of the logarithm that the plan took; sets how the mixture is spread, not whether it holds.
    planned : float
        Ratio with the change over as before that the trial was planned for, under 1.

    Returns
    -------
    Evidence

    Examples
    --------
    >>> from ventbook.statistics import trials
    >>> found = trials.weigh_pairs([0.2] * 12, spread=0.14, planned=0.9)
    >>> found.last("works") > 20 > 1 > found.last("harm")
    True
    """
    if not 0 < planned < 1:
        raise ValueError(f"planned must lie between 0 and 1; got {planned!r}")
    if not spread > 0:
        raise ValueError(f"spread must be over 0; got {spread!r}")
    d = np.asarray(differences, float)
    rho = load_trial_rules().rho * 2 * spread**2
    return Evidence(_mix_normal(d, rho), _mix_normal(-d, rho), _mix_normal(-np.log(planned) - d, rho))


def _mix_normal(d: Floats, rho: float) -> Floats:
    """Evidence that symmetric differences lean to over 0: half-normal mixture of exp(l S - l^2 V / 2), l over 0."""
    s, v = np.cumsum(d, axis=-1), np.cumsum(d**2, axis=-1)
    log_e = (
        0.5 * np.log(4 * rho / (v + rho)) + s**2 / (2 * (v + rho)) + special.log_ndtr(s / np.sqrt(v + rho))
    )
    return np.asarray(np.exp(np.minimum(log_e, HIGHEST)))


def judge_evidence(first: Evidence, against: Evidence) -> str:
    """What a trial says so far.

    Parameters
    ----------
    first : Evidence
        Of the outcomes on record, each counted as drawn.
    against : Evidence
        The same blocks with missing outcomes counted against the change.

    Returns
    -------
    str
        harm, works, works_unless_missing (only without counting the missing ones against the change), no_use or
        go_on. Harm stands from the look at which it was reached; works and no_use stand as long as the evidence for
        them has not fallen back under 1.

    Examples
    --------
    >>> from ventbook.statistics import trials
    >>> four, none = [4] * 3, [0] * 3
    >>> found = trials.weigh_blocks([2, 2, 2], four, [2, 2, 2], none, planned=0.25)
    >>> trials.judge_evidence(found, found)
    'go_on'
    """
    rules = load_trial_rules()
    if np.any(first.harm >= rules.harm):
        return "harm"
    works = (first.works >= rules.works) & (first.last("works") >= 1)
    if np.any(works & (against.works >= rules.works)) and against.last("works") >= 1:
        return "works"
    if np.any(first.no_use >= rules.no_use) and first.last("no_use") >= 1:
        return "no_use"
    return "works_unless_missing" if np.any(works) else "go_on"
