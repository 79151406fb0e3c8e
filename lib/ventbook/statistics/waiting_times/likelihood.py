"""Log-likelihood of log T = x'beta + sigma e for readings (low, high], its maximum, and errors that carry the clustering.

With delta = beta / sigma and omega = 1 / sigma the standardised ends are z = omega log t - x'delta, and the
log-likelihood is concave in (delta, omega) for a log-concave density of e [1]_, so Newton steps with halving
reach the one optimum from anywhere. e is standard normal (log-normal times), standard logistic (log-logistic)
or the smallest extreme value (Weibull). A reading contributes log omega + log f(z) - log t where exact, log S(z_low) where
right-censored, else log(F(z_high) - F(z_low)). Where its beginning is known to a step w only, it contributes the logarithm of
the mean of F(high - s) - F(low - s) over s in (0, w] [2]_, taken at NODES Gauss-Legendre nodes. That mean need not be
log-concave, so steps are damped where the second derivative has the wrong sign.

Errors come from the information matrix, or from the clusters. Up to 400 clusters every one is left out in turn (one Newton step
from the full fit), and the errors are the spread of those estimates, the form CR3 of the sandwich [3]_. Where few clusters carry
an effect that spread is too wide by an amount that is known under independent readings, its expectation over the model's own
variance; it is divided out, so that the error is unbiased there as for the form CR2. Degrees of freedom for Student's t are
Satterthwaite's, on the quadratic form under independent readings [4]_. More clusters get the plain sandwich with
clusters / (clusters - 1), and the normal quantile.

References
----------
.. [1] Burridge, J. (1981), J. R. Stat. Soc. B 43, 41-45.
.. [2] De Gruttola, V. and Lagakos, S. W. (1989), Biometrics 45, 1-11 (both ends known as intervals).
.. [3] Bell, R. M. and McCaffrey, D. F. (2002), Survey Methodology 28, 169-181.
.. [4] Pustejovsky, J. E. and Tipton, E. (2018), J. Bus. Econ. Stat. 36, 672-683.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import LinAlgError, cho_factor, cho_solve
from scipy.special import expit, log_ndtr, ndtri, stdtrit

from ventbook.numerics import Floats, Ints, keep_spread

#: From this many clusters on the plain sandwich and the normal quantile serve.
MANY_CLUSTERS = 400
DISTRIBUTIONS = ("log-normal", "Weibull", "log-logistic")
#: Rows worked on at a time, so that the work arrays stay in the processor's cache.
BLOCK = 16384
#: Nodes over the step of a beginning: enough for times that spread over a fifth of the step or more.
NODES = 8
_HALF_LOG_2PI = 0.9189385332046727


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


@dataclass(frozen=True)
class Shape:
    """The standard density of e: log f with its slope and curvature, the tails, and the quantile function."""

    name: str
    density: Callable[[Floats], tuple[Floats, Floats, Floats]]
    log_above: Callable[[Floats], Floats]
    log_below: Callable[[Floats], Floats]
    quantile: Callable[[float], float]


def _normal(z: Floats) -> tuple[Floats, Floats, Floats]:
    return -0.5 * z * z - _HALF_LOG_2PI, -z, np.full_like(z, -1.0)


def _extreme(z: Floats) -> tuple[Floats, Floats, Floats]:
    e = np.exp(np.minimum(z, 600.0))
    return z - e, 1.0 - e, -e


def _logistic(z: Floats) -> tuple[Floats, Floats, Floats]:
    below = expit(z)
    above = expit(-z)
    return -np.abs(z) - 2.0 * np.log1p(np.exp(-np.abs(z))), above - below, -2.0 * below * above


def _extreme_below(z: Floats) -> Floats:
    e = np.exp(np.minimum(z, 600.0))
    # log(1 - exp(-e)): for small e the series start log e - e / 2 keeps the digits
    return np.where(e < 1e-8, z - e / 2, np.log(-np.expm1(-np.maximum(e, 1e-300))))


def _normal_quantile(q: float) -> float:
    from scipy.special import ndtri

    return float(ndtri(q))


SHAPES = {
    "log-normal": Shape("log-normal", _normal, lambda z: log_ndtr(-z), log_ndtr, _normal_quantile),
    "Weibull": Shape(
        "Weibull",
        _extreme,
        lambda z: -np.exp(np.minimum(z, 600.0)),
        _extreme_below,
        lambda q: float(np.log(-np.log1p(-q))),
    ),
    "log-logistic": Shape(
        "log-logistic",
        _logistic,
        lambda z: -np.logaddexp(0.0, z),
        lambda z: -np.logaddexp(0.0, -z),
        lambda q: float(np.log(q / (1 - q))),
    ),
}


@dataclass(frozen=True)
class Patterns:
    """Distinct rows of (low, high, covariates) with their weights, in the order exact, right-censored, rest, stepped.

    ``design`` has the intercept as its first column; ``start``/``stop`` are log low and log high (-inf, inf
    where open); from ``stepped`` on the beginning is known to a step only, and ``node_start``/``node_stop`` (rows x NODES)
    are the same at the nodes; ``order`` maps a place here to the pattern number before ordering.
    """

    design: Floats
    start: Floats
    stop: Floats
    weight: Floats
    exact: int
    censored: int
    stepped: int
    order: Ints
    node_start: Floats
    node_stop: Floats


@dataclass(frozen=True)
class Terms:
    """Per row, unweighted: log-likelihood, and its derivatives along -x'delta and omega.

    The score of a row is (-x slope, slope_y), its second derivative [[x x' bend, -x bend_y], [., bend_yy]].
    """

    value: Floats
    slope: Floats
    slope_y: Floats
    bend: Floats
    bend_y: Floats
    bend_yy: Floats


def order_patterns(
    low: Floats, high: Floats, weight: Floats, design: Floats, step: Floats | None = None
) -> Patterns:
    """Sort distinct rows into exact, right-censored, the rest, and those whose beginning is known to a step only."""
    kind = np.where(low == high, 0, np.where(np.isinf(high), 1, 2))
    if step is not None:
        kind = np.where(step > 0, 3, kind)
    if kind.size and kind[0] == 0 and not kind.any():
        order = np.arange(low.size)
    else:
        order = np.argsort(kind, kind="stable")
        low, high, weight, design = low[order], high[order], weight[order], design[order]
    exact, censored, stepped = (int(n) for n in np.cumsum(np.bincount(kind, minlength=4))[:3])
    part = np.empty(0) if step is None else step[order][stepped:]
    place = (np.polynomial.legendre.leggauss(NODES)[0] + 1.0) / 2.0
    ends = [end[stepped:, None] - part[:, None] * place for end in (low, high)] if part.size else []
    with np.errstate(divide="ignore"):
        start = np.log(low)
        stop = start if censored == low.size else np.log(high)
        nodes = [np.log(np.maximum(end, 0.0)) for end in ends] or [np.empty((0, NODES))] * 2
    return Patterns(design, start, stop, weight, exact, censored, stepped, order, *nodes)


def evaluate_rows(shape: Shape, theta: Floats, rows: Patterns, begin: int, end: int) -> Terms:
    """Terms of the rows begin .. end - 1 at theta = (delta, omega)."""
    omega = theta[-1]
    line = rows.design[begin:end] @ theta[:-1]
    size = end - begin
    value, slope, slope_y = np.empty(size), np.empty(size), np.empty(size)
    bend, bend_y, bend_yy = np.empty(size), np.empty(size), np.empty(size)
    exact = slice(0, max(min(rows.exact, end) - begin, 0))
    censored = slice(exact.stop, max(min(rows.censored, end) - begin, exact.stop))
    rest = slice(censored.stop, max(min(rows.stepped, end) - begin, censored.stop))
    stepped = slice(rest.stop, size)
    if exact.stop > exact.start:
        y = rows.start[begin:end][exact]
        f, g, gg = shape.density(omega * y - line[exact])
        value[exact] = f + np.log(omega) - y
        slope[exact], slope_y[exact] = g, y * g + 1.0 / omega
        bend[exact], bend_y[exact] = gg, y * gg
        bend_yy[exact] = y * y * gg - 1.0 / omega**2
    if censored.stop > censored.start:
        y = rows.start[begin:end][censored]
        known = np.isfinite(y)  # given up at 0 says nothing
        z = np.where(known, omega * np.where(known, y, 0.0) - line[censored], -700.0)
        y = np.where(known, y, 0.0)
        f, g, _ = shape.density(z)
        above = shape.log_above(z)
        hazard = np.exp(f - above)
        value[censored] = above
        slope[censored], slope_y[censored] = -hazard, -y * hazard
        curve = -hazard * (g + hazard)
        bend[censored], bend_y[censored], bend_yy[censored] = curve, y * curve, y * y * curve
    if rest.stop > rest.start:
        pieces = _evaluate_intervals(
            shape, omega, line[rest], rows.start[begin:end][rest], rows.stop[begin:end][rest]
        )
        for target, piece in zip((value, slope, slope_y, bend, bend_y, bend_yy), pieces, strict=True):
            target[rest] = piece
    if stepped.stop > stepped.start:
        at = slice(begin + stepped.start - rows.stepped, begin + stepped.stop - rows.stepped)
        pieces = _evaluate_stepped(shape, omega, line[stepped], rows.node_start[at], rows.node_stop[at])
        for target, piece in zip((value, slope, slope_y, bend, bend_y, bend_yy), pieces, strict=True):
            target[stepped] = piece
    return Terms(value, slope, slope_y, bend, bend_y, bend_yy)


def _evaluate_intervals(
    shape: Shape, omega: float, line: Floats, start: Floats, stop: Floats
) -> tuple[Floats, ...]:
    open_left = np.isneginf(start)
    y_low = np.where(open_left, 0.0, start)
    z_low = np.where(open_left, -700.0, omega * y_low - line)
    open_right = np.isposinf(stop)
    stop = np.where(open_right, 0.0, stop)
    z_high = np.where(open_right, 700.0, omega * stop - line)
    # the difference is taken in the tail where it keeps its digits
    right = z_low > 0
    near, far = _tails(shape, right, z_low, z_high), _tails(shape, right, z_high, z_low)
    log_p = near + np.log(-np.expm1(np.minimum(far - near, -1e-300)))
    f_high, g_high, _ = shape.density(z_high)
    f_low, g_low, _ = shape.density(z_low)
    high = np.where(open_right, 0.0, np.exp(f_high - log_p))
    low = np.where(open_left, 0.0, np.exp(f_low - log_p))
    high_slope, low_slope = high * np.where(open_right, 0.0, g_high), low * np.where(open_left, 0.0, g_low)
    slope = high - low
    slope_y = stop * high - y_low * low
    bend = high_slope - low_slope - slope**2
    bend_y = stop * high_slope - y_low * low_slope - slope * slope_y
    bend_yy = stop**2 * high_slope - y_low**2 * low_slope - slope_y**2
    return log_p, slope, slope_y, bend, bend_y, bend_yy


def _tails(shape: Shape, right: npt.NDArray[np.bool_], above: Floats, below: Floats) -> Floats:
    """Log of what lies over ``above`` on the ``right``, under ``below`` elsewhere."""
    found = np.empty(right.shape)
    found[right] = shape.log_above(above[right])
    found[~right] = shape.log_below(below[~right])
    return found


def _evaluate_stepped(
    shape: Shape, omega: float, line: Floats, start: Floats, stop: Floats
) -> tuple[Floats, ...]:
    """A mean over the nodes of probabilities: its derivatives are means of the nodes' own, weighted by their share of it."""
    share = np.polynomial.legendre.leggauss(NODES)[1] / 2.0
    flat = _evaluate_intervals(shape, omega, np.repeat(line, NODES), start.ravel(), stop.ravel())
    log_p, slope, slope_y, bend, bend_y, bend_yy = (piece.reshape(start.shape) for piece in flat)
    largest = log_p.max(axis=1, keepdims=True)
    part = share * np.exp(log_p - largest)
    whole = part.sum(axis=1)
    part /= whole[:, None]
    mean, mean_y = (part * slope).sum(axis=1), (part * slope_y).sum(axis=1)
    return (
        largest[:, 0] + np.log(whole),
        mean,
        mean_y,
        (part * (bend + slope**2)).sum(axis=1) - mean**2,
        (part * (bend_y + slope * slope_y)).sum(axis=1) - mean * mean_y,
        (part * (bend_yy + slope_y**2)).sum(axis=1) - mean_y**2,
    )


def sum_terms(terms: Terms, design: Floats, weight: Floats) -> tuple[float, Floats, Floats]:
    """Weighted log-likelihood, score and second derivative of some rows."""
    value = float(weight @ terms.value)
    score = np.append(-(design.T @ (weight * terms.slope)), weight @ terms.slope_y)
    size = score.size
    second = np.empty((size, size))
    second[:-1, :-1] = design.T @ (design * (weight * terms.bend)[:, None])
    second[:-1, -1] = second[-1, :-1] = -(design.T @ (weight * terms.bend_y))
    second[-1, -1] = weight @ terms.bend_yy
    return value, score, second


def evaluate(shape: Shape, theta: Floats, rows: Patterns) -> tuple[float, Floats, Floats]:
    """Log-likelihood, score and second derivative of all rows, a block at a time."""
    size = theta.size
    value, score, second = 0.0, np.zeros(size), np.zeros((size, size))
    for begin in range(0, rows.weight.size, BLOCK):
        end = min(begin + BLOCK, rows.weight.size)
        terms = evaluate_rows(shape, theta, rows, begin, end)
        v, s, h = sum_terms(terms, rows.design[begin:end], rows.weight[begin:end])
        value, score, second = value + v, score + s, second + h
    return value, score, second


def start_at(rows: Patterns) -> Floats:
    """A rough start: log of the middle of each reading, intercept its mean, 1 / omega its spread."""
    start, stop = rows.start, rows.stop
    if rows.node_start.size:
        start = np.append(start[: rows.stepped], rows.node_start[:, NODES // 2])
        stop = np.append(stop[: rows.stepped], rows.node_stop[:, NODES // 2])
    finite_low = np.where(np.isfinite(start), start, stop - np.log(2.0))
    finite_high = np.where(np.isfinite(stop), stop, finite_low)
    middle = (finite_low + finite_high) / 2
    middle = np.where(np.isfinite(middle), middle, 0.0)
    mean = float(np.average(middle, weights=rows.weight))
    spread = float(np.sqrt(np.average((middle - mean) ** 2, weights=rows.weight)))
    omega = 1.0 / max(spread, 0.05)
    theta = np.zeros(rows.design.shape[1] + 1)
    theta[0], theta[-1] = mean * omega, omega
    return theta


def _solve_damped(information: Floats, score: Floats) -> Floats | None:
    """Newton's step; with more on the diagonal where the information is no peak's. None where nothing helps."""
    for extra in (1e-14, 1e-2, 1e-1, 1.0, 10.0):
        try:
            return cho_solve(cho_factor(information + extra * np.eye(score.size)), score)
        except (LinAlgError, ValueError):
            continue
    return None


@dataclass(frozen=True)
class Optimum:
    """Where Newton's method ended: theta = (delta, omega), log-likelihood, information, and how it went."""

    theta: Floats
    value: float
    score: Floats
    information: Floats
    steps: int
    converged: bool


def maximise(
    shape: Shape, rows: Patterns, theta: Floats, *, most_steps: int = 60, tolerance: float = 1e-11
) -> Optimum:
    """Newton's method with step halving; stops when a step can gain no more than ``tolerance`` x (1 + |l|)."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        value, score, second = evaluate(shape, theta, rows)
        steps = 0
        converged = False
        while steps < most_steps and np.isfinite(value):
            information = -second
            scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
            step = _solve_damped(information / np.outer(scale, scale), score / scale)
            if step is None:
                break
            step = step / scale
            gain = float(step @ score)
            if gain < tolerance * (1.0 + abs(value)):
                converged = gain > -tolerance * (1.0 + abs(value))
                break
            part = 1.0
            if theta[-1] + step[-1] < 0.1 * theta[-1]:
                part = -0.9 * theta[-1] / step[-1]
            better = None
            while part > 1e-10:
                trial = theta + part * step
                result = evaluate(shape, trial, rows)
                if np.isfinite(result[0]) and result[0] >= value - 1e-12 * abs(value):
                    better = (trial, result)
                    break
                part /= 2
            if better is None:
                break
            theta, (value, score, second) = better
            steps += 1
            if theta[-1] > 1e5:
                break
    return Optimum(theta, value, score, -second, steps, bool(converged))


def _jacobian(theta: Floats) -> Floats:
    """d(delta, omega) / d(beta, log sigma)."""
    size = theta.size
    omega = theta[-1]
    j = np.zeros((size, size))
    j[:-1, :-1] = omega * np.eye(size - 1)
    j[:-1, -1] = -theta[:-1]
    j[-1, -1] = -omega
    return j


def find_errors(
    name: str,
    optimum: Optimum,
    rows: Patterns,
    row_pattern: Ints | None,
    row_weight: Floats,
    codes: Ints | None,
    clusters: int,
) -> Errors:
    size = optimum.theta.size
    jacobian = _jacobian(optimum.theta)
    information = jacobian.T @ optimum.information @ jacobian
    bread = invert(information)
    nothing = np.empty((0, size, size))
    if codes is None:
        return Errors(bread, bread, nothing, nothing, 0, "")
    terms = evaluate_rows(SHAPES[name], optimum.theta, rows, 0, rows.weight.size)
    score = np.column_stack([-rows.design * terms.slope[:, None], terms.slope_y]) @ jacobian
    place = np.empty(rows.order.size, dtype=np.int64)
    place[rows.order] = np.arange(rows.order.size)
    at = place if row_pattern is None else place[row_pattern]
    sums = np.empty((clusters, size))
    for k in range(size):
        sums[:, k] = np.bincount(codes, weights=score[at, k] * row_weight, minlength=clusters)
    if clusters >= MANY_CLUSTERS:
        covariance = clusters / (clusters - 1) * bread @ (sums.T @ sums) @ bread
        return Errors(covariance, bread, nothing, nothing, clusters, "sandwich")
    meat = np.empty((clusters, size, size))
    for c, members in enumerate(number_rows_by_cluster(codes, clusters)):
        i = at[members]
        wide, weight = rows.design[i], row_weight[members]
        second = np.empty((size, size))
        second[:-1, :-1] = wide.T @ (wide * (weight * terms.bend[i])[:, None])
        second[:-1, -1] = second[-1, :-1] = -(wide.T @ (weight * terms.bend_y[i]))
        second[-1, -1] = weight @ terms.bend_yy[i]
        meat[c] = -jacobian.T @ second @ jacobian
    steps, inverses = leave_out_clusters(sums, information, meat)
    covariance = (clusters - 1) / clusters * steps.T @ steps
    return Errors(covariance, bread, meat, inverses, clusters, "CR3, t with adjusted degrees of freedom")


def uncentre(errors: Errors, means: Floats) -> Errors:
    """Errors of the intercept at x = 0 instead of at the means: a linear change of parameters."""
    size = means.size + 2
    change = np.eye(size)
    change[0, 1:-1] = -means
    back = np.linalg.inv(change)
    return Errors(
        change @ errors.covariance @ change.T,
        change @ errors.bread @ change.T,
        back.T @ errors.meat @ back,
        change @ errors.step @ change.T,
        errors.clusters,
        errors.kind,
    )
