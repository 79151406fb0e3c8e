"""The monitor between the reviews: its evidence against published identities, its fleet against a slow reimplementation."""

import itertools

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, special, stats

import ventbook
from ventbook.statistics import monitor
from ventbook.statistics.monitor.evidence import spread_weights

SETTINGS = monitor.load_settings()


def beta_weights(grid: np.ndarray, p: float, a: float, b: float) -> np.ndarray:
    """A beta distribution of the failing share, on a grid of log odds ratios against ``p``."""
    share = special.expit(special.logit(p) + grid)
    return np.exp(stats.beta.logpdf(share, a, b) + np.log(share) + np.log1p(-share))


def run_evidence(failures: int, n: int, p: float, grid: np.ndarray, weights: np.ndarray) -> float:
    """Evidence after ``n`` ventings; only the number of failing ones matters."""
    found = monitor.mixture_evidence(
        np.arange(n) < failures, np.full(n, special.logit(p)), grid=grid, bad=weights, innocent=grid == 0
    )
    return float(found[-1])


def test_evidence_of_an_even_mixture_is_that_of_robbins():
    """1 / ((n + 1) b(s; n, p)): Robbins 1970, Ann. Math. Stat. 41:1397 (from memory)."""
    grid = np.round(np.arange(-14, 14.001, 0.01), 9)
    weights = beta_weights(grid, 0.15, 1, 1)
    for n, s in ((1, 1), (10, 4), (40, 3), (200, 55)):
        expected = 1 / ((n + 1) * stats.binom.pmf(s, n, 0.15))
        assert run_evidence(s, n, 0.15, grid, weights) == pytest.approx(expected, rel=2e-4)


def test_an_innocent_stream_ever_passes_twenty_as_often_as_the_exact_recursion_says():
    """2.8 % at a share of .15 over 2000 ventings, under the promise of 5 %: exact recursion over the number failing."""
    p, n_most = 0.15, 2000
    alive, ever = np.array([1.0]), 0.0
    for n in range(1, n_most + 1):
        alive = np.append(alive * (1 - p), 0.0) + np.append(0.0, alive * p)
        over = SETTINGS.alarm * (n + 1) * stats.binom.pmf(np.arange(n + 1), n, p) <= 1
        ever += alive[over].sum()
        alive[over] = 0.0
    assert round(100 * ever, 1) == 2.8


@pytest.mark.parametrize(("one_sided", "log_evidence"), [(False, -0.6941012), (True, -0.07134019)])
def test_evidence_of_a_beta_mixture_is_that_of_a_published_library(one_sided, log_evidence):
    """Unit-test values of the package confseq: beta_binomial_log_mixture(10, 100, 100, .2, .8, .05), two- and one-sided.

    There failing ventings step +.8 and sound ones -.2, so the variance 100 = .16 n is 625 ventings and the sum 10 is 135
    failing ones against 125; the mixture's size is set at variance 100 for a chance of .05 (.10 one-sided).
    """
    g, h, n, failing = 0.2, 0.8, 625, 135
    alpha = 0.05 * (2 if one_sided else 1)
    rho = 100 / (2 * np.log(1 / alpha) + np.log1p(2 * np.log(1 / alpha)))
    size = rho - g * h
    grid = np.round(np.arange(-6, 6.0005, 0.001), 9)
    weights = beta_weights(grid, g / (g + h), size / (h * (g + h)), size / (g * (g + h)))
    if one_sided:
        weights *= np.where(grid > 0, 1.0, np.where(grid == 0, 0.5, 0.0))
    assert np.log(run_evidence(failing, n, g / (g + h), grid, weights)) == pytest.approx(
        log_evidence, abs=1e-5
    )


def test_evidence_averages_one_where_the_stream_is_innocent():
    """Whatever the shares: summed over all outcomes, weighted with their probability under ``innocent``, it is 1."""
    grid = SETTINGS.grid
    eta = np.array([-2.5, -1.0, -1.8, 0.3, -3.0, -0.4])
    w0, w1 = spread_weights(grid, mean=0, variance=0.4), spread_weights(grid, mean=np.log(6), variance=0.76)
    share = special.expit(eta[:, None] + grid)
    means = np.zeros(len(eta))
    for y in itertools.product([False, True], repeat=len(eta)):
        each = np.where(np.array(y)[:, None], share, 1 - share)
        probability = each.prod(axis=0) @ w0
        means += probability * monitor.mixture_evidence(y, eta, grid=grid, bad=w1, innocent=w0)
    assert means == pytest.approx(np.ones(len(eta)), abs=1e-9)


def test_at_least_is_where_the_evidence_speaks_against_by_twenty():
    y, eta = np.array([True] * 9 + [False] * 6), np.linspace(-2.5, -1, 15)
    _, low = monitor.size_stream(y, eta, variance=0.0, odds_ratio=6, sd=0.6)
    grid = np.linspace(-4, 6, 401)
    bad = spread_weights(grid, mean=np.log(6), variance=0.36)
    at = np.abs(grid - np.log(low)) < 0.013
    against = [
        monitor.mixture_evidence(y, eta, grid=grid, bad=bad, innocent=grid == b)[-1]
        for b in grid[at | np.roll(at, -1)]
    ]
    assert against[0] >= 20 > against[-1]


# -- a fleet, watched slowly -----------------------------------------------------------------------------------------------


def draw_fleet(ventings: int = 260, seed: int = 3) -> pd.DataFrame:
    """Fifteen months of outcomes at two sites; lot L2 is bad."""
    rng = np.random.default_rng(seed)
    day = np.sort(rng.integers(0, 456, ventings))
    site = rng.choice(["North", "South"], ventings, p=[0.7, 0.3])
    lot = np.where(
        day < 100, "L1", np.where(rng.random(ventings) < 0.5, "L2", rng.choice(["L1", "L3"], ventings))
    )
    failing = rng.random(ventings) < np.where(lot == "L2", 0.5, 0.12)
    return pd.DataFrame(
        {
            "venting_id": [f"V{i:03}" for i in range(ventings)],
            "engine_id": [f"E{e}" for e in rng.integers(0, 110, ventings)],
            "date": pd.Timestamp("2024-09-10") + pd.to_timedelta(day, "D"),
            "lifter_lot": np.where(rng.random(ventings) < 0.05, None, lot),
            "site": site,
            "gauge": np.where(site == "North", rng.choice(["N1", "N2"], ventings), "S1"),
            "engine_type": rng.choice(["flat4", "flat6"], ventings),
            "procedure_revision": np.where(day < 60, "A", "B"),
            "reason": rng.choice(["oil_change", "new_engine", "other"], ventings),
            "lines_empty": pd.array(rng.choice([True, False, None], ventings), dtype="boolean"),
            "cooler_empty": pd.array(rng.choice([True, False], ventings), dtype="boolean"),
            "filter_new": pd.array(rng.choice([True, False], ventings), dtype="boolean"),
            "failing": failing,
            "leak_down": failing & (rng.random(ventings) < 0.3),
        }
    )


def slow_fit(x, y, mean, sd):
    """Ridge logistic regression by a general minimiser, and the inverse of its penalised information."""

    def loss(beta):
        eta = x @ beta
        return np.logaddexp(0, eta).sum() - y @ eta + 0.5 * np.sum(((beta - mean) / sd) ** 2)

    def slope(beta):
        return x.T @ (special.expit(x @ beta) - y) + (beta - mean) / sd**2

    beta = optimize.minimize(loss, mean, jac=slope, method="BFGS", options={"gtol": 1e-9}).x
    share = special.expit(x @ beta)
    return beta, np.linalg.inv((x.T * (share * (1 - share))) @ x + np.diag(1 / sd**2)), share


def slow_design(fleet, kind):
    """Zeros and ones of all terms, straight from the words of the method."""
    prior = SETTINGS.expected
    columns, sds = [np.ones(len(fleet))], [prior.intercept_sd]
    terms = {"site": prior.site_sd, "engine_type": prior.engine_type_sd}
    terms |= dict.fromkeys(("reason", "lines_empty", "cooler_empty", "filter_new"), prior.mix_sd)
    for name, sd in terms.items():
        values = fleet[name].astype("object").where(fleet[name].notna(), "not recorded")
        for level in values.unique():
            columns.append((values == level).to_numpy(float))
            sds.append(sd)
    before = {}
    last = []
    for engine, failed in zip(fleet["engine_id"], fleet[kind], strict=True):
        last.append(before.get(engine))
        before[engine] = failed
    for answer in (True, False):
        columns.append(np.array([seen is not None and bool(seen) == answer for seen in last], float))
        sds.append(prior.last_time_sd)
    return np.column_stack(columns), np.array(sds)


def slow_evidence(fleet, kind, rule, level):
    """Evidence of one stream after each of its ventings: {(year, venting): evidence}, with nothing left out for alarms."""
    x, sd = slow_design(fleet, kind)
    mean = np.zeros(len(sd))
    mean[0] = SETTINGS.expected.intercept_mean
    y = fleet[kind].to_numpy(float)
    own = (fleet[rule.column] == level).fillna(False).to_numpy(bool)
    month, quarter = fleet["date"].dt.to_period("M"), fleet["date"].dt.to_period("Q")
    starts = [None] if rule.starts == "first" else sorted(quarter[own].unique())
    grid, found, parts = SETTINGS.grid, {}, {}
    for start in starts:
        since = own if start is None else own & (quarter >= start).to_numpy()
        running = since if start is None else since & (quarter <= start + 3).to_numpy()
        total, w0, w1 = np.zeros(len(grid)), None, None
        for now in month[running].unique():
            past, here = (month < now).to_numpy(), running & (month == now).to_numpy()
            beta, cover, share = slow_fit(x[past], y[past], mean, sd)
            out = past & since
            if w0 is None:
                middle = x[here].mean(axis=0)
                v = middle @ cover @ middle
                w0 = stats.norm.pdf(grid, 0, np.sqrt(v))
                w1 = stats.norm.pdf(grid, np.log(rule.odds_ratio), np.sqrt(rule.sd**2 + v))
                w0, w1 = w0 / w0.sum(), w1 / w1.sum()
            if 2 * out.sum() > past.sum():
                beta = slow_fit(x[past & ~out], y[past & ~out], mean, sd)[0]
            elif out.any():
                score = x[out].T @ (y[out] - share[out[past]])
                beta = beta - cover @ score * past.sum() / (past.sum() - out.sum())
            for i in np.flatnonzero(here):
                eta = x[i] @ beta + grid
                total = total + y[i] * eta - np.logaddexp(0, eta)
                parts[start, i] = np.exp(total) @ w1 / (np.exp(total) @ w0)
    for year in sorted({fleet["date"].dt.year[own].min()} if starts == [None] else {s.year for s in starts}):
        mine = [s for s in starts if s is None or s.year == year]
        seen = dict.fromkeys(mine, 1.0)
        for i in np.flatnonzero(own):
            if any((s, i) in parts for s in mine):
                seen |= {s: parts[s, i] for s in mine if (s, i) in parts}
                missing = 0 if mine == [None] else 4 - len(mine)
                found[year, i] = (sum(seen.values()) + missing) / (len(seen) + missing)
    return found


@pytest.mark.parametrize("kind", monitor.KINDS)
def test_the_fast_way_is_the_slow_way(kind, monkeypatch):
    fleet = draw_fleet()
    high = monitor.Settings(**{**vars(SETTINGS), "alarm": 1e12})
    watched = monitor.monitor_streams(fleet, settings=high)
    rules = {rule.name: rule for rule in SETTINGS.rules}
    for name, level in (("lot", "L2"), ("site", "North"), ("revision", "B")):
        slow = slow_evidence(fleet, kind, rules[name], level)
        rows = watched.streams.query("stream == @name and level == @level and kind == @kind")
        fast = {}
        for _, row in rows.iterrows():
            trace = monitor.trace_stream(watched, row)
            fast |= {(row["year"], i): e for i, e in zip(trace["row"], trace["evidence"], strict=True)}
        assert set(fast) == set(slow)
        assert [fast[k] for k in sorted(fast)] == pytest.approx([slow[k] for k in sorted(slow)], rel=1e-5)


def test_what_comes_later_changes_nothing_before():
    fleet = draw_fleet()
    until = int((fleet["date"] < "2025-08-01").sum())
    whole, part = (monitor.monitor_streams(f) for f in (fleet, fleet.iloc[:until]))
    for _, row in part.streams.iterrows():
        then = monitor.trace_stream(part, row)
        same = whole.streams[
            (
                whole.streams[["stream", "level", "year", "kind"]] == row[["stream", "level", "year", "kind"]]
            ).all(axis=1)
        ]
        now = monitor.trace_stream(whole, same.iloc[0])
        assert then["evidence"].tolist() == pytest.approx(now["evidence"].tolist()[: len(then)], rel=1e-9)


def test_the_bad_lot_is_noted_then_alarms_and_tells_about_its_ventings():
    watched = monitor.monitor_streams(draw_fleet(ventings=400))
    streams = watched.streams
    alarmed = streams[streams["alarmed"] >= 0]
    assert set(zip(alarmed["stream"], alarmed["level"], strict=True)) == {("lot", "L2")}
    lot = alarmed.iloc[0]
    assert 0 <= lot["noted"] <= lot["alarmed"]
    others = watched.trails["site", "failing"]
    fleet = watched.outcomes
    month = fleet["date"].dt.to_period("M")
    later = set(np.flatnonzero((fleet["lifter_lot"] == "L2") & (month > month[lot["alarmed"]])))
    assert later and not later & set(others.row)


def test_shares_of_a_years_streams_are_never_more_than_all():
    rng = np.random.default_rng(1)
    fleet = draw_fleet(400).assign(lifter_lot=[f"L{i}" for i in rng.integers(0, 90, 400)])
    streams = monitor.monitor_streams(fleet).streams
    assert streams.groupby("year")["weight"].sum().max() <= 1 + 1e-9
    beyond = streams[(streams["stream"] == "lot") & (streams["weight"] == 0)]
    assert len(beyond) and (beyond["alarmed"] < 0).all()


def test_an_open_job_counts_as_passed_and_a_closed_one_without_result_is_left_out():
    ventings = pd.DataFrame(
        {
            "venting_id": ["a", "b", "c", "d"],
            "engine_id": list("1234"),
            "date": pd.to_datetime(["2026-01-02", "2026-01-01", "2026-01-03", "2026-01-04"]),
            "failed_first": pd.array([True, None, None, False], dtype="boolean"),
            "open": pd.array([False, True, False, None], dtype="boolean"),
        }
    )
    lifters = pd.DataFrame(
        {
            "venting_id": ["a", "a", "d"],
            "over_first": pd.array([True, False, False], dtype="boolean"),
            "cause": ["leak_down", "", ""],
            "gauge": ["G1", "G1", "G2"],
        }
    )
    outcomes = monitor.list_outcomes(ventings, lifters)
    assert outcomes["venting_id"].tolist() == ["b", "a", "d"]
    assert outcomes["failing"].tolist() == [False, True, False]
    assert outcomes["leak_down"].tolist() == [False, True, False]
    assert outcomes["gauge"].tolist()[1:] == ["G1", "G2"]


def test_no_record_is_no_alarm():
    empty = draw_fleet(20).iloc[:0]
    watched = monitor.monitor_streams(empty)
    assert watched.streams.empty


def test_the_demos_bad_lot_is_noted_by_its_eighth_venting(demo_store):
    lifters = ventbook.read_lifters(demo_store, columns=monitor.LIFTER_COLUMNS)
    watched = monitor.monitor_streams(monitor.list_outcomes(ventbook.read_ventings(demo_store), lifters))
    lot = watched.streams.query("level == 'LL-2505' and kind == 'failing'").iloc[0]
    trace = monitor.trace_stream(watched, lot)
    assert 1 <= int((trace["row"] <= lot["noted"]).sum()) <= 8
    assert lot["alarmed"] >= lot["noted"]
