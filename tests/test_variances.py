"""Variances, intervals and permutation p against other ways to them: numerical differentiation of likelihoods written
anew, weights of statsmodels' tables, exact enumeration, scipy. Library runs stand in tests/reference."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.contingency_tables import StratifiedTable

from reference_answers import study_frame
from reference_cases import find_case, read_rows
from ventbook import numerics
from ventbook.physics import gauge, priming
from ventbook.physics.priming import interval_fit
from ventbook.statistics import causes, rates, trends, waiting_times


def gradient(value: Callable[[np.ndarray], float], at: np.ndarray, step: float = 1e-4) -> np.ndarray:
    units = np.eye(at.size) * step
    return np.array([(value(at + u) - value(at - u)) / (2 * step) for u in units])


def hessian(value: Callable[[np.ndarray], float], at: np.ndarray, step: float = 1e-4) -> np.ndarray:
    units = np.eye(at.size) * step
    return np.array([(gradient(value, at + u) - gradient(value, at - u)) / (2 * step) for u in units])


def step_without(
    value: Callable[[np.ndarray, np.ndarray], float], at: np.ndarray, cluster: np.ndarray
) -> np.ndarray:
    """Where one Newton step goes with each cluster left out, less where it started: by differences alone."""
    moved = []
    for c in np.unique(cluster):
        keep = cluster != c
        moved.append(
            -np.linalg.solve(
                hessian(lambda t, k=keep: value(t, k), at), gradient(lambda t, k=keep: value(t, k), at)
            )
        )
    return np.array(moved)


def pastes() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Strengths under 58 taken as only known to lie there; the second reading of a cask told apart."""
    strength = np.array(find_case("paste strength").inputs["values"])
    return strength, strength < 58, np.column_stack([np.ones(60), np.tile([0.0, 1.0], 30)])


def kidney() -> tuple[np.ndarray, ...]:
    """Days to infection of 38 patients' two catheters: low, high, women, patient."""
    rows = read_rows("kidney.csv")
    time, running, sex, patient = (
        np.array([r[k] for r in rows], dtype=float) for k in ("time", "running", "sex", "id")
    )
    return time, np.where(running == 1, np.inf, time), sex - 1, patient


class TestClusters:
    def test_gap_model_with_few_clusters_is_a_step_without_each(self) -> None:
        y, cut, design = pastes()
        y = np.maximum(y, 58.0)
        batch = np.repeat(np.arange(10), 6)

        def log_likelihood(t: np.ndarray, keep: np.ndarray) -> float:
            at, sd = design @ t[:2], np.exp(t[2])
            each = np.where(cut, stats.norm.logcdf(y, at, sd), stats.norm.logpdf(y, at, sd))
            return float(each[keep].sum())

        fit = rates.fit_left_censored(y, cut, design, cluster=batch)
        theta = np.append(fit.coefficients, np.log(fit.sd))
        off = step_without(log_likelihood, theta, batch)
        np.testing.assert_allclose(fit.covariance, (off.T @ off)[:2, :2], rtol=2e-4)
        # a library's fits without each batch (R 4.2.2, survival 3.5-3, survreg): a step overshoots a fit by a little
        jackknife = np.array([0.7173206073, 0.2864501026]) / np.sqrt(0.9)
        assert (np.sqrt(np.diag(fit.covariance)) / jackknife).tolist() == pytest.approx([1, 1], abs=0.08)

    @pytest.mark.parametrize("level", [0.8, 0.95])
    def test_gaps_of_groups_take_t_on_clusters_less_groups(self, level: float) -> None:
        y, cut, design = pastes()
        gap, step = np.where(cut, 57.0, y), 58.0
        frame = pd.DataFrame(
            {"gap_first_mm": gap, "engine_id": np.repeat(np.arange(10), 6), "valve": design[:, 1]}
        )
        rows = rates.compare_gaps(frame, "valve", step=step, level=level)
        each = np.column_stack([1 - design[:, 1], design[:, 1]])
        fit = rates.fit_left_censored(np.log(np.maximum(gap, step)), cut, each, cluster=frame["engine_id"])
        half = stats.t.ppf(0.5 + level / 2, 8) * np.sqrt(np.diag(fit.covariance))
        assert np.log(rows["median_low"]).tolist() == pytest.approx((fit.coefficients - half).tolist())
        assert np.log(rows["median_high"]).tolist() == pytest.approx((fit.coefficients + half).tolist())
        apart = np.array([-1.0, 1.0])
        error = np.sqrt(apart @ fit.covariance @ apart) * stats.t.ppf(0.5 + level / 2, 8)
        ends = np.log(rows[["ratio_low", "ratio", "ratio_high"]].iloc[1].to_numpy(float))
        assert ends == pytest.approx(apart @ fit.coefficients + np.array([-error, 0.0, error]))

    def test_gap_model_with_many_clusters_is_the_library_s_sandwich(self) -> None:
        """Every row read twice over in clusters of its own kind: 60 clusters, R's survreg(..., cluster) times 60 / 59."""
        y, cut, design = pastes()
        fit = rates.fit_left_censored(np.maximum(y, 58.0), cut, design, cluster=np.arange(60))
        expected = find_case("strength of pastes, errors by reading").expected["error_cr0"]
        found = np.sqrt(np.diag(fit.covariance) * 59 / 60)
        assert found == pytest.approx(np.array(expected, dtype=float), rel=2e-6)

    def test_priming_jackknife_is_a_step_without_each(self) -> None:
        time, high, women, patient = kidney()
        shown = np.isfinite(high)
        low, high = np.log(np.where(shown, time - 0.5, time)), np.log(np.where(shown, time + 0.5, np.inf))
        design = np.column_stack([np.ones(time.size), women])
        cluster, labels = numerics.factorize(patient)
        fit = interval_fit.fit_interval(low, high, design, cluster, len(labels))

        def log_likelihood(t: np.ndarray, keep: np.ndarray) -> float:
            at, sd = design @ t[:2], np.exp(t[2])
            chance = stats.norm.cdf(high, at, sd) - stats.norm.cdf(low, at, sd)
            return float(np.log(chance[keep]).sum())

        off = step_without(log_likelihood, fit.theta, cluster)
        np.testing.assert_allclose(fit.variance(), 37 / 38 * off.T @ off, rtol=2e-3)
        np.testing.assert_allclose(
            fit.bread,
            -np.linalg.inv(hessian(lambda t: log_likelihood(t, cluster >= 0), fit.theta)),
            rtol=1e-3,
        )

    def test_priming_interval_is_t_on_engines_less_one(self) -> None:
        jobs = pd.DataFrame(
            {
                "engine_id": np.repeat([f"E{i}" for i in range(6)], 2), "engine_type": "flat4", "expected_state": "primes",
                "expected_rotations": 50.0, "rotations_low": [39.0, 44, 52, 47, 61, 58, 40, 45, 50, 55, 66, 49],
            }
        )  # fmt: skip
        jobs["rotations_high"] = jobs["rotations_low"] + 1
        found = priming.estimate_ratio(jobs, level=0.9)
        used = priming.usable_counts(jobs)
        low, high = (used[c] - used["_expected"] for c in ("_low", "_high"))
        cluster = np.repeat(np.arange(6), 2)
        fit = interval_fit.fit_interval(low.to_numpy(), high.to_numpy(), np.ones((12, 1)), cluster, 6)
        half = stats.t.ppf(0.95, 5) * np.sqrt(fit.variance()[0, 0])
        assert np.log([found.low, found.high]) == pytest.approx(
            [fit.theta[0] - half, fit.theta[0] + half], rel=1e-9
        )

    def test_regression_of_times_by_patient_is_a_step_without_each(self) -> None:
        time, high, women, patient = kidney()
        cluster, _ = numerics.factorize(patient)
        fit = waiting_times.fit_aft(time, high, women, distribution="log-normal", cluster=patient)
        design, shown = np.column_stack([np.ones(time.size), women]), np.isfinite(high)

        def log_likelihood(t: np.ndarray, keep: np.ndarray) -> float:
            """In Olsen's coordinates beta / sigma and 1 / sigma, where the steps are taken."""
            z = t[2] * np.log(time) - design @ t[:2]
            each = np.where(shown, stats.norm.logpdf(z) + np.log(t[2]), stats.norm.logsf(z))
            return float(each[keep].sum())

        off = step_without(log_likelihood, np.append(fit.beta, 1.0) / fit.scale, cluster)
        back = (
            np.column_stack([np.eye(2), -fit.beta]) * fit.scale
        )  # of beta; the log of sigma moves against 1 / sigma
        moved = off @ np.vstack([back, [0.0, 0.0, -fit.scale]]).T
        np.testing.assert_allclose(fit.errors.covariance, 37 / 38 * moved.T @ moved, rtol=2e-4)
        # a library's fits without each patient (R 4.2.2, survival 3.5-3, survreg): a step overshoots a fit by a little
        found = np.sqrt(np.diag(fit.errors.covariance))
        assert (found / [0.3894656195, 0.413248138, 0.1016438171]).tolist() == pytest.approx(
            [1, 1, 1], abs=0.06
        )

    def test_regression_of_times_without_covariates_is_the_mean_of_clusters(self) -> None:
        """Fourteen clusters of six exact times: the error of their mean and t on 13 degrees of freedom."""
        rng = np.random.default_rng(4)
        logs = rng.normal(size=(14, 6)) + 0.5 * rng.normal(size=(14, 1))
        time = np.exp(logs).ravel()
        fit = waiting_times.fit_aft(
            time, time, distribution="log-normal", cluster=np.repeat(np.arange(14), 6)
        )
        of_mean = np.array([1.0, 0.0])
        error = logs.mean(axis=1).std(ddof=1) / np.sqrt(14)
        assert fit.errors.variance(of_mean) == pytest.approx(error**2, rel=0.03)
        assert fit.errors.degrees(of_mean) == pytest.approx(13, abs=0.05)
        median = fit.quantile(0.5, unit="s")
        ends = logs.mean() + np.array([-1, 1]) * stats.t.ppf(0.975, 13) * error
        assert np.log([median.low, median.high]) == pytest.approx(ends, abs=0.01)

    @pytest.mark.parametrize("size", [2, 5])
    def test_curve_of_intervals_by_cluster_follows_each_cluster_s_weight(self, size: int) -> None:
        """The curve's slope in each cluster's weight, by differences; the wider of that and the plain error is told."""
        rows = np.array(find_case("breast retraction, radiotherapy").inputs["readings"], dtype=float)
        cluster = np.arange(len(rows)) // size
        groups = int(cluster[-1]) + 1

        def curve(weights: np.ndarray | None = None, ids: np.ndarray | None = None) -> waiting_times.Curve:
            return waiting_times.estimate_curve(rows[:, 0], rows[:, 1], weights=weights, cluster=ids)

        def at(weight: np.ndarray) -> np.ndarray:
            return curve(weight[cluster] / weight[cluster].mean()).survival[:-1]

        units = np.eye(groups) * 1e-4
        slope = np.array([(at(1 + u) - at(1 - u)) / 2e-4 for u in units])
        between = np.sqrt(groups / (groups - 1) * (slope**2).sum(axis=0))
        plain = curve().error[:-1]
        assert (between > plain).any()
        found = curve(None, cluster)
        assert found.error[:-1] == pytest.approx(np.maximum(between, plain), rel=2e-3)
        # log-log limits: the wider of normal times plain and t times between
        level, low = found.survival[:-1], found.low[:-1]
        reach = (np.log(-np.log(low)) - np.log(-np.log(level))) * level * -np.log(level)
        widest = np.maximum(stats.norm.ppf(0.975) * plain, stats.t.ppf(0.975, groups - 1) * between)
        assert (reach >= widest * (1 - 1e-3)).all()  # a curve that only falls keeps limits that only fall
        assert (reach <= widest * (1 + 1e-3)).sum() >= reach.size / 2

    def test_stratified_odds_with_engines_follow_each_engine_s_weight(self) -> None:
        """The slope of the library's pooled log odds ratio in each engine's weight, by differences."""
        rng = np.random.default_rng(8)
        n = 90
        stratum, engine, exposed = rng.integers(0, 3, n), rng.integers(0, 25, n), rng.integers(0, 2, n)
        trials = rng.integers(4, 9, n).astype(float)
        failures = rng.binomial(trials.astype(int), 0.12 + 0.1 * exposed + 0.05 * stratum).astype(float)
        engine, labels = numerics.factorize(engine)
        groups = len(labels)

        def pooled(weight: np.ndarray) -> StratifiedTable:
            w = weight[engine]
            cells = [
                exposed * failures,
                exposed * (trials - failures),
                (1 - exposed) * failures,
                (1 - exposed) * (trials - failures),
            ]
            sums = [np.bincount(stratum, w * cell) for cell in cells]
            return StratifiedTable(np.array(sums).reshape(2, 2, -1))

        even = np.ones(groups)
        slope = gradient(lambda w: float(pooled(w).logodds_pooled), even)
        effect, p = causes.estimate_stratified(
            exposed, failures, trials, stratum=stratum, cluster=engine, n_clusters=groups, level=0.9
        )
        assert effect is not None
        table = pooled(even)
        assert effect.log == pytest.approx(table.logodds_pooled, rel=1e-12)
        assert effect.se**2 == pytest.approx(groups / (groups - 1) * (slope**2).sum(), rel=1e-6)
        share = np.bincount(
            engine,
            trials
            * (exposed - (np.bincount(stratum, trials * exposed) / np.bincount(stratum, trials))[stratum])
            ** 2,
        )
        assert effect.df == pytest.approx(share.sum() ** 2 / (share**2).sum() - 1)
        assert effect.high - effect.low == pytest.approx(2 * stats.t.ppf(0.95, effect.df) * effect.se)
        assert effect.p == pytest.approx(2 * stats.t.sf(abs(effect.log) / effect.se, effect.df))
        inflation = max(effect.se**2 / table.logodds_pooled_se**2, 1)
        tarone = table.test_equal_odds(adjust=True).statistic
        assert p == pytest.approx(stats.chi2.sf(tarone / inflation, 2), rel=1e-9)


class TestIntervals:
    @pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
    def test_gauge_without_reference_is_near_the_interval_of_its_pivots(self, level: float) -> None:
        """Each mean square over its expectation is chi-square over its degrees of freedom: their simulated sum."""
        values = find_case("thermal impedance, analysis of variance").inputs["values"]
        found = gauge.analyse_study(study_frame(values), limit=None, level=level).u
        (mt, mi, me), (dt, di, de) = (19.6333, 2.6951, 0.5111), (2, 18, 60)
        rng = np.random.default_rng(1)
        pivot = [m * d / rng.chisquare(d, 200_000) for m, d in ((mt, dt), (mi, di), (me, de))]
        total = np.array([1 / 30, 1 / 3 - 1 / 30, 2 / 3]) @ np.array(pivot)
        low, high = np.sqrt(np.quantile(total, [0.5 - level / 2, 0.5 + level / 2]))
        assert found.estimate**2 == pytest.approx(mt / 30 + mi * (1 / 3 - 1 / 30) + me * 2 / 3, rel=1e-4)
        assert found.low == pytest.approx(low, rel=0.05)
        assert found.high == pytest.approx(high, rel=0.1)

    @pytest.mark.parametrize("level", [0.8, 0.9, 0.95, 0.99])
    def test_limits_of_sen_s_slope_are_where_the_rank_test_turns(self, level: float) -> None:
        """A slope just inside the limits leaves a score that is not too far from 0 by the normal test, one outside does."""
        values = np.array(find_case("Great Lakes precipitation").inputs["values"]) + 1e-3 * np.sin(
            np.arange(87) ** 2
        )
        slope = trends.test_drift(values, level=level).slope
        assert slope.low is not None and slope.high is not None
        t = np.arange(87.0)
        i, j = np.triu_indices(87, 1)
        furthest = stats.norm.ppf(0.5 + level / 2) * np.sqrt(87 * 86 * (2 * 87 + 5) / 18)

        def score(b: float) -> float:
            rest = values - b * t
            return float(np.sign(rest[j] - rest[i]).sum())

        every = np.sort((values[j] - values[i]) / (t[j] - t[i]))
        apart = float(np.diff(every[np.abs(every - slope.low) < 0.01]).max())
        for end, outside in ((slope.low, -1), (slope.high, 1)):
            assert abs(score(end + 2 * outside * apart)) >= furthest - 2
            assert abs(score(end - 2 * outside * apart)) <= furthest + 2
        # scipy rounds the ranks: within one slope of its limits
        library = stats.theilslopes(values, t, alpha=level)
        places = np.searchsorted(every, [slope.low, library.low_slope, slope.high, library.high_slope])
        assert abs(places[0] - places[1]) <= 1 and abs(places[2] - places[3]) <= 2


class TestPermutations:
    def test_positions_against_every_dealing(self) -> None:
        """Three engines of four positions: 4 x 6 x 4 dealings, all counted; the statistic is k / (k - 1) times Cochran's Q."""
        failed = np.array([[1, 0, 0, 0], [1, 1, 0, 0], [1, 1, 0, 1]])
        dealings = [sorted(set(itertools.permutations(row))) for row in failed.tolist()]

        def cochran(rows: np.ndarray) -> float:
            columns, within = rows.sum(axis=0), rows.sum(axis=1)
            k = rows.shape[1]
            return k * (k - 1) * ((columns - columns.mean()) ** 2).sum() / (within * (k - within)).sum()

        every = np.array([cochran(np.array(rows)) for rows in itertools.product(*dealings)])
        exact = float((every >= cochran(failed) - 1e-9).mean())
        draws = 40_000
        found = rates.test_positions(
            failed.ravel() == 1, np.repeat([1, 2, 3], 4), np.tile([1, 2, 3, 4], 3), draws=draws
        )
        assert found.statistic == pytest.approx(4 / 3 * cochran(failed))
        assert found.p == pytest.approx(exact, abs=4 * np.sqrt(exact / draws))

    def test_positions_checked_more_often_against_every_dealing(self) -> None:
        """Two engines of three positions, some checked more often: failures less the engine's share of its checks are dealt, 6 x 6."""
        checks, failed = np.array([[3, 1, 1], [1, 1, 2]]), np.array([[1, 0, 0], [0, 1, 1]])
        values = failed - checks * (failed.sum(axis=1) / checks.sum(axis=1))[:, None]

        def uneven(rows: np.ndarray) -> float:
            return float((rows.sum(axis=0) ** 2).sum() / (values**2).mean(axis=1).sum())

        dealings = [list(itertools.permutations(row)) for row in values]
        every = np.array([uneven(np.array(rows)) for rows in itertools.product(*dealings)])
        exact = float((every >= uneven(values) - 1e-9).mean())
        rows = [
            (engine, position, k < failed[engine, position])
            for engine in range(2)
            for position in range(3)
            for k in range(checks[engine, position])
        ]
        engine, position, over = (np.array(column) for column in zip(*rows, strict=True))
        found = rates.test_positions(over, engine, position, draws=40_000)
        assert found.statistic == pytest.approx(uneven(values))
        assert found.p == pytest.approx(exact, abs=4 * np.sqrt(exact / 40_000))

    def test_no_dealing_as_uneven_still_leaves_a_chance(self) -> None:
        """The found order counts among the dealings (Phipson & Smyth 2010): never 0."""
        position = np.tile([1, 2, 3, 4], 12)
        found = rates.test_positions(
            position == 3, np.repeat(np.arange(12), 4), position, feed_rank=position / 4, draws=99
        )
        assert (found.p, found.feed_p) == (0.01, pytest.approx(found.feed_p))

    def test_feed_order_against_every_dealing(self) -> None:
        """How much later in the feed failing lifters sit than their engine's mean, a failure; two-sided."""
        failed = np.array([[0, 0, 0, 1], [0, 1, 0, 1], [0, 0, 1, 1], [0, 0, 1, 0]])
        rank = np.array([0.0, 0.2, 0.6, 1.0])

        def later(rows: np.ndarray) -> float:
            return float((rows * (rank - rank.mean())).sum() / rows.sum())

        dealings = [sorted(set(itertools.permutations(row))) for row in failed.tolist()]
        every = np.array([later(np.array(rows)) for rows in itertools.product(*dealings)])
        exact = float((np.abs(every) >= abs(later(failed)) - 1e-12).mean())
        draws = 40_000
        found = rates.test_positions(
            failed.ravel() == 1,
            np.repeat([1, 2, 3, 4], 4),
            np.tile([1, 2, 3, 4], 4),
            feed_rank=np.tile(rank, 4),
            draws=draws,
        )
        assert found.feed_slope == pytest.approx(later(failed))
        assert found.feed_p == pytest.approx(exact, abs=4 * np.sqrt(exact / draws))

    def test_what_failing_ventings_share_against_every_shuffle(self) -> None:
        """Nine ventings, three failing: 84 ways to fail, the smallest of Fisher's p over two columns in each."""
        frame = pd.DataFrame(
            {"lot": list("aaaabbbbb"), "site": list("xyxyxyxyx"), "failed": [True, True, True] + [False] * 6}
        )
        draws = 20_000
        found = trends.compare_failing(frame, failed="failed", columns=["lot", "site"], fewest=2, draws=draws)

        def smallest(bad: set[int]) -> float:
            p = []
            for column, level in (("lot", "a"), ("lot", "b"), ("site", "x"), ("site", "y")):
                has = (frame[column] == level).to_numpy()
                hits = sum(has[i] for i in bad)
                table = [[hits, has.sum() - hits], [3 - hits, 6 - has.sum() + hits]]
                p.append(stats.fisher_exact(table, alternative="greater").pvalue)
            return min(p)

        every = np.array([smallest(set(bad)) for bad in itertools.combinations(range(9), 3)])
        for row in found.itertuples():
            exact = float((every <= row.p * (1 + 1e-9)).mean())
            assert row.p_any == pytest.approx(exact, abs=4 * np.sqrt(exact / draws))
        assert found["p"].iloc[0] == pytest.approx(4 / 84)

    def test_chance_of_a_step_against_every_series(self) -> None:
        """Seven events over three periods with expectations 1, 2, 3: all 36 series by their multinomial chance."""
        expected = np.array([1.0, 2.0, 3.0])
        observed = np.array([4, 1, 2])
        statistic = trends.find_change_in_counts(observed, expected).statistic
        exact = 0.0
        for a, b in itertools.product(range(8), range(8)):
            if a + b <= 7:
                series = np.array([a, b, 7 - a - b])
                if trends.find_change_in_counts(series, expected).statistic >= statistic - 1e-9:
                    exact += float(stats.multinomial.pmf(series, 7, expected / 6))
        draws = 40_000
        found = trends.chance_of_change(observed, expected, statistic, draws=draws)
        assert found == pytest.approx(exact, abs=4 * np.sqrt(exact / draws))
