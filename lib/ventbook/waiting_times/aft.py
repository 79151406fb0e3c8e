"""What a regression of waiting times answers: time ratios, quantiles and shares over a limit, with limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri, stdtr

from ventbook.results import Estimate, no_estimate
from ventbook.waiting_times.design import Column, name_levels
from ventbook.waiting_times.likelihood import SHAPES
from ventbook.waiting_times.patterns import Floats, Ints
from ventbook.waiting_times.sandwich import Errors

#: A level seen on fewer clusters or rows than this gets no limits.
FEWEST_CLUSTERS, FEWEST_ROWS = 2, 3

EFFECT_COLUMNS = [
    "factor",
    "level",
    "reference",
    "estimate",
    "low",
    "high",
    "p",
    "df",
    "n",
    "events",
    "state",
    "note",
]


@dataclass(frozen=True)
class Candidate:
    """One distribution's fit, with its Akaike weight among those tried."""

    distribution: str
    weight: float
    beta: Floats
    scale: float
    errors: Errors


@dataclass(frozen=True)
class AftFit:
    """log T = intercept + x'beta + scale e: what fit_aft found, or why it found nothing (``state``, ``notes``).

    ``columns`` names the entries of ``beta`` after the intercept; ``tried`` compares the distributions tried and
    ``candidates`` holds the fits of those with an Akaike weight of 1 % or more; ``rows``/``n_events`` count rows and ended rows with a non-zero value in each column.
    """

    state: str
    distribution: str
    columns: tuple[Column, ...]
    beta: Floats
    scale: float
    log_likelihood: float
    aic: float
    errors: Errors | None
    level: float
    n: int
    events: int
    clusters: int
    patterns: int
    column_rows: Ints
    column_events: Ints
    column_clusters: Ints
    tried: pd.DataFrame
    candidates: tuple[Candidate, ...]
    notes: tuple[str, ...]
    means: Floats
    references: dict[str, str]
    method: str

    @property
    def parameters(self) -> Floats:
        """(intercept, beta, log scale): what ``errors.covariance`` is about."""
        return np.append(self.beta, np.log(self.scale))

    def standard_errors(self) -> Floats:
        """Standard errors of ``parameters``."""
        if self.errors is None:
            return np.full(self.beta.size + 1, np.nan)
        return np.sqrt(np.maximum(np.diag(self.errors.covariance), 0.0))

    def time_ratios(self) -> pd.DataFrame:
        """One row a column: the factor by which the time is longer at that level than at the reference (for a
        number: per unit), with limits, p of "ratio 1", and n. Too few rows or clusters: state too_few."""
        rows = []
        for j, column in enumerate(self.columns, start=1):
            gradient = np.zeros(self.beta.size + 1)
            gradient[j] = 1.0
            row: dict[str, Any] = dict.fromkeys(EFFECT_COLUMNS)
            row.update(factor=column.factor, level=column.level, reference=column.reference)
            row.update(n=int(self.column_rows[j - 1]), events=int(self.column_events[j - 1]))
            few = self._too_few(j - 1)
            if few or self.errors is None:
                row.update(state="too_few", note=few)
            else:
                row.update(self._limits(float(self.beta[j]), gradient))
                row.update(state="estimated", note="")
            rows.append(row)
        frame = pd.DataFrame(rows, columns=EFFECT_COLUMNS)
        numbers = ["estimate", "low", "high", "p", "df"]
        frame[numbers] = frame[numbers].astype(np.float64)
        return frame

    def _too_few(self, j: int) -> str:
        if self.columns[j].level and self.column_rows[j] < FEWEST_ROWS:
            return f"only {self.column_rows[j]} rows"
        if self.clusters and self.column_clusters[j] < FEWEST_CLUSTERS:
            return "seen on one engine only"
        return ""

    def _limits(self, estimate: float, gradient: Floats) -> dict[str, float]:
        assert self.errors is not None
        se = float(np.sqrt(max(self.errors.variance(gradient), 0.0)))
        df = self.errors.degrees(gradient)
        reach = self.errors.critical(gradient, self.level, df) * se
        with np.errstate(over="ignore", divide="ignore"):
            ratio = abs(estimate) / se if se > 0 else np.inf
            p = 2 * (ndtr(-ratio) if np.isinf(df) else stdtr(df, -ratio))
            low, high = np.exp(estimate - reach), np.exp(estimate + reach)
        return {"estimate": float(np.exp(estimate)), "low": low, "high": high, "p": float(p), "df": df}

    def design_row(self, at: Mapping[str, Any] | None = None) -> Floats:
        """(1, x) at the named covariate values; covariates not named are at their mean over the rows fitted."""
        at = dict(at or {})
        known = {c.factor for c in self.columns} | set(self.references)
        unknown = sorted(set(at) - known)
        if unknown:
            raise ValueError(
                f"at names no covariate of this fit: {', '.join(unknown)}; known: {sorted(known)}"
            )
        x = np.append(1.0, self.means)
        for j, column in enumerate(self.columns, start=1):
            if column.factor in at:
                value = at[column.factor]
                if column.level:
                    x[j] = float(name_levels(pd.Series([value])).iloc[0] == column.level)
                else:
                    x[j] = float(value)
        return x

    def quantile(self, q: float, at: Mapping[str, Any] | None = None, *, unit: str) -> Estimate:
        """Time by which a share q has ended at the covariates ``at``.

        Limits by the delta method on log time. Where the distribution was chosen, estimate and limits are
        averaged over the candidates by Akaike weight, so that they carry the choice (see average_candidates).
        """
        if not 0.0 < q < 1.0:
            raise ValueError(f"q must lie between 0 and 1; got {q!r}")
        if self.errors is None:
            return self._nothing(unit)
        x = self.design_row(at)
        parts = []
        for one in self.candidates:
            w = SHAPES[one.distribution].quantile(q)
            parts.append((one, float(x @ one.beta) + one.scale * w, np.append(x, one.scale * w)))
        centre, reach = average_candidates(parts, self.level)
        found = np.exp([centre, centre - reach, centre + reach])
        return self._answer(found[0], found[1], found[2], unit, f"{q:.0%} point")

    def share_over(self, limit: float, at: Mapping[str, Any] | None = None) -> Estimate:
        """P(T > limit) at the covariates ``at``.

        Limits by the delta method on the normal-score scale of the share; averaged as in ``quantile``.
        """
        if not limit > 0 or not np.isfinite(limit):
            raise ValueError(f"limit must be a finite number above 0; got {limit!r}")
        if self.errors is None:
            return self._nothing("1")
        x = self.design_row(at)
        parts = []
        for one in self.candidates:
            shape = SHAPES[one.distribution]
            z = np.array([(np.log(limit) - float(x @ one.beta)) / one.scale])
            share = min(max(float(np.exp(shape.log_above(z)[0])), 1e-12), 1 - 1e-12)
            score = -float(ndtri(share))
            pull = float(np.exp(shape.density(z)[0][0] + score**2 / 2 + 0.5 * np.log(2 * np.pi)))
            parts.append((one, score, -pull * np.append(x / one.scale, z)))
        centre, reach = average_candidates(parts, self.level)
        found = ndtr([-centre, -(centre + reach), -(centre - reach)])
        return self._answer(found[0], found[1], found[2], "1", "share over a limit")

    def _answer(self, estimate: float, low: float, high: float, unit: str, what: str) -> Estimate:
        return Estimate(
            estimate, low, high, self.level, unit, self.n, self.clusters, f"{what} of the {self.method}"
        )

    def _nothing(self, unit: str) -> Estimate:
        return no_estimate(
            self.state,
            level=self.level,
            unit=unit,
            n=self.n,
            clusters=self.clusters,
            method=self.method,
            note="; ".join(self.notes),
        )


def average_candidates(parts: list[tuple[Candidate, float, Floats]], level: float) -> tuple[float, float]:
    """Weighted mean of the candidates' values, and the reach of its limits.

    The error is sum w sqrt(variance + (value - mean)^2) [1]_, which carries the doubt about the distribution;
    the quantile is that of the candidate with the largest weight.

    References
    ----------
    .. [1] Buckland, S. T., Burnham, K. P. and Augustin, N. H. (1997), Biometrics 53, 603-618.
    """
    weight = np.array([one.weight for one, _, _ in parts])
    weight = weight / weight.sum()
    value = np.array([v for _, v, _ in parts])
    centre = float(weight @ value)
    variance = np.array([max(one.errors.variance(g), 0.0) for one, _, g in parts])
    error = float(weight @ np.sqrt(variance + (value - centre) ** 2))
    best, _, gradient = parts[int(weight.argmax())]
    return centre, best.errors.critical(gradient, level) * error
