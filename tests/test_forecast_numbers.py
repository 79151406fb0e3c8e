"""What is said of ventings to come, held against sums, integrals and quantiles worked out beside it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import special, stats

from ventbook.physics.priming.ratio import RatioScale
from ventbook.statistics import causes, forecast
from ventbook.statistics.forecast import chances, counts, rolling

# --- chances --------------------------------------------------------------------------------------------------------------


def integrate_shift(quarters: list[tuple[float, int, int]]) -> tuple[float, float]:
    """Mean and standard deviation of the next quarter's shift: a quarter's log odds lie off by a normal draw, its middle
    normal (0, .4), its spread half-normal (.2); (chance said, ventings, failing) of each quarter. Gauss-Hermite inside, an
    even grid twice as fine as the module's outside.
    """
    node, weight = np.polynomial.hermite_e.hermegauss(40)
    middle = np.linspace(-2.0, 2.0, 101)[:, None, None]
    spread = (0.025 + (np.arange(50) + 0.5) * 0.025)[None, :, None]
    log = stats.norm.logpdf(middle, 0, 0.4) + stats.norm.logpdf(spread, 0, 0.2)
    density = np.exp(log[..., 0])
    for chance, n, failing in quarters:
        p = special.expit(special.logit(chance) + middle + spread * node)
        density = density * (stats.binom.pmf(failing, n, p) @ weight)
    density /= density.sum()
    mean = float((density * middle[..., 0]).sum())
    square = float((density * (middle[..., 0] ** 2 + spread[..., 0] ** 2)).sum())
    return mean, float(np.sqrt(square - mean**2))


@pytest.mark.parametrize(
    "quarters",
    [[], [(0.1, 40, 10)], [(0.1, 40, 10), (0.2, 60, 4), (0.1, 30, 8)]],
    ids=["no record", "one quarter", "three quarters"],
)
def test_what_past_quarters_tell_is_an_integral_over_middle_and_spread(quarters):
    said, came, quarter = [], [], []
    for k, (chance, n, failing) in enumerate(quarters):
        said += [chance] * n
        came += [1.0] * failing + [0.0] * (n - failing)
        quarter += [f"2026Q{k + 1}"] * n
    # neither an unknown result nor an unknown chance counts
    shift = forecast.learn_shift([*said, 0.1, np.nan], [*came, np.nan, 1.0], [*quarter, "2025Q1", "2025Q2"])
    assert shift.quarters == len(quarters)
    assert (shift.mean, shift.sd) == pytest.approx(integrate_shift(quarters), abs=4e-3)


@pytest.fixture
def shift() -> forecast.Shift:
    """Log odds of -1.5 in one of four quarters, of 1.5 in three."""
    weight = np.zeros(chances.OFF.size)
    weight[np.searchsorted(chances.OFF, [-1.5 - 1e-9, 1.5 - 1e-9])] = 0.25, 0.75
    return forecast.Shift(weight, 4)


def test_a_chance_is_the_mean_over_the_shift_and_its_part_in_common_the_spread(shift):
    assert shift.mean == pytest.approx(0.75)
    assert shift.sd == pytest.approx(3 * np.sqrt(0.25 * 0.75))
    said = np.array([0.05, 0.3])
    low, high = special.expit(special.logit(said) - 1.5), special.expit(special.logit(said) + 1.5)
    middle, shared = shift.correct(said)
    np.testing.assert_allclose(middle, 0.25 * low + 0.75 * high, rtol=1e-3)
    np.testing.assert_allclose(shared, (high - low) * np.sqrt(0.25 * 0.75), rtol=1e-3)


def test_one_chances_range_moves_with_it_and_widens_by_what_a_quarter_lies_off(shift):
    """Ends by hand on the log odds: the account's own distance, and 1.645 standard deviations of shift and spread, squared."""
    own = causes.Chance(0.2, 0.1, 0.4, 0.9, {})
    middle, low, high = shift.correct_one(own, spread=0.5)
    assert middle == pytest.approx(0.25 * special.expit(special.logit(0.2) - 1.5) + 0.75 * special.expit(special.logit(0.2) + 1.5), rel=1e-3)  # fmt: skip
    more = 1.6448536 * np.sqrt(9 * 0.25 * 0.75 + 0.25)
    down, up = (special.logit(0.2) - special.logit(0.1)), (special.logit(0.4) - special.logit(0.2))
    centre = special.logit(middle)
    assert special.logit(low) == pytest.approx(centre - np.sqrt(down**2 + more**2), abs=1e-6)
    assert special.logit(high) == pytest.approx(centre + np.sqrt(up**2 + more**2), abs=1e-6)


def test_a_quarters_chances_know_only_the_quarters_before():
    told = pd.DataFrame(
        {
            "quarter": ["2025Q4"] * 40 + ["2026Q1"] * 40,
            "venting_id": [f"V{i}" for i in range(80)],
            "site": "North",
            "account_chance": 0.1,
            "site_chance": 0.1,
            "failed": [1.0] * 16 + [0.0] * 24 + [1.0] * 20 + [0.0] * 20,
        }
    )
    found = chances.correct_chances(told)
    first, second = found["chance"][0], found["chance"][79]
    assert first == pytest.approx(forecast.learn_shift([], [], []).correct([0.1])[0][0])
    alone = forecast.learn_shift(told["account_chance"][:40], told["failed"][:40], told["quarter"][:40])
    assert (second, found["chance_u"][79]) == pytest.approx(tuple(float(v[0]) for v in alone.correct([0.1])))
    assert second > 1.5 * first


def test_quarters_are_told_from_forty_ventings_in_two_quarters_on():
    jobs = pd.DataFrame(
        {"quarter": ["2025Q1"] * 39 + ["2025Q2"] * 0 + ["2025Q3"] * 1 + ["2025Q4"] * 2 + ["2026Q1"] * 3}
    )
    assert [(q, len(past), len(now)) for q, past, now in chances.list_origins(jobs)] == [
        ("2025Q4", 40, 2),
        ("2026Q1", 42, 3),
    ]
    assert [q for q, _, _ in chances.list_origins(jobs.iloc[1:])] == ["2026Q1"]
    many = pd.DataFrame(
        {"quarter": np.repeat([f"20{y}Q{n}" for y in (21, 22, 23) for n in (1, 2, 3, 4)], 50)}
    )
    assert next(q for q, _, _ in chances.list_origins(many)) == "2022Q1"  # the last eight at most


def scored() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "quarter": ["2025Q4", "2025Q4", "2026Q1", "2026Q1", "2026Q1"],
            "chance": [0.5, 0.1, 0.2, 0.04, 0.3],
            "chance_u": [0.2, 0.1, 0.1, 0.02, 0.1],
            "site_chance": [0.3, 0.3, 0.2, 0.2, 0.2],
            "failed": [1.0, 0.0, 1.0, 0.0, np.nan],
        }
    )


def test_error_of_said_less_came_adds_own_luck_and_what_quarters_share():
    """Own: .25 + .09 + .16 + .0384 less squares .04 + .01 + .01 + .0004; shared by quarter .3 and .12."""
    found = forecast.tell_deviation(scored())
    assert (found.n, found.said, found.came) == (4, pytest.approx(0.84), 2.0)
    assert found.error == pytest.approx(np.sqrt(0.5384 - 0.0604 + 0.3**2 + 0.12**2))


def test_bins_of_chances_begin_at_their_lower_end():
    table = forecast.reliability(scored()).set_index("bin")
    assert table["n"].to_dict() == {
        "0 to 5 %": 1,
        "5 to 10 %": 0,
        "10 to 20 %": 1,
        "20 to 30 %": 1,
        "30 to 50 %": 0,
        "50 to 100 %": 1,
    }
    assert table.loc["10 to 20 %", ["said", "came"]].tolist() == pytest.approx([0.1, 0.0])
    assert table.loc["10 to 20 %", "error"] == pytest.approx(np.sqrt(0.09 - 0.01 + 0.01))
    assert table.loc["5 to 10 %"].isna()[["said", "came", "error"]].all()


# --- rotations and seconds ------------------------------------------------------------------------------------------------

KNOWN = {"engine_type": ["six", "four"], "site": ["North", "South"]}


def test_what_lies_beyond_the_record_is_said():
    """A quarter beyond the longest still counts as within; under the least it is a quarter of it, or a twentieth of the longest."""
    history = pd.DataFrame(KNOWN | {"suction_line_length_m": [1.0, 4.0]})
    rows = pd.DataFrame(
        {
            "engine_type": ["six", "six", "six", "twin", "four"],
            "site": ["North", None, "West", "North", "South"],
            "suction_line_length_m": [5.0, 5.01, 0.74, np.nan, 0.76],
        }
    )
    assert forecast.off_support(history, rows) == [
        [],
        ["suction line beyond the longest or largest on record"],
        ["no venting at this site on record", "suction line under the least on record"],
        ["no venting of this engine type on record"],
        [],
    ]
    # a site is no reason for a wider range
    assert counts._unseen(history, rows).tolist() == [0.0, 0.25, 0.25, 0.25, 0.0]


def test_rotations_are_physics_times_ratio_and_widen_beyond_the_record(monkeypatch):
    """Log scatter .2, .3 where more was taken from usual values, and a further .25 for an engine type never seen."""
    scale = RatioScale({"six": np.log(1.5)}, np.log(1.2), 0.2, 30, 12, True)
    rows = pd.DataFrame({"engine_type": ["six", "six", "twin"], "site": "North"})
    spread = {f"expected_spread_{pump}": [0.2, 0.3, 0.2] for pump in ("sealed", "let_through")}
    expected = pd.DataFrame(
        {f"expected_{name}": [20.0, 20.0, 40.0] for name in ("rotations", "sealed", "let_through")}
        | spread
        | {"expected_unsealed": 0.0}
    )
    monkeypatch.setattr(counts, "expect_again", lambda history, constants: history)
    monkeypatch.setattr(counts.priming, "measure_scale", lambda history: scale)
    monkeypatch.setattr(counts.priming, "expected_rotations", lambda rows, constants: expected)
    found = forecast.predict_rotations(
        pd.DataFrame(KNOWN), rows, constants=counts.priming.Constants(), level=0.8
    )
    np.testing.assert_allclose(found["median"], [30.0, 30.0, 48.0])
    wide = np.array([0.2, 0.3, np.hypot(0.2, 0.25)])
    for name, z in (("low", -1.2815516), ("high", 1.2815516), ("stop", 1.6448536)):
        np.testing.assert_allclose(np.log(found[name] / found["median"]), z * wide, rtol=1e-6)


def make_starts(seconds: list[float], *, step: float = 0.0, quarters: int = 1) -> pd.DataFrame:
    n = len(seconds)
    t = np.array(seconds)
    return pd.DataFrame(
        {
            "engine_id": [f"E{i}" for i in range(n)],
            "engine_type": "six",
            "site": "North",
            "quarter": [f"2026Q{i % quarters + 1}" for i in range(n)],
            "time_low_s": t - step,
            "time_high_s": t + step,
            "time_from_s": t - step,
            "time_step_s": step,
        }
    )


def test_with_few_starts_seconds_are_the_quantiles_of_those_on_record():
    """By hand: 20 starts of 20 engines, the next one keeps under the k-th of n at k / (n + 1); wider by the coefficient
    spent on the middle and by a quarter's shift, at least a fourth of the scatter.
    """
    seconds = np.round(np.exp(np.random.default_rng(4).normal(1.2, 0.4, 20)), 2)
    found = forecast.predict_times(make_starts(seconds.tolist()), make_starts([1.0]), level=0.8)
    log = np.sort(np.log(seconds))
    centre = np.median(log)
    more = max(np.sqrt(log.var() / 20), 0.25 * log.std()) ** 2
    wider = np.sqrt(20 / 19) * np.sqrt(1 + more / log.var())
    assert found["median"][0] == pytest.approx(np.exp(centre))
    residual = np.repeat(log - centre, 5)  # five points through each reading, here the same
    for name, share in (("low", 0.1), ("high", 0.9)):
        place = (21 * share - 0.5) / 20 * 100 - 0.5
        reach = np.interp(place, np.arange(100), residual) * wider
        assert found[name][0] == pytest.approx(np.exp(centre + reach), rel=1e-9)
    assert forecast.predict_times(make_starts([3.0] * 7), make_starts([1.0])).isna().all(axis=None)


def test_a_loggers_reading_is_taken_as_its_middle_step():
    """Readings of 4 s by a logger of 1 s lie from 3 to 5 s; the middle step, 3.5 to 4.5 s, in five points."""
    found = forecast.predict_times(make_starts([4.0] * 10, step=1.0), make_starts([1.0]), level=0.9)
    points = np.log(3.5 + np.array([0.1, 0.3, 0.5, 0.7, 0.9]))
    residual = np.repeat(points, 10)
    more = max(residual.reshape(5, 10).mean(axis=0).std() / np.sqrt(10), 0.25 * residual.std()) ** 2
    wider = np.sqrt(10 / 9) * np.sqrt(1 + more / max(residual.var(), 0.05**2))
    assert found["median"][0] == pytest.approx(4.0)
    place = (11 * 0.95 - 0.5) / 10 * 50 - 0.5
    reach = np.interp(place, np.arange(50), residual) - np.log(4.0)
    assert found["high"][0] == pytest.approx(4.0 * np.exp(reach * wider), rel=1e-9)


def test_spread_of_quarters_is_that_of_their_means_beyond_chance():
    """Four quarters of four: the variance of the means less the mean of variance over four, by hand."""
    residual = np.array([0.1, 0.3, 0.1, 0.3, 1.1, 1.3, 1.1, 1.3, -0.9, -0.7, -0.9, -0.7, 0.5, 0.7, 0.5, 0.7])
    quarter = np.repeat(np.array(["a", "b", "c", "d"], dtype=object), 4)
    means = np.array([0.2, 1.2, -0.8, 0.6])
    expected = np.sqrt(means.var(ddof=1) - residual.var() / 4)
    assert counts._between_quarters(residual, quarter) == pytest.approx(expected)
    # quarters alike: what is left is the error of the mean of all
    alike = np.tile([0.1, 0.3, -0.1, -0.3], 4)
    assert counts._between_quarters(alike, quarter) == pytest.approx(np.sqrt(alike.var() / 16))
    assert counts._between_quarters(residual[:8], quarter[:8]) == pytest.approx(
        np.sqrt(residual[:8].var() / 4)
    )


def test_positions_are_ranked_with_twenty_lifters_of_the_usual_share():
    """Two of two are less than eleven of forty: (2 + 20 x .25) / 22 = .318, (11 + 5) / 60 = .267, (20 + 5) / 70 = .357."""
    told = {"1 inlet": (2, 2), "2 inlet": (11, 40), "3 inlet": (20, 50), "4 inlet": (0, 40)}
    over = [(name, i < k) for name, (k, n) in told.items() for i in range(n)]
    lifters = pd.DataFrame(over, columns=["position", "over_first"]).astype({"over_first": "boolean"})
    lifters.loc[len(lifters)] = ["4 inlet", pd.NA]
    assert lifters["over_first"].mean() == 0.25
    assert forecast.rank_positions(lifters, most=2) == [("3 inlet", 20, 50), ("1 inlet", 2, 2)]


# --- how it went ----------------------------------------------------------------------------------------------------------


def test_a_reading_is_held_by_the_part_that_lies_in_the_range():
    """Readings (2, 4], (8, 12], exactly 10, never reached; a range of 3 to 10 with a middle of 5."""
    begin, end = np.array([2.0, 8.0, 10.0, 5.0]), np.array([4.0, 12.0, 10.0, np.inf])
    said = pd.DataFrame({"median": [5.0] * 4, "low": [3.0] * 4, "high": [10.0] * 4})
    out = pd.DataFrame(index=said.index)
    rolling._judge(out, "time", [begin, end], said, said.assign(low=11.0, high=12.0, median=2.0))
    assert out["time_held"].tolist()[:3] == [0.5, 0.5, 1.0]
    assert out["site_time_held"].tolist()[:3] == [0.0, 0.25, 0.0]
    assert np.exp(out["time_error"][:3]).tolist() == pytest.approx([3 / 5, 10 / 5, 10 / 5])
    assert np.exp(out["site_time_error"][0]) == pytest.approx(3 / 2)
    assert out.iloc[3][["time_held", "time_error", "time"]].isna().all()


def test_the_baseline_is_the_sites_own_log_mean_and_spread():
    """Eight of the site's own count alone; a site with fewer takes all."""
    past = pd.DataFrame({"site": ["North"] * 8 + ["South"] * 7, "x": [2.0, 4.0] * 4 + [16.0] * 7})
    now = pd.DataFrame({"site": ["North", "South"]})
    found = rolling._by_site(past, now, "x", 0.9)
    own, every = np.log([2.0, 4.0] * 4), np.log([2.0, 4.0] * 4 + [16.0] * 7)
    for k, log in enumerate((own, every)):
        half = 1.6448536 * log.std(ddof=1)
        expected = np.exp([log.mean(), log.mean() - half, log.mean() + half])
        np.testing.assert_allclose(found.iloc[k], expected, rtol=1e-6)


def test_scores_of_past_predictions_are_plain_means():
    """Brier 1950: the mean square of chance less outcome; errors as root mean square."""
    table = scored().assign(
        rotations_held=[1.0, 0.0, 0.5, np.nan, 1.0], rotations_error=[0.1, -0.2, 0.2, np.nan, 0.0]
    )
    found = forecast.summarise(table).set_index(["question", "by"])
    said = found.loc[("Rotations until pressure shows", "prediction")]
    assert (said["n"], said["held"]) == (4, pytest.approx(0.625))
    assert said["error"] == pytest.approx(np.sqrt(0.09 / 4))
    brier = found.xs("At least one spongy lifter")["brier"]
    assert brier["prediction"] == pytest.approx((0.25 + 0.01 + 0.64 + 0.0016) / 4)
    assert brier["site's past alone"] == pytest.approx((0.49 + 0.09 + 0.64 + 0.04) / 4)
