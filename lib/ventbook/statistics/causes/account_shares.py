"""What each named cause has of every finding and failing venting, what would have been avoided, and how sure
that is.

Share of a finding: the gauge's probability, then each kind's probability times lambda x / (base + sum lambda
x). Shares of a finding add up to 1. Avoidable: the failing ventings that would have passed had the cause been
absent and all else the same; a venting is counted by the probability that all of its findings go,
(e^-L_without - e^-L) / (1 - e^-L) for a kind of finding that is present. Two causes may each be needed for
one failure or both be able to do it alone, so avoidable counts don't add up.

Ranges come from draws: exponential weights of engines (a smooth bootstrap by cluster), the kind of each
finding and the gauge's shift drawn, the bases' half failure drawn, each cause standing for itself or for one
of the terms that these records can hardly tell from it, and the count itself drawn. Reference: Rubin 1981,
Annals of Statistics 9:130.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any

import numpy as np
from scipy.special import ndtr

from ventbook.cluster import map_partitions
from ventbook.numerics import Floats, Ints
from ventbook.physics.gauge import GapDistribution, tell_within
from ventbook.statistics.causes.account_fit import (
    Design,
    Failures,
    Findings,
    Fit,
    maximise_kind,
    spread_pseudo,
)
from ventbook.statistics.causes.account_naming import Columns, Named, Problem
from ventbook.statistics.causes.account_terms import AIR, KINDS, LEAK

DRAWS = 160
MANY_VENTINGS, FEWER_DRAWS = 100_000, 64  # so many draws over so many ventings
A_PART = 4  # draws that one worker makes in one go
NODES = 21  # of Gauss and Hermite, for the mean over a bias
LIKE_OTHERS = 1.0  # failures by which a site's base is drawn to the others' in the draws


@dataclass(frozen=True)
class GaugeReadings:
    """Findings read with a gauge whose bias is in force: limit, reading, bias, its uncertainty, a reading's [mm], (f,);
    ``gauge`` the number of the bias's row, -1 where none is in force; ``spread`` the fleet's true gaps, None where unknown.
    """

    gauge: Ints
    limit: Floats
    reading: Floats
    bias: Floats
    u_bias: Floats
    u_reading: Floats
    names: tuple[str, ...]
    spread: GapDistribution | None

    def tell_resting(self, shift: Floats) -> Floats:
        """Probability that each finding's true gap is within its limit, were its gauge's bias ``shift`` of its standard
        uncertainties more; 0 where no bias is in force.
        """
        own = self.gauge >= 0
        reading = (self.reading - self.bias - shift * self.u_bias)[own]
        limit, u = self.limit[own], self.u_reading[own]
        out = np.zeros(len(own))
        if self.spread is None:
            out[own] = ndtr((limit - reading) / u)
        else:
            out[own] = tell_within(self.spread, reading, u=u, limit=limit)
        return out

    def expect_resting(self) -> Floats:
        """The mean of :meth:`tell_resting` over the bias, which findings don't tell better than its estimate does."""
        nodes, weight = np.polynomial.hermite_e.hermegauss(NODES)
        every = np.array([self.tell_resting(np.full(len(self.gauge), node)) for node in nodes])
        return np.asarray(weight @ every / weight.sum())


@dataclass(frozen=True)
class Parts:
    """Shares of intensity at the failing ventings: by kind (m, causes), and each kind's intensity without h
    (m,).
    """

    share: dict[str, Floats]
    level: dict[str, Floats]


@dataclass(frozen=True)
class Draw:
    """One draw's model: by kind the terms' numbers and theta; and its counts, one a cause (gauges behind the
    terms).

    ``cells`` (cells, causes): failing ventings by the cells of :func:`list_cells`.
    """

    terms: dict[str, tuple[int, ...]]
    theta: dict[str, Floats]
    findings: Floats
    ventings: Floats
    avoidable: Floats
    rate: Floats
    cells: Floats


def list_cells(problem: Problem) -> tuple[Ints, Ints]:
    """Site and quarter numbers of the cells with a failing venting, (cells, 2), and each failing venting's
    cell (m,).
    """
    row = problem.failures.row
    pairs = np.stack([problem.rows.site_code[row], problem.rows.quarter[row]], axis=1)
    cells, place = np.unique(pairs, axis=0, return_inverse=True)
    return cells, place.ravel()


def list_causes(columns: Columns, chosen: Sequence[int]) -> list[str]:
    """Named causes in order of entry; a cause that acts on both kinds stands once."""
    return list(dict.fromkeys(columns.terms[i].cause for i in chosen))


def split_intensity(
    designs: Mapping[str, Design],
    theta: Mapping[str, Floats],
    owner: Mapping[str, Sequence[int]],
    failures: Failures,
    h: Floats,
    count: int,
) -> Parts:
    """Shares of the ``count`` causes in the failing ventings' intensities; ``owner`` says whose each term's
    column is (-1: nobody's).
    """
    share, level = {}, {}
    for kind in KINDS:
        design = designs[kind]
        x = design.x[failures.row]
        rate = x @ theta[kind]
        own = np.zeros((len(rate), count))
        for place, cause in enumerate(owner[kind]):
            if cause >= 0:
                own[:, cause] += x[:, design.ground + place] * theta[kind][design.ground + place]
        share[kind] = own / np.maximum(rate, 1e-300)[:, None]
        scale = design.scale[failures.row] / (h[failures.row] if kind == AIR else 1.0)
        level[kind] = rate * scale
    return Parts(share, level)


def share_findings(
    findings: Findings, failures: Failures, patterns: Floats, parts: Parts
) -> dict[str, Floats]:
    """Weights of each finding: "gauge" (f,), and by kind (f, causes + 1), unexplained last. They add up to 1
    a finding.
    """
    at = np.repeat(np.arange(len(failures.row)), np.diff(np.r_[failures.first, len(findings.row)]))
    only_air, only_leak, both = patterns[at].T
    own = findings.air / (findings.air + findings.leak)
    real = 1.0 - findings.gauge
    weight = {AIR: real * (only_air + both * own), LEAK: real * (only_leak + both * (1.0 - own))}
    out = {"gauge": findings.gauge}
    for kind in KINDS:
        named = parts.share[kind][at]
        rest = 1.0 - named.sum(axis=1, keepdims=True)
        out[kind] = weight[kind][:, None] * np.hstack([named, np.maximum(rest, 0.0)])
    return out


def tell_avoidable(findings: Findings, failures: Failures, patterns: Floats, parts: Parts) -> Floats:
    """Probability that each failing venting would have passed without each cause, (m, causes)."""
    gone = {}
    for kind in KINDS:
        level = np.maximum(parts.level[kind], 1e-12)[:, None]
        without = level * (1.0 - parts.share[kind])
        gone[kind] = (np.exp(-without) - np.exp(-level)) / -np.expm1(-level)
    # none of the findings may rest on the gauge
    true = np.multiply.reduceat(1.0 - findings.gauge, failures.first) if len(failures.row) else np.zeros(0)
    by_pattern = (
        patterns[:, :1] * gone[AIR] + patterns[:, 1:2] * gone[LEAK] + patterns[:, 2:] * gone[AIR] * gone[LEAK]
    )
    return np.asarray(true[:, None] * by_pattern)


def tell_gauge_avoidable(findings: Findings, failures: Failures, readings: GaugeReadings) -> Floats:
    """Probability that each failing venting failed by each gauge alone, (m, gauges)."""
    out = np.zeros((len(failures.row), len(readings.names)))
    for number in range(len(readings.names)):
        own = np.where(readings.gauge == number, findings.gauge, 0.0)
        out[:, number] = np.multiply.reduceat(own, failures.first) if len(failures.row) else 0.0
    return out


def draw_accounts(
    problem: Problem, named: Named, readings: GaugeReadings, *, draws: int, rng: np.random.Generator
) -> list[Draw]:
    """The account drawn anew ``draws`` times; see the head of this module."""
    forms = {i: _forms(i, named) for i in named.chosen}
    causes = list_causes(named.columns, named.chosen)
    used = {*named.beside, *(j for options, _ in forms.values() for j in options)}
    shared = {
        "problem": replace(problem, rows=replace(problem.rows, coded={})),  # less to send
        "columns": named.columns.keep(used), "fit": named.fit, "readings": readings,
        "cell": list_cells(problem)[1], "count": len(causes),
    }  # fmt: skip
    numbers = (_draw_numbers(problem, named, readings, forms, causes, rng) for _ in range(draws))
    parts = iter(lambda: list(islice(numbers, A_PART)), [])
    return [one for part in map_partitions(_draw_part, parts, shared=shared) for one in part]


@dataclass(frozen=True)
class Drawn:
    """One draw's random numbers, all from one generator in the order of the draws, so that the account is the same whoever
    works it out: terms and owners by kind, weights of engines, gauges' shifts, and uniform or exponential numbers.
    """

    terms: dict[str, list[int]]
    owner: dict[str, list[int]]
    weight: Floats
    shift: Floats
    rests: Floats
    pattern: Floats
    pseudo: dict[str, Floats | None]
    counted: Floats


def _draw_numbers(
    problem: Problem,
    named: Named,
    readings: GaugeReadings,
    forms: Mapping[int, tuple[list[int], Floats]],
    causes: Sequence[str],
    rng: np.random.Generator,
) -> Drawn:
    columns = named.columns
    terms: dict[str, list[int]] = {kind: [] for kind in KINDS}
    owner: dict[str, list[int]] = {kind: [] for kind in KINDS}
    for i in named.chosen:
        options, chances = forms[i]
        j = options[int(rng.choice(len(options), p=chances))]
        kind = columns.terms[j].kind
        if j not in terms[kind]:
            terms[kind].append(j)
            owner[kind].append(causes.index(columns.terms[i].cause))
    for j in named.beside:
        kind = columns.terms[j].kind
        if j not in terms[kind]:
            terms[kind].append(j)
            owner[kind].append(-1)
    engines = int(problem.rows.engine.max()) + 1
    weight = rng.exponential(size=engines)
    weight *= engines / weight.sum()
    failing, gauges = len(problem.failures.row), len(readings.names)
    bases = {AIR: problem.site.shape[1], LEAK: 1}
    return Drawn(
        terms,
        owner,
        weight,
        shift=rng.normal(size=max(gauges, 1)),
        rests=rng.random(len(problem.findings.row)) if gauges else np.zeros(0),
        pattern=rng.random(failing),
        pseudo={kind: rng.exponential(size=(2, bases[kind])) if bases[kind] > 1 else None for kind in KINDS},
        counted=rng.random((failing, len(causes) + gauges)),
    )


def _draw_part(part: Sequence[Drawn], **shared: Any) -> list[Draw]:
    return [_draw_one(one, **shared) for one in part]


def _forms(i: int, named: Named) -> tuple[list[int], Floats]:
    """A chosen term and its rivals, with the probability of each: likelihood times weight."""
    terms = named.columns.terms
    options = [i, *(j for j, _ in named.rivals[i])]
    log = np.array([0.0, *(short for _, short in named.rivals[i])]) + [terms[j].log_weight for j in options]
    chance = np.exp(log - log.max())
    return options, chance / chance.sum()


def _draw_one(
    drawn: Drawn,
    *,
    problem: Problem,
    columns: Columns,
    fit: Fit,
    readings: GaugeReadings,
    cell: Ints,
    count: int,
) -> Draw:
    failures, findings = problem.failures, problem.findings
    terms, owner, weight = drawn.terms, drawn.owner, drawn.weight[problem.rows.engine]
    shift = drawn.shift[readings.gauge]
    gauge = findings.gauge
    if len(readings.names):
        share = readings.tell_resting(shift)
        gauge = (drawn.rests < share).astype(np.float64)
    again = Findings(findings.row, findings.air, findings.leak, gauge)
    real = 1.0 - np.multiply.reduceat(gauge, failures.first)
    pattern = (drawn.pattern[:, None] > np.cumsum(fit.patterns, axis=1)[:, :2]).sum(axis=1)
    patterns = np.eye(3)[pattern]
    designs = problem.designs(columns, [*terms[AIR], *terms[LEAK]])
    theta = {}
    for place, kind in enumerate(KINDS):
        design = designs[kind]
        scaled = design.x * design.scale[:, None]
        present = real * (patterns[:, place] + patterns[:, 2]) * weight[failures.row]
        on = present > 0
        failed, sound = _draw_pseudo(fit.kinds[kind].theta, design, drawn.pseudo[kind])
        # a failing venting that is weighted w counts w times, sound ones too
        theta[kind] = maximise_kind(
            scaled[failures.row[on]],
            present[on],
            weight @ scaled + sound,
            failed,
            _start_draw(fit.kinds[kind].theta, design, terms[kind]),
            bases=design.bases,
        )
    failed_again = Failures(failures.row, failures.first, real, failures.patterns)
    parts = split_intensity(designs, theta, owner, failed_again, problem.h, count)
    shares = share_findings(again, failed_again, patterns, parts)
    gauges = np.zeros((len(findings.row), len(readings.names)))
    if len(readings.names):
        own = readings.gauge >= 0
        gauges[own, readings.gauge[own]] = gauge[own]
    by_finding = np.hstack([shares[AIR][:, :-1] + shares[LEAK][:, :-1], gauges])
    sizes = np.diff(np.r_[failures.first, len(findings.row)])
    by_venting = np.add.reduceat(by_finding, failures.first, axis=0) / sizes[:, None]
    passed = np.hstack(
        [
            tell_avoidable(again, failed_again, patterns, parts),
            tell_gauge_avoidable(again, failed_again, readings),
        ]
    )
    counted = (drawn.counted < passed).sum(axis=0).astype(np.float64)
    cells = np.zeros((int(cell.max()) + 1, by_venting.shape[1]))
    np.add.at(cells, cell, by_venting)
    rate = np.full(count, np.nan)
    for kind in KINDS:
        for at, cause in enumerate(owner[kind]):
            if cause >= 0:
                rate[cause] = np.nan_to_num(rate[cause]) + theta[kind][designs[kind].ground + at]
    return Draw(
        {k: tuple(v) for k, v in terms.items()},
        theta,
        by_finding.sum(axis=0),
        by_venting.sum(axis=0),
        counted,
        rate,
        cells,
    )


def _draw_pseudo(theta: Floats, design: Design, drawn: Floats | None) -> tuple[Floats, Floats]:
    """Failures and exposure that each base is given beforehand in a draw: one failure's worth of what is
    usual for all sites.

    The fit leaves a base to the site's own records. A site that grew worse may have no failure before it did,
    and its base would be nothing in each draw; that other sites have one says it hardly is.
    """
    failed, sound = spread_pseudo(design)
    if drawn is not None:
        exposed = design.scale @ design.x[:, : design.bases]
        usual = float(exposed @ theta[: design.bases]) / max(float(exposed.sum()), 1e-300)
        failed[: design.bases] += LIKE_OTHERS * drawn[0]
        sound[: design.bases] += LIKE_OTHERS * drawn[1] / max(usual, 1e-9)
    return failed, sound


def _start_draw(fitted: Floats, design: Design, terms: Sequence[int]) -> Floats:
    small = float(fitted[: design.bases].mean())
    ground = fitted[design.bases : design.ground]
    return np.r_[np.maximum(fitted[: design.bases], 1e-6), ground, np.full(len(terms), max(small, 1e-6))]
