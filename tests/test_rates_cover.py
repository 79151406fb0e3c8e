"""How often the share interval holds the truth: a small simulation here, the whole grid in the committed table."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from ventbook.statistics import rates

TABLES = Path(__file__).resolve().parents[1] / "calibrate" / "tables"
BAR = 0.93


def draw_fleet(rng, ventings, rate, correlation):
    """Failures and lifters by engine, engines vented 1.6 times on average, beta-binomial."""
    engines = max(2, round(ventings / 1.6))
    times = 1 + rng.multinomial(ventings - engines, np.full(engines, 1 / engines))
    n = times * np.where(rng.random(engines) < 0.6, 8, 12)
    s = (1 - correlation) / correlation
    return rng.binomial(n, rng.beta(rate * s, (1 - rate) * s, engines)).astype(float), n.astype(float)


@pytest.mark.parametrize(
    "ventings, rate, correlation", [(16, 0.15, 0.4), (40, 0.03, 0.2), (100, 0.01, 0.4), (100, 0.07, 0.2)]
)
def test_interval_covers_where_the_naive_one_does_not(ventings, rate, correlation):
    rng = np.random.default_rng(7)
    fleets = 250
    held = naive = 0
    for _ in range(fleets):
        x, n = draw_fleet(rng, ventings, rate, correlation)
        low, high = rates.clustered_interval(x, n)
        held += low <= rate <= high
        low, high = rates.binomial_interval(x.sum(), n.sum())
        naive += low <= rate <= high
    error = np.sqrt(BAR * (1 - BAR) / fleets)
    assert held / fleets >= BAR - 2 * error
    assert naive / fleets < 0.85


@pytest.fixture(scope="module")
def table():
    return pd.read_csv(TABLES / "rates.csv")


@pytest.mark.parametrize("quantity", ["lifter_share", "venting_share"])
@pytest.mark.parametrize("spread", ["beta", "logit_normal"])
def test_no_cell_of_the_grid_falls_short(table, quantity, spread):
    used = table[(table["method"] == "used") & (table["quantity"] == quantity) & (table["spread"] == spread)]
    assert len(used) >= 100
    assert used["fleets"].min() >= 4000
    # under the bar by more than Monte Carlo error (two standard errors of one cell)
    short = used[used["cover"] < BAR - 2 * used["cover_error"]]
    assert short.empty, short[["ventings", "rate", "correlation", "cover"]].to_string()


def test_grid_spans_what_workshops_have(table):
    assert table["rate"].min() <= 0.003
    assert table["rate"].max() >= 0.15
    assert (table["ventings"].min(), table["ventings"].max()) == (8, 400)
    assert set(table["correlation"]) >= {0.0, 0.4}


def test_interval_is_no_wider_than_it_must_be(table):
    lifters = table[(table["quantity"] == "lifter_share") & (table["spread"] == "beta")]
    width = lifters.groupby("method")["width"].apply(lambda w: np.exp(np.log(w).mean()))
    holds = lifters.groupby("method").apply(
        lambda t: bool((t["cover"] >= BAR - 2 * t["cover_error"]).all()), include_groups=False
    )
    narrowest = width[holds].min()
    assert holds["used"]
    assert width["used"] <= 1.3 * narrowest


def test_position_test_is_not_too_eager():
    table = pd.read_csv(TABLES / "rates_positions.csv")
    assert table["position_alarms"].mean() <= 0.06
    assert (table["position_alarms"] <= 0.06 + 2 * table["error"]).all()
    assert (table["feed_alarms"] <= 0.06 + 2 * table["error"]).all()
