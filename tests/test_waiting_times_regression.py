"""Regression of waiting times against published fits, and what it says where there is nothing to fit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from reference_answers import read_times
from reference_cases import find_case
from ventbook.statistics.waiting_times import build_design, check_residuals, fit_aft
from ventbook.statistics.waiting_times.likelihood import SHAPES, evaluate, order_patterns

SHAPE_NAMES = ("Weibull", "log-normal", "log-logistic")


def standard_errors(fit):
    """Of intercept, coefficients and log scale."""
    return np.sqrt(np.diag(fit.errors.covariance))


def freireich():
    return *read_times(find_case("remission, weibull").inputs)[:2], np.repeat([0.0, 1.0, 0.0], [9, 21, 12])


def cosmesis():
    return *read_times(find_case("breast retraction, weibull").inputs)[:2], np.repeat([0.0, 1.0], [46, 48])


def test_quantile_error_is_that_of_log_time():
    # R survreg: t50 and its error at both levels follow from coefficients, scale and their covariance;
    # here against the same sums written out
    low, high, x = freireich()
    fit = fit_aft(
        low,
        high,
        build_design(pd.DataFrame({"placebo": x == 1}), references={"placebo": "no"}),
        distribution="Weibull",
    )
    answer = fit.quantile(0.5, {"placebo": True}, unit="week")
    w = np.log(np.log(2))
    gradient = np.array([1, 1, fit.scale * w])
    error = np.sqrt(gradient @ fit.errors.covariance @ gradient)
    log_time = fit.beta.sum() + fit.scale * w
    expected = np.exp([log_time, log_time - 1.959964 * error, log_time + 1.959964 * error])
    assert [answer.estimate, answer.low, answer.high] == pytest.approx(expected, rel=1e-6)
    # at that time half are left, with the limits of the same combination
    share = fit.share_over(answer.estimate, {"placebo": True})
    assert share.estimate == pytest.approx(0.5)


def test_a_share_over_a_limit_has_the_error_of_small_changes_of_the_parameters():
    """Delta method on the normal score of the share, its slopes by differences of Weibull's own survival (scipy)."""
    low, high, x = freireich()
    fit = fit_aft(low, high, x, distribution="Weibull")

    def score(parameters, arm):
        scale = np.exp(parameters[2])
        return stats.norm.isf(stats.weibull_min.sf(9.0, 1 / scale, scale=np.exp(parameters[:2] @ [1.0, arm])))

    for arm, at in ((1.0, {"x1": 1.0}), (x.mean(), None)):
        slopes = optimize.approx_fprime(fit.parameters, score, 1e-7, arm)
        error = np.sqrt(slopes @ fit.errors.covariance @ slopes)
        centre = score(fit.parameters, arm)
        found = fit.share_over(9.0, at)
        assert [found.estimate, found.low, found.high] == pytest.approx(
            stats.norm.sf([centre, centre + 1.959964 * error, centre - 1.959964 * error]), rel=1e-5
        )


def test_p_of_a_time_ratio_is_two_sided():
    low, high, x = freireich()
    row = fit_aft(low, high, x, distribution="Weibull").time_ratios().iloc[0]
    width = np.log(row["high"] / row["low"]) / (2 * 1.959964)
    assert row["p"] == pytest.approx(2 * stats.norm.sf(abs(np.log(row["estimate"])) / width), rel=1e-5)


def test_time_ratio_is_that_of_the_levels():
    low, high, x = freireich()
    frame = pd.DataFrame({"arm": np.where(x == 1, "placebo", "treated")})
    fit = fit_aft(low, high, build_design(frame, references={"arm": "treated"}), distribution="Weibull")
    row = fit.time_ratios().iloc[0]
    assert (row["factor"], row["level"], row["reference"], row["n"]) == ("arm", "placebo", "treated", 21)
    assert row["estimate"] == pytest.approx(np.exp(-1.267335), rel=1e-6)
    treated, placebo = (fit.quantile(0.5, {"arm": a}, unit="week").estimate for a in ("treated", "placebo"))
    assert placebo / treated == pytest.approx(row["estimate"])


@pytest.mark.parametrize("shape", SHAPE_NAMES)
def test_derivatives_are_those_of_the_likelihood(shape):
    rng = np.random.default_rng(2)
    low = np.array([1.0, 2.0, 3.5, 0.0, 1.5, 4.0, 2.0, 0.25])
    high = np.array([1.0, 2.0, np.inf, 2.0, 2.5, 9.0, np.inf, 0.75])
    design = np.column_stack([np.ones(8), rng.normal(size=8)])
    rows = order_patterns(low, high, np.arange(1.0, 9.0), design)
    theta = np.array([0.7, -0.2, 1.4])
    _, score, second = evaluate(SHAPES[shape], theta, rows)
    step = 1e-5
    for j in range(3):
        up, down = theta.copy(), theta.copy()
        up[j] += step
        down[j] -= step
        ahead, behind = evaluate(SHAPES[shape], up, rows), evaluate(SHAPES[shape], down, rows)
        assert (ahead[0] - behind[0]) / (2 * step) == pytest.approx(score[j], rel=1e-6, abs=1e-6)
        assert (ahead[1] - behind[1]) / (2 * step) == pytest.approx(second[j], rel=1e-6, abs=1e-6)


def fleet(seed=4, engines=20, each=3, effect=0.3):
    rng = np.random.default_rng(seed)
    engine = np.repeat(np.arange(engines), each)
    x = (np.arange(engines) % 2)[engine]
    t = np.exp(1.1 + effect * x + rng.normal(0, 0.2, engines)[engine] + rng.normal(0, 0.3, engine.size))
    low = np.round(t * 2) / 2 - 0.25
    return np.maximum(low, 0), low + 0.5, x, engine


def test_collapsing_changes_nothing():
    low, high, x, _ = fleet()
    whole = fit_aft(np.tile(low, 300), np.tile(high, 300), np.tile(x, 300), distribution="Weibull")
    once = fit_aft(low, high, x, distribution="Weibull", weights=np.full(low.size, 300.0))
    assert whole.patterns < 60
    assert whole.beta == pytest.approx(once.beta, rel=1e-9)
    assert standard_errors(whole) == pytest.approx(standard_errors(once), rel=1e-9)
    rng = np.random.default_rng(1)
    jitter = np.tile(x, 300) + rng.normal(size=18_000)
    uncollapsed = fit_aft(np.tile(low, 300), np.tile(high, 300), jitter, distribution="Weibull")
    assert uncollapsed.patterns == 18_000


def test_engine_errors_against_leaving_out_each_engine_by_hand():
    low, high, x, engine = fleet(engines=24, each=4)
    fit = fit_aft(low, high, x, distribution="log-normal", cluster=engine)
    refits = []
    for one in range(24):
        keep = engine != one
        refits.append(fit_aft(low[keep], high[keep], x[keep], distribution="log-normal").beta)
    spread = np.sqrt(23 / 24 * np.sum((np.array(refits) - fit.beta) ** 2, axis=0))
    assert standard_errors(fit)[:2] == pytest.approx(spread, rel=0.05)


def test_engine_factor_uses_few_degrees_of_freedom():
    low, high, x, engine = fleet(engines=13)
    fit = fit_aft(low, high, x, distribution="log-normal", cluster=engine)
    row = fit.time_ratios().iloc[0]
    # seven engines against six: a comparison of two means would have 11
    assert 8 < row["df"] < 11.5
    plain = fit_aft(low, high, x, distribution="log-normal").time_ratios().iloc[0]
    assert row["high"] / row["low"] > plain["high"] / plain["low"]


def test_many_engines_take_the_plain_sandwich():
    low, high, x, engine = fleet(engines=450)
    fit = fit_aft(low, high, x, cluster=engine, distribution="log-normal")
    assert "sandwich" in fit.method
    assert np.isinf(fit.time_ratios()["df"].iloc[0])


def test_the_plain_sandwich_of_exact_log_normal_times_is_that_of_least_squares():
    """statsmodels' cluster covariance of least squares on the logarithms, times engines over engines - 1 (library run)."""
    import statsmodels.api as sm

    rng = np.random.default_rng(2)
    engine = np.repeat(np.arange(420), 3)
    x = rng.normal(size=engine.size)
    time = np.exp(1.0 + 0.3 * x + rng.normal(0, 0.3, 420)[engine] + rng.normal(0, 0.4, engine.size))
    fit = fit_aft(time, time, x, cluster=engine, distribution="log-normal")
    ols = sm.OLS(np.log(time), sm.add_constant(x)).fit(
        cov_type="cluster", cov_kwds={"groups": engine, "use_correction": False}
    )
    assert fit.beta == pytest.approx(ols.params, abs=1e-6)
    np.testing.assert_allclose(fit.errors.covariance[:2, :2], 420 / 419 * ols.cov_params(), rtol=1e-5)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_the_known_bias_of_leaving_out_is_taken_off(seed):
    """Three engines of one kind against seventeen, one exact reading each: least squares by hand says that squares of steps
    without each are sum a^2 / (1 - h) on average where the model's variance is sum a^2; the rest is off the scale's doubt.
    """
    x = np.repeat([1.0, 0.0], [3, 17])
    time = np.exp(1 + 0.5 * x + np.random.default_rng(seed).normal(0, 0.4, 20))
    fit = fit_aft(time, time, x, cluster=np.arange(20), distribution="log-normal")
    design = np.column_stack([np.ones(20), x])
    inverse = np.linalg.inv(design.T @ design)
    pull, leverage = design @ inverse[1], np.einsum("ij,jk,ik->i", design, inverse, design)
    known = (pull**2).sum() / (19 / 20 * (pull**2 / (1 - leverage)).sum())
    assert known < 0.75
    assert fit.errors.variance(np.array([0.0, 1.0, 0.0])) == pytest.approx(
        known * fit.errors.covariance[1, 1], rel=0.015
    )


def test_distributions_are_weighted_by_akaike_and_their_doubt_is_carried():
    """Fits of each distribution alone: AIC is 2 (coefficients + scale) - 2 log likelihood, weights exp(-AIC/2); the error of
    the average is sum w sqrt(variance + distance^2) (Buckland, Burnham, Augustin 1997), by hand.
    """
    low, high, x = cosmesis()
    fit = fit_aft(low, high, x)
    alone = {name: fit_aft(low, high, x, distribution=name) for name in SHAPE_NAMES}
    aic = {name: 2 * 3 - 2 * one.log_likelihood for name, one in alone.items()}
    weight = {name: np.exp(-(value - min(aic.values())) / 2) for name, value in aic.items()}
    whole = sum(weight.values())
    assert fit.aic == pytest.approx(min(aic.values()))
    told = {one.distribution: one.weight for one in fit.candidates}
    assert told == pytest.approx({name: w / whole for name, w in weight.items() if w / whole >= 0.01})
    assert sum(w > 0.05 for w in told.values()) >= 2
    best = max(told, key=lambda name: told[name])
    values = {name: fit_value(alone[name]) for name in told}
    share = {name: w / sum(told.values()) for name, w in told.items()}
    centre = sum(share[name] * value for name, (value, _) in values.items())
    error = sum(
        share[name] * np.sqrt(variance + (value - centre) ** 2) for name, (value, variance) in values.items()
    )
    assert alone[best].errors.clusters == 0  # so the quantile is the normal's
    answer = fit.quantile(0.5, {"x1": 0.0}, unit="months")
    assert np.log(answer.estimate) == pytest.approx(centre)
    assert np.log([answer.low, answer.high]) == pytest.approx(
        [centre - 1.959964 * error, centre + 1.959964 * error], rel=1e-6
    )


def fit_value(fit):
    """Log of the median where all factors are nought, and its variance by the gradient (1, 0, scale w)."""
    w = {"Weibull": np.log(np.log(2)), "log-normal": 0.0, "log-logistic": 0.0}[fit.distribution]
    gradient = np.array([1.0, 0.0, fit.scale * w])
    return fit.beta[0] + fit.scale * w, float(gradient @ fit.errors.covariance @ gradient)


@pytest.mark.parametrize(
    ("low", "high", "why"),
    [
        ([3.0] * 30, [3.0] * 30, "no spread"),
        ([2.75] * 30, [3.25] * 30, "no spread"),
        ([3.0] * 30, [np.inf] * 30, "0 readings that ended, 8 needed"),
        ([1.0] * 29 + [2.0], [np.inf] * 29 + [2.0], "1 readings that ended, 8 needed"),
        ([], [], "0 readings that ended"),
        ([np.nan] * 20, [np.nan] * 20, "0 readings that ended"),
        ([0.0] * 20, [0.0] * 20, "20 rows of exactly 0"),
    ],
)
def test_nothing_to_fit_is_said(low, high, why):
    fit = fit_aft(low, high)
    assert fit.state == "too_few"
    assert why in "; ".join(fit.notes)
    assert fit.quantile(0.5, unit="s").state == "too_few"
    assert fit.share_over(5.0).estimate is None
    assert fit.time_ratios().empty
    checked = check_residuals(fit, low, high, rng=np.random.default_rng(0))
    assert checked.p is None


def test_awkward_factors_are_left_out_in_words():
    low, high, _, engine = fleet()
    n = low.size
    high = high.copy()
    high[:6] = np.inf
    frame = pd.DataFrame(
        {
            "same": ["x"] * n,
            "first": np.where(np.arange(n) % 3 == 0, "u", "v"),
            "twin": pd.array(np.arange(n) % 3 == 0, dtype="boolean"),
            "fate": np.where(np.arange(n) < 6, "gone", "ok"),
            "bar": np.where(np.arange(n) < 1, np.nan, np.arange(n) % 5 / 10),
        }
    )
    fit = fit_aft(low, high, frame, cluster=engine)
    said = "; ".join(fit.notes)
    assert fit.state == "estimated"
    assert "same has one level only (x)" in said
    assert "twin = yes always went with first = u" in said
    assert "fate = gone: none ended, so no ratio can be given; 5 rows set aside" in said
    assert "1 row without a number" in said
    assert list(fit.time_ratios()["factor"]) == ["first", "bar"]


def test_setting_rows_aside_leaves_the_rest_of_the_fit():
    low, high, x, _ = fleet()
    more_low, more_high = np.append(low, [4.0] * 5), np.append(high, [np.inf] * 5)
    frame = pd.DataFrame({"x": np.append(x, [0, 1, 0, 1, 0]), "group": ["a"] * low.size + ["b"] * 5})
    with_them = fit_aft(more_low, more_high, frame, distribution="Weibull")
    without = fit_aft(low, high, x, distribution="Weibull")
    assert with_them.beta == pytest.approx(without.beta, rel=1e-8)


def test_a_level_seen_on_one_engine_has_no_limits():
    low, high, _, engine = fleet()
    frame = pd.DataFrame({"kind": np.where(engine == 3, "odd", "usual")})
    row = fit_aft(low, high, frame, cluster=engine).time_ratios().iloc[0]
    assert row["state"] == "too_few" and np.isnan(row["estimate"])
    assert row["note"] == "seen on one engine only"


def test_a_regression_takes_two_ended_waits_a_parameter():
    """Three numbers, intercept and scale: ten that ended are enough, nine aren't."""
    rng = np.random.default_rng(6)
    time, numbers = np.exp(rng.normal(1.0, 0.5, 14)), rng.normal(size=(14, 3))
    for ended, state in ((10, "estimated"), (9, "too_few")):
        high = np.where(np.arange(14) < ended, time, np.inf)
        assert fit_aft(time, high, numbers, distribution="log-normal").state == state


def test_two_engines_are_too_few():
    low, high, x, engine = fleet()
    fit = fit_aft(low, high, x, cluster=engine % 2)
    assert fit.state == "too_few" and "2 engines, 3 needed" in "; ".join(fit.notes)


def test_residuals_tell_a_distribution_that_does_not_fit():
    rng = np.random.default_rng(8)
    right = np.exp(rng.normal(1, 0.4, 150))
    two_humps = np.where(
        rng.random(150) < 0.5, np.exp(rng.normal(0, 0.05, 150)), np.exp(rng.normal(2, 0.05, 150))
    )
    found = []
    for t in (right, two_humps):
        low = np.floor(t * 2) / 2
        fit = fit_aft(low, low + 0.5, distribution="log-normal")
        found.append(check_residuals(fit, low, low + 0.5, rng=np.random.default_rng(1), simulations=19))
    assert found[0].p > 0.1 and "describes the readings" in found[0].sentence
    assert found[1].p == pytest.approx(0.05) and found[1].distance > 0.2


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: fit_aft([1.0], [1.0], distribution="gamma"), "distribution must be choose, log-normal"),
        (lambda: fit_aft([1.0, 2.0], [1.0, 2.0], [[1.0]]), r"one row a reading \(2\); got 1"),
        (lambda: fit_aft([2.0], [1.0]), "low must not be above high"),
        (lambda: build_design(pd.DataFrame({"a": [1]}), references={"b": "x"}), "no covariate: b"),
        (
            lambda: fit_aft(*cosmesis()).quantile(0.5, {"y": 1}, unit="s"),
            "at names no covariate of this fit: y",
        ),
        (lambda: fit_aft(*cosmesis()).share_over(0.0), "limit must be a finite number above 0"),
    ],
)
def test_a_bad_call_names_what_is_wrong(call, message):
    with pytest.raises(ValueError, match=message):
        call()


ROW = st.tuples(
    st.integers(0, 30),
    st.sampled_from([0, 0, 1, 2, 50]),
    st.sampled_from(["a", "b", "c", None]),
    st.sampled_from([True, False, None]),
    st.integers(0, 5),
)


@settings(max_examples=80, deadline=None)
@given(st.lists(ROW, min_size=0, max_size=40), st.sampled_from(["choose", "Weibull"]))
def test_no_records_raise(rows, distribution):
    low = np.array([r[0] / 2 for r in rows], dtype=float)
    high = np.array([np.inf if r[1] == 50 else (r[0] + r[1]) / 2 for r in rows], dtype=float)
    frame = pd.DataFrame(
        {
            "kind": pd.Series([r[2] for r in rows], dtype="str"),
            "flag": pd.array([r[3] for r in rows], dtype="boolean"),
            "number": pd.Series([float(r[4]) for r in rows], dtype="float64"),
        }
    )
    fit = fit_aft(low, high, frame, distribution=distribution, cluster=[r[4] for r in rows])
    ratios = fit.time_ratios()
    assert fit.state in ("estimated", "too_few")
    done = ratios[ratios["state"] == "estimated"]
    assert np.all(done["low"] <= done["estimate"]) and np.all(done["estimate"] <= done["high"])
    assert fit.state == "estimated" or fit.notes
