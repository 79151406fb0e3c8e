"""The compiled loops of the monitor: evidence of running streams, and the sums of a regression on circumstances.

A pattern's row of the regression is told by the columns that are 1 in it; ``size``, one past the last, stands for none.
"""

from __future__ import annotations

import numpy as np
from numba import njit

SMALL, LARGE = 1e-150, 1e300


@njit(cache=True, error_model="numpy", fastmath={"reassoc", "nsz", "contract"})
def add_evidence(
    process, family, spans, parts, odds, failed, ratios, w1, w0,
    likelihood, own, out,
):  # fmt: skip  # pragma: no cover
    """Goes through rows in order and keeps ``own``, the evidence of each process; ``out`` is the family's evidence after each
    row, the mean of its ``parts`` processes, those not begun counting 1.

    ``spans`` (families, 2): from which process to before which a family's stand. ``likelihood`` (processes, grid) is e^LL up to a factor a process; ``odds`` e^eta of each row; ``ratios`` e^b.
    """
    for i in range(len(process)):
        s, of = process[i], odds[i]
        top = of if failed[i] else 0.0
        rest = 0.0 if failed[i] else 1.0
        a = b = 0.0
        for j in range(len(ratios)):
            value = likelihood[s, j] * (top * ratios[j] + rest) / (1.0 + of * ratios[j])
            likelihood[s, j] = value
            a += w1[s, j] * value
            b += w0[s, j] * value
        evidence = min(a / b, LARGE) if b > 0 else LARGE
        if a < SMALL or b < SMALL:
            scale = 1.0 / max(a, b)
            for j in range(len(ratios)):
                likelihood[s, j] *= scale
        own[s] = evidence
        first, end = spans[family[i], 0], spans[family[i], 1]
        total = float(parts - (end - first))
        for k in range(first, end):
            total += own[k]
        out[i] = total / parts


@njit(cache=True)
def sum_loss(columns, n, failed, beta):  # pragma: no cover
    """Negative log likelihood; ``beta`` has a nought at its end."""
    total = 0.0
    for i in range(len(n)):
        if n[i] > 0:
            eta = 0.0
            for column in columns[i]:
                eta += beta[column]
            total += n[i] * (np.log1p(np.exp(-abs(eta))) + max(eta, 0.0)) - failed[i] * eta
    return total


@njit(cache=True)
def sum_slopes(columns, n, failed, beta, slope, information):  # pragma: no cover
    """Adds the score and the information to ``slope`` and ``information``."""
    for i in range(len(n)):
        if n[i] > 0:
            eta = 0.0
            for column in columns[i]:
                eta += beta[column]
            share = 1.0 / (1.0 + np.exp(-eta))
            residual, weight = failed[i] - n[i] * share, n[i] * share * (1.0 - share)
            for one in columns[i]:
                slope[one] += residual
                for other in columns[i]:
                    information[one, other] += weight


@njit(cache=True)
def sum_scores(columns, pattern, residual, stream, counts, scores):  # pragma: no cover
    """Adds each row's x (y - p) to its stream's score and 1 to its count; a row of stream -1 is left out."""
    for i in range(len(stream)):
        s = stream[i]
        if s >= 0:
            counts[s] += 1.0
            for column in columns[pattern[i]]:
                scores[s, column] += residual[i]


@njit(cache=True)
def sum_terms(columns, pattern, stream, beta, shift, out):  # pragma: no cover
    """Linear predictor of each row: coefficients less the shift of its stream."""
    for i in range(len(stream)):
        eta = 0.0
        for column in columns[pattern[i]]:
            eta += beta[column] - shift[stream[i], column]
        out[i] = eta
