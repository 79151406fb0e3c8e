"""Every fit of the library on data that hold no answer: a finite honest interval, or a stated "too few", never neither.

Each fit is driven with all values equal, one row, two rows, groups that separate completely, one engine, a covariate that
never changes, one huge outlier, and nothing that ever ended. Warnings are errors here as everywhere.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from ventbook import numerics
from ventbook.physics import gauge, priming
from ventbook.physics.priming import interval_fit
from ventbook.results import Estimate, NoFit, NotEnoughData
from ventbook.statistics import causes, rates, trends, waiting_times
from ventbook.statistics.causes import fits, screening, strata
from ventbook.statistics.causes import strata as cases
from ventbook.statistics.trends import mix


@dataclass(frozen=True)
class Rows:
    """Readings of one small fleet: a gap, an interval of rotations, lifters over the limit, and what they hang on."""

    value: np.ndarray
    low: np.ndarray
    high: np.ndarray
    failing: np.ndarray
    trials: np.ndarray
    group: np.ndarray
    engine: np.ndarray
    site: np.ndarray

    @property
    def size(self) -> int:
        return len(self.value)

    @property
    def design(self) -> np.ndarray:
        return np.column_stack([np.ones(self.size), self.group])


def usual(n: int = 24) -> Rows:
    rng = np.random.default_rng(5)
    value = np.round(np.exp(rng.normal(np.log(0.3), 0.4, n)), 2)
    count = np.round(np.exp(rng.normal(np.log(50), 0.2, n)))
    i = np.arange(n)
    return Rows(
        value, count - 1, count, (i % 5 == 0).astype(float), np.full(n, 8.0), (i // 2 % 2).astype(float),
        i // 2, i % 3 // 2,
    )  # fmt: skip


def take(rows: Rows, n: int) -> Rows:
    return Rows(**{name: getattr(rows, name)[:n] for name in Rows.__dataclass_fields__})


def all_equal() -> Rows:
    n = 24
    return replace(
        usual(n), value=np.full(n, 0.3), low=np.full(n, 49.0), high=np.full(n, 50.0), failing=np.full(n, 1.0)
    )


def separated() -> Rows:
    rows = usual()
    far = rows.group > 0
    count = np.where(far, 90.0, 30.0)
    return replace(
        rows,
        value=np.where(far, 0.8, 0.1),
        low=count - 1,
        high=count,
        failing=np.where(far, rows.trials, 0.0),
    )


def balanced() -> Rows:
    """Every engine holds the same two readings: sums by engine are alike to the last digit."""
    odd = np.arange(24) % 2 > 0
    count = np.where(odd, 60.0, 40.0)
    return replace(usual(), value=np.where(odd, 0.4, 0.2), low=count - 1, high=count, failing=1.0 * odd)


def outlier() -> Rows:
    rows = usual()
    value, low, high = rows.value.copy(), rows.low.copy(), rows.high.copy()
    value[3], low[3], high[3] = 1e6, 1e9, 1e9 + 1
    return replace(rows, value=value, low=low, high=high)


SITUATIONS: dict[str, Rows] = {
    "all_equal": all_equal(),
    "all_equal_small": replace(all_equal(), value=np.full(24, 0.1)),
    "one_row": take(usual(), 1),
    "two_rows": take(usual(), 2),
    "separated": separated(),
    "balanced": balanced(),
    "one_engine": replace(usual(), engine=np.zeros(24, dtype=int), site=np.zeros(24, dtype=int)),
    "constant_covariate": replace(usual(), group=np.ones(24)),
    "huge_outlier": outlier(),
    "all_censored": replace(usual(), value=np.full(24, 0.01), high=np.full(24, np.inf), failing=np.zeros(24)),
    "usual": usual(),
}

Answers = Iterator[Estimate | tuple[float, float | None, float | None]]


def jobs_of(rows: Rows) -> pd.DataFrame:
    n = rows.size
    return pd.DataFrame({
        "engine_id": [f"E{e}" for e in rows.engine], "engine_type": "K4", "venting_id": [f"V{i}" for i in range(n)],
        "rotations_low": rows.low, "rotations_high": rows.high, "expected_rotations": 50.0, "expected_low": 40.0,
        "expected_high": 62.0, "expected_state": "primes",
    })  # fmt: skip


def from_frame(table: pd.DataFrame, *names: str) -> Answers:
    for row in table[table["state"] == "estimated"].to_dict("records"):
        yield tuple(row[name] for name in names)


def curve(rows: Rows) -> Answers:
    found = waiting_times.estimate_curve(rows.low, rows.high, cluster=rows.engine)
    for name in ("survival", "error", "low", "high"):
        assert np.isfinite(getattr(found, name)).all()
    for q in (0.5, 0.9):
        yield waiting_times.estimate_quantile(rows.low, rows.high, q, unit="s", cluster=rows.engine)
        yield waiting_times.estimate_quantile(rows.high, rows.high, q, unit="s", cluster=rows.engine)
    yield waiting_times.share_over(rows.low, rows.high, 50.0, cluster=rows.engine)


def aft(rows: Rows) -> Answers:
    for cluster in (None, rows.engine):
        for low in (rows.low, np.where(np.isfinite(rows.high), rows.high, rows.low)):
            found = waiting_times.fit_aft(low, rows.high, pd.DataFrame({"x": rows.group}), cluster=cluster)
            yield from from_frame(found.time_ratios(), "estimate", "low", "high")
            yield found.quantile(0.9, unit="s")
            yield found.share_over(50.0)


def ratio(rows: Rows) -> Answers:
    yield priming.estimate_ratio(jobs_of(rows))


def calibration(rows: Rows) -> Answers:
    found = priming.calibrate_fleet(jobs_of(rows))
    yield from from_frame(found.multipliers, "estimate", "low", "high")
    for row in found.errors.to_dict("records"):
        assert (row["state"] == "estimated") == bool(
            np.isfinite(row["log_score"]) and np.isfinite(row["log_error"])
        )


def scale(rows: Rows) -> Answers:
    found = priming.measure_scale(jobs_of(rows))
    assert np.isfinite([found.middle, found.scatter, *found.middles.values()]).all()
    assert found.scatter > 0
    assert np.isfinite(found.quantile(0.9))
    yield from ()


def intervals(rows: Rows) -> Answers:
    cluster, names = numerics.factorize(rows.engine)
    with np.errstate(divide="ignore"):
        low, high = np.log(rows.low), np.log(rows.high)
    found = interval_fit.fit_interval(low, high, rows.design, cluster, len(names))
    variance = found.variance()
    for k in range(2):
        half = 2 * float(np.sqrt(variance[k, k]))
        yield found.theta[k], found.theta[k] - half, found.theta[k] + half


def gaps(rows: Rows) -> Answers:
    frame = pd.DataFrame({"group": rows.group, "gap_first_mm": rows.value, "engine_id": rows.engine})
    table = rates.compare_gaps(frame, "group", limit=0.5)
    yield from from_frame(table, "median_mm", "median_low", "median_high")
    yield from from_frame(table[table["ratio_low"].notna()], "ratio", "ratio_low", "ratio_high")


def gap_spread(rows: Rows) -> Answers:
    found = gauge.deconvolve_gaps(rows.value, u=0.02, step=0.05)
    assert np.isfinite(found.weight).all()
    assert found.weight.sum() == pytest.approx(1.0)
    assert found.width > 1e-4
    yield from ()


def gap_fit(rows: Rows) -> Answers:
    found = rates.fit_left_censored(np.log(rows.value), rows.value < 0.05, rows.design, cluster=rows.engine)
    for value, variance in zip(found.coefficients, np.diag(found.covariance), strict=True):
        yield value, value - 2 * np.sqrt(variance), value + 2 * np.sqrt(variance)


def shares(rows: Rows) -> Answers:
    yield rates.lifter_share(rows.failing, rows.trials, cluster=rows.engine)
    yield rates.venting_share(rows.failing > 0, cluster=rows.engine)
    yield rates.venting_share(rows.failing > 0)


def cure(rows: Rows) -> Answers:
    spread = None
    with contextlib.suppress(NotEnoughData):
        spread = gauge.deconvolve_gaps(rows.value, u=0.02, step=0.05)
    found = rates.compare_cure(
        rows.value,
        rows.group > 0,
        np.ones(rows.size, dtype=bool),
        cluster=rows.engine,
        u=0.02,
        limit=0.25,
        spread=spread,
    )
    yield found.cured
    yield found.alone
    yield found.excess


def effects(rows: Rows) -> Answers:
    cluster, names = numerics.factorize(rows.engine)
    design = screening.independent_columns(rows.design)
    contrast = np.eye(design.shape[1])[-1]
    with np.errstate(divide="ignore"):
        low, high = np.log(rows.low), np.log(rows.high)
    for fit in (
        fits.fit_binomial(design, rows.failing, rows.trials),
        fits.fit_intervals(design, low, high),
    ):  # fmt: skip
        found = fits.estimate_contrast(
            fit, design, contrast, cluster=cluster, n_clusters=len(names), level=0.95
        )
        if found is not None:
            yield found.log, found.low, found.high


def firth(rows: Rows) -> Answers:
    found = fits.profile_firth(rows.design, rows.failing, rows.trials, 1, level=0.95)
    if found is not None:
        yield found.log, found.low, found.high


def stratified(rows: Rows) -> Answers:
    cluster, names = numerics.factorize(rows.engine)
    site, _ = numerics.factorize(rows.site)
    effect, agree = strata.estimate_stratified(
        rows.group,
        rows.failing,
        rows.trials,
        stratum=site,
        cluster=cluster,
        n_clusters=len(names),
        level=0.95,
    )
    assert np.isnan(agree) or 0 <= agree <= 1
    if effect is not None:
        yield effect.log, effect.low, effect.high
    cells = [
        [[(rows.failing * side)[rows.site == s].sum(), ((rows.trials - rows.failing) * side)[rows.site == s].sum()]
         for side in (rows.group, 1 - rows.group)] for s in np.unique(rows.site)
    ]  # fmt: skip
    se, tarone, _ = strata.compare_strata(np.array(cells))
    assert np.isnan(se) == np.isnan(tarone)
    if np.isfinite(se):
        yield tarone, tarone - 2 * se, tarone + 2 * se


def conditional(rows: Rows) -> Answers:
    """Pairs of neighbours, the first of each the case."""
    n = rows.size // 2 * 2
    if not n:
        return
    x = np.where(np.arange(n) % 2 == 0, rows.group[:n], 1 - rows.group[:n])
    beta, variance, _ = cases.fit_conditional(
        x[:, None], (np.arange(n) % 2 == 0).astype(int), np.arange(n) // 2
    )
    if np.isfinite(beta[0]):
        half = 2 * float(np.sqrt(variance[0, 0]))
        yield float(beta[0]), float(beta[0]) - half, float(beta[0]) + half


def readings(rows: Rows) -> pd.DataFrame:
    return pd.DataFrame({
        "site": np.where(rows.site > 0, "Ridge", "Lake"), "engine_type": "K4", "engine_id": [f"E{e}" for e in rows.engine],
        "venting_id": [f"V{i}" for i in range(rows.size)], "gauge": np.where(rows.group > 0, "G1", "G2"),
        "gap_first_mm": rows.value,
    })  # fmt: skip


def gauges_in_use(rows: Rows) -> Answers:
    yield from from_frame(gauge.compare_routine_readings(readings(rows)), "difference_mm", "low", "high")


def study(rows: Rows) -> Answers:
    n = rows.size
    data = pd.DataFrame({
        "study": "S", "gauge": "G", "lifter": [f"L{e}" for e in rows.engine], "technician": np.where(rows.group > 0, "A", "B"),
        "repeat": np.arange(n), "gap_mm": rows.value, "reference_gap_mm": 0.25 + 0.01 * rows.engine,
    })  # fmt: skip
    crossed = data.assign(
        lifter=[f"L{i % 4}" for i in range(n)],
        technician=[f"T{i // 4 % 2}" for i in range(n)],
        repeat=np.arange(n) // 8,
    )
    unbalanced = crossed.iloc[: max(n - 1, 0)]
    for table in (data, crossed, unbalanced, data.assign(reference_gap_mm=data["gap_mm"] - 0.02)):
        found = gauge.analyse_study(table, limit=0.5)
        yield from (found.u, found.share_of_limit, found.bias, found.slope)


def reml(rows: Rows) -> Answers:
    found = gauge.fit_reml(rows.value, {"lifter": rows.engine % 6, "technician": rows.group})
    half = 2 * found.mean_error
    assert np.isfinite(list(found.components.values())).all()
    yield found.mean, found.mean - half, found.mean + half


def drift(rows: Rows) -> Answers:
    yield trends.test_drift(rows.value).slope
    _, _, p = trends.test_change_rank(rows.value)
    assert 0 <= p <= 1


def change_in_counts(rows: Rows) -> Answers:
    found = trends.find_change_in_counts(rows.failing, np.full(rows.size, 0.5))
    assert np.isfinite([found.before, found.after, found.statistic]).all()
    assert found.low <= found.last <= found.high
    yield from ()


def expected_shares(rows: Rows) -> Answers:
    frame = pd.DataFrame({"site": rows.site.astype(str), "x": rows.group.astype(str)})
    design = mix.make_design(frame, factors=["x"], site="site")
    matrix = mix.make_matrix(design, frame, site="site")
    found = mix.fit_shares(design, matrix, rows.failing, rows.trials)
    share = found.share(matrix)
    assert np.isfinite(share).all()
    assert ((share > 0) & (share < 1)).all()
    assert all(np.linalg.eigvalsh(covariance)[0] > 0 for covariance in found.covariances)
    yield from ()


def expected_means(rows: Rows) -> Answers:
    frame = pd.DataFrame({"site": rows.site.astype(str), "x": rows.group.astype(str)})
    design = mix.make_design(frame, factors=["x"], site="site")
    matrix = mix.make_matrix(design, frame, site="site")
    found = mix.fit_means(design, matrix, rows.value, rows.value**2, np.ones(rows.size))
    assert np.isfinite(found.mean).all()
    assert found.sigma > 1e-9
    yield from ()


def charts(rows: Rows) -> Answers:
    for make in (
        lambda: trends.chart_shares(rows.failing, rows.trials),
        lambda: trends.chart_between(trends.count_between(rows.failing > 0)),
    ):
        try:
            chart = make()
        except NotEnoughData:
            continue
        known = chart[chart["value"].notna()]
        for row in known.to_dict("records"):
            yield row["centre"], row["low_limit"], row["high_limit"]


def sites(rows: Rows) -> Answers:
    count = [rows.failing[rows.site == s].sum() for s in (0, 1)]
    n = [rows.trials[rows.site == s].sum() for s in (0, 1)]
    table = trends.shrink_shares(count, n, sites=["Lake", "Ridge"])
    yield from zip(table["estimate"], table["low"], table["high"], strict=True)
    yield trends.standardise_share(count, n, [1.0, 1.0])
    yield trends.observed_over_expected(float(sum(count)), float(sum(n)) / 10)
    assert np.isfinite(trends.funnel_by_site(count, n, sites=["Lake", "Ridge"])["chance_above"]).all()


def recurrence(rows: Rows) -> Answers:
    jobs = jobs_of(rows).assign(
        failed_first=pd.array(rows.failing > 0, dtype="boolean"), site="Lake",
        date=pd.date_range("2025-01-01", periods=rows.size),
    )  # fmt: skip
    found = causes.find_recurrent_engines(jobs, shuffles=50)
    assert np.isfinite(found.expected)
    yield from ()


def power(rows: Rows) -> Answers:
    share = float(rows.failing.sum() / rows.trials.sum())
    found = causes.detect_share(share, rows.size, rows.size)
    assert found is None or share < found < 1
    yield from ()


FITS: dict[str, Callable[[Rows], Answers]] = {
    one.__name__: one
    for one in (
        curve, aft, ratio, calibration, scale, intervals, gaps, gap_spread, gap_fit, shares, cure, effects,
        firth, stratified, conditional, gauges_in_use, study, reml, drift,
        change_in_counts, expected_shares, expected_means, charts, sites, recurrence, power,
    )
}  # fmt: skip


def check_answer(answer: Any) -> None:
    """Finite, with an interval that has a width and holds the estimate; or no number at all."""
    if isinstance(answer, Estimate):
        if answer.state != "estimated":
            assert answer.estimate is None
            return
        estimate, low, high = answer.estimate, answer.low, answer.high
        assert estimate is not None
        if low is None or high is None:
            assert answer.note
    else:
        estimate, low, high = answer
    ends = [end for end in (low, high) if end is not None]
    assert np.isfinite([estimate, *ends]).all(), answer
    if len(ends) == 2:
        assert ends[0] <= estimate <= ends[1], answer
        assert ends[1] - ends[0] > 1e-7 * abs(estimate), f"no width: {answer}"


@pytest.mark.parametrize("situation", SITUATIONS)
@pytest.mark.parametrize("fit", FITS)
def test_a_fit_answers_honestly_or_says_too_few(fit, situation):
    try:
        for answer in FITS[fit](SITUATIONS[situation]):
            check_answer(answer)
    except NotEnoughData:
        assert situation != "usual"


def test_twenty_counts_that_all_agree_give_no_ratio():
    """Fifty counted on fifty expected, twenty times: a fit whose spread goes on shrinking is no fit."""
    jobs = jobs_of(take(all_equal(), 20))
    found = priming.estimate_ratio(jobs)
    assert (found.state, found.estimate) == ("too_few", None)
    assert numerics.NO_SPREAD in found.note
    assert found.n == 20
    assert priming.calibrate_fleet(jobs).multipliers["state"].tolist() == ["too_few"]


@pytest.mark.parametrize("gap", [0.1, 0.3, 0.5])
def test_equal_gaps_give_no_median(gap):
    frame = pd.DataFrame(
        {"site": ["Lake", "Ridge"] * 10, "gap_first_mm": gap, "engine_id": [f"E{i // 2}" for i in range(20)]}
    )
    table = rates.compare_gaps(frame, "site", limit=0.5)
    assert table["state"].tolist() == ["too_few"] * 2
    assert table["note"].tolist() == [numerics.NO_SPREAD] * 2
    assert table[["median_mm", "ratio", "over_limit"]].isna().all().all()


def test_engines_alike_by_balance_keep_the_readings_own_error():
    """Two readings an engine, the same in all twelve: the clusters' variance is 0, the model's is s^2 / n (here 24 readings)."""
    rows = balanced()
    frame = pd.DataFrame({"group": "all", "gap_first_mm": rows.value, "engine_id": rows.engine})
    found = rates.compare_gaps(frame, "group").iloc[0]
    sd = np.std(np.log(rows.value))
    half = 2.200985 * sd / np.sqrt(24)  # t quantile of 11 degrees of freedom, from tables
    assert np.log(found["median_high"] / found["median_mm"]) == pytest.approx(half, rel=1e-4)


def test_the_rule_of_every_fit():
    assert numerics.judge_fit(estimates=[1.0], information=np.eye(2), spread=0.1) == ""
    assert numerics.judge_fit(converged=False) == numerics.NOT_SETTLED
    assert numerics.judge_fit(estimates=[np.nan]) == numerics.NOT_SETTLED
    assert numerics.judge_fit(spread=0.0) == numerics.NO_SPREAD
    assert numerics.judge_fit(spread=np.nan) == numerics.NO_SPREAD
    assert numerics.judge_fit(information=[[1.0, 1.0], [1.0, 1.0]]) == numerics.NOT_APART
    assert numerics.judge_fit(information=[[1.0, 0.0], [0.0, -1.0]]) == numerics.NOT_APART
    # 13 of the 16 digits of a double are lost in the inverse of this one
    assert numerics.judge_fit(information=[[1.0, 1 - 1e-13], [1 - 1e-13, 1.0]]) == numerics.NOT_APART
    # badly scaled is not singular: hours beside bar
    assert numerics.judge_fit(information=np.diag([1e-12, 1e12])) == ""
    with pytest.raises(NoFit, match="gap model: the fit did not settle"):
        numerics.require_fit("gap model", converged=False)
