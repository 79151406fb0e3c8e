"""Competing causes of findings: the evidence of each finding, the likelihood, and its maximum.

A venting i with m_i judged lifters has findings of two kinds, air and leak-down, that come at the intensities

    L_iA = m_i h_i (b_site + w_i + sum_k lambda_k x_ik),   L_iD = m_i (b + w_i + sum_k lambda_k x_ik),   all lambda >= 0,

w a wave over the year that is nobody's (:mod:`season`; nothing where the records are too short for one), so that it has none of a kind with probability exp(-L), and causes add up: the share of a failure that is
cause k's is lambda_k x_ik over the bracket (competing risks). Which kind a finding is, is known only by
likelihood: a_f and d_f of its readings under air and under leak-down. Whether it rests on the gauge is known
by the bias in force: g_f, the probability that the gap was within the limit. With r = 1 - prod g_f the part
of the failure that is real, and a and d drawn towards one another as far as the gauge explains a finding, a
failing venting's likelihood is over the three patterns

    air only (1 - e^-L_A) e^-L_D prod a_f,   leak only e^-L_A (1 - e^-L_D) prod d_f,
    both     (1 - e^-L_A) (1 - e^-L_D) prod (a_f + d_f) / 2,

weighted by r; a sound venting's is e^-(L_A + L_D). It is maximised by expectation (which pattern) and
maximisation (each kind by itself, concave, by projected Newton). Half a failing and half a sound venting are
spread over the bases of each kind beforehand (sum a_j (log b_j - m b_j)), without which a site or kind
without failures has a base of nothing and its first failure must have a cause.

References: competing risks, Prentice et al. 1978, Biometrics 34:541; expectation-maximisation, Dempster,
Laird & Rubin 1977, JRSS B 39:1; projected Newton, Bertsekas 1982, SIAM J. Control Optim. 20:221.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ventbook.numerics import Floats, Ints
from ventbook.statistics.causes.account_terms import AIR, KINDS, LEAK

PSEUDO_FAILURES = 0.5  # of each kind, spread over its bases
LEAST_TOLD = 3.0  # findings whose kind is told, under which all of them are taken as air
TOLD = 0.8  # likelihood share from which on a finding counts as told
SMALLEST_BASE = 1e-10
TURNS, NEWTON_TURNS = 60, 60
TOLERANCE = 1e-7


@dataclass(frozen=True)
class Findings:
    """The findings, sorted by venting: ``row`` the venting of each (rising), ``air`` and ``leak`` its
    likelihoods (they add up to 1), ``gauge`` the probability that it rests on a gauge's bias.
    """

    row: Ints
    air: Floats
    leak: Floats
    gauge: Floats

    @property
    def told(self) -> bool:
        """Whether the readings tell the two kinds apart on enough findings."""
        return float((np.maximum(self.air, self.leak) >= TOLD).sum()) >= LEAST_TOLD


@dataclass(frozen=True)
class Failures:
    """The failing ventings: ``row`` among all ventings, ``real`` r, and log likelihoods of the patterns (n,
    3).
    """

    row: Ints
    first: Ints
    real: Floats
    patterns: Floats


@dataclass(frozen=True)
class Design:
    """Columns of one kind: ``x`` (n, k), first ``bases`` of them, then ``waves`` of the time of year, then the terms; ``scale``
    (n,) lifters times h.
    """

    x: Floats
    bases: int
    scale: Floats
    waves: int = 0

    @property
    def ground(self) -> int:
        """Columns that no cause owns: bases and waves."""
        return self.bases + self.waves


@dataclass(frozen=True)
class KindFit:
    """Bases and rates of one kind (k,), rates per judged lifter, and each venting's intensity (n,)."""

    theta: Floats
    intensity: Floats


@dataclass(frozen=True)
class Fit:
    """The fitted account: by kind, the patterns' probabilities of each failing venting (m, 3) given that it
    is real, and the log-likelihood.
    """

    kinds: dict[str, KindFit]
    patterns: Floats
    loglik: float

    def present(self, kind: str, failures: Failures) -> Floats:
        """q: the probability that a failing venting has a real finding of the kind."""
        own = self.patterns[:, 0 if kind == AIR else 1] + self.patterns[:, 2]
        return failures.real * own


def gather_failures(findings: Findings) -> Failures:
    """Failing ventings from their findings."""
    rows, first = np.unique(findings.row, return_index=True)
    air, leak = ((1 - findings.gauge) * part + findings.gauge * 0.5 for part in (findings.air, findings.leak))

    def product(values: Floats) -> Floats:
        return np.add.reduceat(np.log(np.maximum(values, 1e-12)), first) if len(first) else np.zeros(0)

    patterns = np.column_stack([product(air), product(leak), product((air + leak) / 2)])
    real = 1.0 - (np.multiply.reduceat(findings.gauge, first) if len(first) else np.zeros(0))
    return Failures(rows.astype(np.int64), first.astype(np.int64), real, patterns)


def log_one_less(x: Floats) -> Floats:
    """log(1 - exp(-x)) for x > 0, without loss at either end."""
    x = np.maximum(x, 1e-300)
    return np.where(x > 0.693, np.log1p(-np.exp(-np.maximum(x, 0.1))), np.log(-np.expm1(-x)))


def maximise_kind(
    x: Floats, present: Floats, exposure: Floats, pseudo: Floats, start: Floats, *, bases: int
) -> Floats:
    """The theta >= 0 that maximises sum q log(1 - e^-L) + sum q L - exposure theta + sum pseudo log theta.

    ``x`` (m, k) are the scaled columns of the ventings with ``present`` q > 0, L = x theta; ``exposure`` (k,)
    the scaled columns' sums over all ventings, sound ones included: those are linear in theta and need no
    rows of their own. (q log(1 - e^-L) - (1 - q) L, summed, is this with the q L of failing rows added back.)
    """
    theta = np.maximum(start, 0.0)
    theta[:bases] = np.maximum(theta[:bases], 1e-6)
    if not exposure.any():  # no venting at all
        return theta
    linear = exposure - x.T @ present

    def value(at: Floats) -> float:
        with np.errstate(divide="ignore"):
            prior = float(np.sum(pseudo[:bases] * np.log(at[:bases])))
        return float(present @ log_one_less(x @ at) - linear @ at) + prior

    now = value(theta)
    for _ in range(NEWTON_TURNS):
        level = np.maximum(x @ theta, 1e-12)
        small = np.exp(-level)
        rest = -np.expm1(-level)
        gradient = x.T @ (present * small / rest) - linear
        curve = present * small / rest**2
        information = x.T @ (x * curve[:, None])
        gradient[:bases] += pseudo[:bases] / theta[:bases]
        diagonal = np.arange(bases)
        information[diagonal, diagonal] += pseudo[:bases] / theta[:bases] ** 2
        free = (theta > 0) | (gradient > 0)
        if not free.any() or np.abs(gradient[free] * np.maximum(theta[free], 1e-6)).max() < 1e-9:
            break
        held = information[np.ix_(free, free)]
        held[np.diag_indices_from(held)] *= 1 + 1e-10
        step = np.zeros_like(theta)
        step[free] = _solve(held, gradient[free])
        size = 1.0
        for _ in range(40):
            trial = np.maximum(theta + size * step, 0.0)
            trial[:bases] = np.maximum(trial[:bases], 0.1 * theta[:bases])
            reached = value(trial)
            if reached >= now - 1e-12 * abs(now):
                break
            size /= 2
        else:
            break
        moved = np.abs(trial - theta).max() / max(np.abs(theta).max(), 1e-12)
        gained = reached - now
        theta, now = trial, reached
        if moved < 1e-9 or (gained < 1e-10 and moved < 1e-6):
            break
    theta[:bases] = np.maximum(theta[:bases], SMALLEST_BASE)
    return theta


def _solve(matrix: Floats, right: Floats) -> Floats:
    try:
        return np.asarray(np.linalg.solve(matrix, right), dtype=np.float64)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.lstsq(matrix, right, rcond=None)[0], dtype=np.float64)


def spread_pseudo(design: Design) -> tuple[Floats, Floats]:
    """Half a failing and half a sound venting of the usual size, spread over the bases by the lifters that
    each has: the failures (k,) and the exposure (k,) that they add.
    """
    shares = design.scale @ design.x[:, : design.bases]
    out = np.zeros(design.x.shape[1])
    out[: design.bases] = PSEUDO_FAILURES * shares / max(float(shares.sum()), 1e-300)
    return out, out * float(design.scale.mean() if len(design.scale) else 1.0)


def fit_account(
    designs: dict[str, Design],
    failures: Failures,
    *,
    told: bool,
    start: dict[str, Floats] | None = None,
    tolerance: float = TOLERANCE,
) -> Fit:
    """The maximum over both kinds. ``told`` False: the readings tell no kinds apart, and every finding is
    taken as air. Turns end where one gains less than ``tolerance`` of log-likelihood.
    """
    beforehand = {kind: spread_pseudo(d) for kind, d in designs.items()}
    pseudo = {kind: failed for kind, (failed, _) in beforehand.items()}
    exposure = {kind: d.scale @ d.x + beforehand[kind][1] for kind, d in designs.items()}
    own = {kind: d.x[failures.row] * d.scale[failures.row, None] for kind, d in designs.items()}
    theta = start or _start(designs, failures, told=told)
    theta = {kind: values.copy() for kind, values in theta.items()}
    before = -np.inf
    for _ in range(TURNS):
        patterns, log = weigh_failures(own, theta, failures, told=told)
        loglik = _loglik(theta, exposure, own, pseudo, failures, log)
        if loglik - before < tolerance:
            break
        before = loglik
        for kind in KINDS:
            present = failures.real * (patterns[:, 0 if kind == AIR else 1] + patterns[:, 2])
            theta[kind] = maximise_kind(
                own[kind], present, exposure[kind], pseudo[kind], theta[kind], bases=designs[kind].bases
            )
    kinds = {k: KindFit(theta[k], d.scale * (d.x @ theta[k])) for k, d in designs.items()}
    return Fit(kinds, patterns, loglik)


def weigh_failures(
    own: dict[str, Floats], theta: dict[str, Floats], failures: Failures, *, told: bool
) -> tuple[Floats, Floats]:
    """Probabilities of the patterns air only, leak only and both (m, 3), and the log of their sum (m,).

    ``own``: the failing ventings' scaled columns. All air where kinds aren't told.
    """
    a, d = (np.maximum(own[kind] @ theta[kind], 1e-300) for kind in KINDS)
    log_a, log_d = log_one_less(a), log_one_less(d)
    if not told:
        out = np.zeros((len(a), 3))
        out[:, 0] = 1.0
        return out, failures.patterns[:, 0] + log_a - d
    log = failures.patterns + np.column_stack([log_a - d, log_d - a, log_a + log_d])
    top = log.max(axis=1, keepdims=True) if len(log) else np.zeros((0, 1))
    weight = np.exp(log - top)
    total = weight.sum(axis=1)
    return weight / total[:, None], top[:, 0] + np.log(total)


def _loglik(
    theta: dict[str, Floats],
    exposure: dict[str, Floats],
    own: dict[str, Floats],
    pseudo: dict[str, Floats],
    failures: Failures,
    log: Floats,
) -> float:
    """Real failures' patterns and the sound part of all ventings, with the bases' half failure."""
    total = float(failures.real @ log)
    for kind in KINDS:
        # every venting counts as sound but for the real part of the failing ones
        total -= float(exposure[kind] @ theta[kind]) - float(failures.real @ (own[kind] @ theta[kind]))
        based = pseudo[kind] > 0
        total += float(pseudo[kind][based] @ np.log(theta[kind][based]))
    return total


def _start(designs: dict[str, Design], failures: Failures, *, told: bool) -> dict[str, Floats]:
    """Bases alone: failures of each kind over exposure, the kinds' share from the findings that tell."""
    share = 0.5
    if told:
        for _ in range(20):  # a mixture of two kinds without ventings: its share of air
            a, d = np.log(share) + failures.patterns[:, 0], np.log(1 - share) + failures.patterns[:, 1]
            share = float(
                (failures.real @ (1 / (1 + np.exp(np.clip(d - a, -50, 50)))) + 0.5)
                / (failures.real.sum() + 1)
            )
    out = {}
    for kind, part in ((AIR, share if told else 1.0), (LEAK, 1 - share if told else 0.0)):
        design = designs[kind]
        exposed = float((design.scale @ design.x[:, : design.bases]).sum())
        theta = np.zeros(design.x.shape[1])
        theta[: design.bases] = (part * failures.real.sum() + PSEUDO_FAILURES) / max(exposed, 1e-300)
        out[kind] = theta
    return out


def stack_columns(base: Floats, terms: Sequence[Floats]) -> npt.NDArray[np.float64]:
    """Bases and terms side by side, (n, k)."""
    return np.column_stack([base, *terms]) if len(terms) else base
