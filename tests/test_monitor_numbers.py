"""The monitor's pieces on small fleets: the regression against a general minimiser, allowances and sums by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, optimize, special, stats
from tests.test_monitor import draw_fleet, slow_design, slow_evidence, slow_fit

from ventbook.statistics import monitor
from ventbook.statistics.monitor import expect, watch

SETTINGS = monitor.load_settings()
HIGH = monitor.Settings(**{**vars(SETTINGS), "alarm": 1e12})


def test_the_regression_is_the_maximum_that_a_general_minimiser_finds() -> None:
    """scipy.optimize on zeros and ones of all terms, one row a venting; covariance as that of the middle venting."""
    fleet = draw_fleet(ventings=120)
    design = expect.make_design(fleet, "failing", SETTINGS.expected)
    size = len(design.columns)
    n = np.bincount(design.pattern, minlength=size).astype(float)
    failed = np.bincount(design.pattern, weights=fleet["failing"], minlength=size).astype(float)
    fit = expect.fit_ridge(design, n, failed)
    x, sd = slow_design(fleet, "failing")
    mean = np.zeros(len(sd))
    mean[0] = SETTINGS.expected.intercept_mean
    beta, covariance, _ = slow_fit(x, fleet["failing"].to_numpy(float), mean, sd)
    columns = design.columns[design.pattern]
    np.testing.assert_allclose(fit.beta[columns].sum(axis=1), x @ beta, atol=1e-5)
    shares = np.bincount(columns.ravel(), minlength=design.size + 1)[:-1] / len(fleet)
    assert shares @ fit.covariance @ shares == pytest.approx(
        x.mean(axis=0) @ covariance @ x.mean(axis=0), rel=1e-4
    )
    assert fit.n == 120


def test_with_no_record_the_regression_is_its_prior() -> None:
    fleet = draw_fleet(ventings=30)
    design = expect.make_design(fleet, "failing", SETTINGS.expected)
    nothing = np.zeros(len(design.columns))
    fit = expect.fit_ridge(design, nothing, nothing)
    assert fit.beta[0] == SETTINGS.expected.intercept_mean and not fit.beta[1:].any()
    # variances in the order of the terms: intercept, two sites, ...
    assert np.diag(fit.covariance)[:3].tolist() == pytest.approx([9.0, 0.25, 0.25])


def test_last_time_is_that_of_the_same_engine() -> None:
    engine = pd.Series(["a", "b", "a", None, "a", "b"])
    failed = np.array([True, False, False, True, True, True])
    assert expect.last_time(engine, failed).tolist() == [-1, -1, 1, -1, 0, 0]


@pytest.mark.parametrize(("name", "level"), [("lot", "L2"), ("gauge", "N1"), ("site", "North")])
def test_evidence_of_a_small_fleet_is_that_of_the_slow_way(name: str, level: str) -> None:
    fleet = draw_fleet(ventings=70, seed=5)
    rule = next(rule for rule in SETTINGS.rules if rule.name == name)
    watched = monitor.monitor_streams(fleet, settings=HIGH)
    slow = slow_evidence(fleet, "failing", rule, level)
    fast = {}
    for _, row in watched.streams.query(
        "stream == @name and level == @level and kind == 'failing'"
    ).iterrows():
        trace = monitor.trace_stream(watched, row)
        fast |= {(row["year"], i): e for i, e in zip(trace["row"], trace["evidence"], strict=True)}
    assert set(fast) == set(slow)
    assert [fast[k] for k in sorted(fast)] == pytest.approx([slow[k] for k in sorted(slow)], rel=1e-5)


def test_sums_run_from_each_quarter_to_the_last() -> None:
    values = np.array([1.0, 2, 3, 4, 10, 20, 30, 40])
    assert watch._add_later(values, 2).tolist() == [10, 9, 7, 4, 100, 90, 70, 40]


def make_years(lots: list[tuple[str, str]]) -> pd.DataFrame:
    """One venting a lot and day, none failing, one site and gauge, every engine once."""
    n = len(lots)
    return pd.DataFrame(
        {
            "venting_id": [f"V{i:03}" for i in range(n)],
            "engine_id": [f"E{i}" for i in range(n)],
            "date": pd.to_datetime([day for _, day in lots]),
            "lifter_lot": [lot for lot, _ in lots],
            "site": "North",
            "gauge": "G1",
            "engine_type": "six",
            "procedure_revision": "A",
            "reason": "other",
            "lines_empty": False,
            "cooler_empty": False,
            "filter_new": False,
            "failing": False,
            "leak_down": False,
        }
    )


def test_a_years_allowance_is_shared_by_what_the_year_before_lets_expect() -> None:
    """Lots: .6 of all, halved between two kinds, over 1.3 x 6 + 2 in the first year, then over 1.3 times those that came in
    the year before, plus 2: two of 2025 make 4.6 places, so the fifth new lot of 2026 has no share. 2027 expects those five.
    """
    lots = [("A", "2024-12-30"), ("B", "2025-02-01"), ("A", "2025-03-01"), ("C", "2025-11-01")]
    lots += [(name, f"2026-0{i + 1}-10") for i, name in enumerate("DEFGH")]
    lots += [("I", "2027-01-05")]
    streams = monitor.monitor_streams(make_years(lots)).streams
    mine = streams[(streams["stream"] == "lot") & (streams["kind"] == "failing")].set_index("level")["weight"]
    first, second = 0.6 / 2 / (1.3 * 6 + 2), 0.6 / 2 / (1.3 * 2 + 2)
    third = 0.6 / 2 / (1.3 * 5 + 2)
    assert mine["A"] == pytest.approx(first)
    # of 2024 there was the one lot: 1.3 + 2 places in 2025
    assert mine[["B", "C"]].tolist() == pytest.approx([0.6 / 2 / 3.3] * 2)
    assert mine[list("DEFGH")].tolist() == pytest.approx([second] * 4 + [0.0])
    assert mine["I"] == pytest.approx(third)
    sites = streams[(streams["stream"] == "site") & (streams["kind"] == "leak_down")].set_index("year")[
        "weight"
    ]
    assert sites.tolist() == pytest.approx([0.2 / 2 / 5, *[0.2 / 2 / 2] * 3])


def test_what_alarmed_is_no_longer_what_others_are_held_against() -> None:
    """From the month after the alarm on, expectations are those of a fleet that never had the lot; every engine once."""
    rng = np.random.default_rng(2)
    fleet = draw_fleet(ventings=240, seed=8).assign(engine_id=[f"E{i}" for i in range(240)])
    bad = (fleet["lifter_lot"] == "L2").fillna(False).to_numpy(bool)
    fleet["failing"] = np.where(bad, rng.random(240) < 0.75, rng.random(240) < 0.1)
    fleet["leak_down"] = False
    whole = monitor.monitor_streams(fleet)
    alarmed = whole.streams[whole.streams["alarmed"] >= 0]
    assert set(alarmed["level"]) == {"L2"}
    never = fleet[~bad].reset_index(drop=True)
    month = fleet["date"].dt.to_period("M")
    after = month > month[alarmed["alarmed"].min()]

    def expected(watched: monitor.Monitor, stream: str) -> dict[tuple[str, int], float]:
        trail = watched.trails[stream, "failing"]
        names = watched.outcomes["venting_id"].to_numpy()[trail.row]
        return dict(zip(zip(names, trail.process, strict=True), trail.log_odds, strict=True))

    late = set(fleet.loc[after & ~bad, "venting_id"])
    assert len(late) > 20
    for stream in ("site", "engine type"):
        ours, theirs = (
            expected(whole, stream),
            expected(monitor.monitor_streams(never, settings=HIGH), stream),
        )
        told = {key: value for key, value in ours.items() if key[0] in late}
        assert told and told == pytest.approx({key: theirs[key] for key in told}, abs=1e-6)


def test_size_of_a_stream_by_integrals_where_its_expectation_is_uncertain() -> None:
    """The stream's log odds and the expectation's error are both normal: mean of the one given both, and the smallest stream
    that 1 in 20 of the evidence does not rule out (scipy.integrate.quad, scipy.optimize).
    """
    y, eta = np.array([True] * 7 + [False] * 8), np.linspace(-2.2, -1.0, 15)
    variance, odds_ratio, sd = 0.3, 6.0, 0.6

    def likelihood(t: float) -> float:
        p = special.expit(eta + t)
        return float(np.prod(np.where(y, p, 1 - p)))

    def mean_under(middle: float, spread: float, power: int = 0) -> float:
        return integrate.quad(
            lambda t: t**power * likelihood(t) * stats.norm.pdf(t, middle, np.sqrt(spread)), -4.0, 6.0
        )[0]

    both = mean_under(0.0, 1.0 + variance, 1) / mean_under(0.0, 1.0 + variance)
    bad = mean_under(np.log(odds_ratio), sd**2 + variance)
    least = optimize.brentq(lambda b: 20 * mean_under(b, variance) - bad, -2.0, 2.0)
    shrunken, at_least = monitor.size_stream(y, eta, variance=variance, odds_ratio=odds_ratio, sd=sd)
    assert np.log(shrunken) == pytest.approx(both / (1 + variance), abs=1e-4)
    assert 0.0 <= np.log(at_least) - least < 0.03  # the next point of a grid of .025


def test_size_of_a_long_stream_is_that_of_its_ventings_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    eta = rng.normal(-2.4, 0.5, 6000)
    y = rng.random(6000) < 1 / (1 + np.exp(-eta - 0.3))
    asked = {"variance": 0.02, "odds_ratio": 2.0, "sd": 0.6}
    whole = monitor.size_stream(y, eta, **asked)
    monkeypatch.setattr("ventbook.statistics.monitor.evidence.LOOKED_AT", 5000)
    assert monitor.size_stream(y, eta, **asked) == pytest.approx(whole, rel=1e-7)
