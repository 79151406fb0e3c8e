"""Errors of a fit: from the information matrix, or from the clusters."""

from __future__ import annotations

import numpy as np

from ventbook.waiting_times.likelihood import SHAPES, Optimum, Patterns, evaluate_rows
from ventbook.waiting_times.patterns import Floats, Ints
from ventbook.waiting_times.sandwich import (
    MANY_CLUSTERS,
    Errors,
    invert,
    leave_out_clusters,
    number_rows_by_cluster,
)


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
