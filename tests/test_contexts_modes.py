"""Failure modes against findings, engines that come back, the confounding map and the ranked list."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from ventbook.statistics import causes

TABLE = causes.load_modes()


def make_lifters(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Lifter rows with the columns that the signs are read from; what is not given is not recorded."""
    numbers = (
        "gap_first_mm", "gap_at_once_mm", "gap_at_once_time_s", "gap_no_force_mm", "second_gap_mm", "second_force_N",
        "force_N", "hold_s", "gauge_u_mm", "rocker_ratio", "bottomed_probability", "gap_last_mm", "limit_mm",
    )  # fmt: skip
    base: dict[str, object] = dict.fromkeys(numbers, np.nan)
    base |= {
        "venting_id": "V1", "engine_id": "E1", "date": pd.Timestamp("2026-08-01"), "site": "Ridge", "cylinder": 1,
        "valve": "inlet", "position": "1 inlet", "feed_rank": 1, "lifter_id": None, "lifter_lot": "A", "gauge": "G1",
        "over_first": True, "cured": None, "extra_run_between": False, "near_limit_first": False, "cause": "unclear",
        "gauge_u_mm": 0.02, "rocker_ratio": 1.4, "force_N": 70.0, "hold_s": 3.0, "limit_mm": 0.5,
    }  # fmt: skip
    frame = pd.DataFrame([base | row for row in rows])
    for name in ("over_first", "cured", "extra_run_between", "near_limit_first"):
        frame[name] = frame[name].astype("boolean")
    return frame.astype({"feed_rank": "Int64", "lifter_id": "str", "gauge": "str", "lifter_lot": "str"})


def make_job(**said: object) -> pd.DataFrame:
    """One venting; what is not given is not recorded."""
    yes_no = ("lines_empty", "cooler_empty", "turned_backwards", "tank_ran_low")
    numbers = ("rest_before_start_h", "hours_since_overhaul_h", "rotations_ratio", "expected_high")
    numbers += ("rotations_low", "time_low_s", "time_high_s")
    row = dict.fromkeys(numbers, np.nan) | dict.fromkeys(yes_no) | {"pressure_steady": None, "reason": None}
    frame = pd.DataFrame([row | {"venting_id": "V1"} | said])
    return frame.astype(dict.fromkeys(yes_no, "boolean") | {"pressure_steady": "str", "reason": "str"})


def verdicts(lifters: pd.DataFrame, job: pd.DataFrame, **known: object) -> pd.Series:
    signs = causes.describe_findings(lifters, job, **known)  # type: ignore[arg-type]
    matched = causes.match_modes(signs.iloc[:1])
    return matched.set_index("mode")["verdict"]


AIR = {
    "gap_first_mm": 0.62,
    "gap_at_once_mm": 0.61,
    "second_gap_mm": 0.43,
    "second_force_N": 35.0,
    "cause": "air",
}
LEAK = {
    "gap_first_mm": 0.9,
    "gap_at_once_mm": 0.3,
    "second_gap_mm": 0.3,
    "second_force_N": 35.0,
    "cause": "leak_down",
}
CASES = {
    "springy, at once, cured by a run": (
        AIR | {"gap_last_mm": 0.3, "extra_run_between": True, "cured": True}, {"lines_empty": True}, 1, {3, 4, 5, 14},
    ),
    "growing fast, one lifter": (LEAK, {}, 4, {1, 2, 5, 14}),
    "the whole gap stands without force": ({"gap_first_mm": 0.8, "gap_no_force_mm": 0.75, "second_gap_mm": 0.79,
        "second_force_N": 35.0, "gap_at_once_mm": 0.8}, {"reason": "new_engine"}, 14, {1, 3, 4}),
    "turned backwards, pressure late": (
        {"gap_first_mm": 0.7}, {"turned_backwards": True, "time_low_s": 7.0, "time_high_s": 7.5}, 11, set(),
    ),
    "tank ran low": (AIR, {"tank_ran_low": True}, 12, {3, 4}),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_a_record_fits_its_mode_and_rules_others_out(name: str) -> None:
    lifter, job, fits, ruled_out = CASES[name]
    found = verdicts(make_lifters([lifter]), make_job(**job), time_limit_s=5.0)
    assert found[fits] == "fits"
    assert (found[list(ruled_out)] == "ruled_out").all()


def test_a_change_inside_the_uncertainty_is_no_sign_of_air() -> None:
    """A leak that read .83 and, after a run, .76: held a little shorter. Within a limit of .80 it counts as cured."""
    grown = {
        "gap_first_mm": 0.83,
        "gap_last_mm": 0.76,
        "limit_mm": 0.80,
        "extra_run_between": True,
        "cured": True,
    }
    signs = causes.describe_findings(make_lifters([grown]), make_job())
    assert signs["after_run"].tolist() == ["same"]
    company = [grown, grown | {"cylinder": 2}, grown | {"cylinder": 3}]
    assert verdicts(make_lifters(company), make_job(lines_empty=True))[1] == "open"
    shrunk = make_lifters([grown | {"gap_last_mm": 0.2}])
    assert causes.describe_findings(shrunk, make_job())["after_run"].tolist() == ["cured"]


def test_contradictory_readings_are_no_sign() -> None:
    fell = {"gap_first_mm": 0.6, "gap_at_once_mm": 0.9, "gap_no_force_mm": 0.1, "bottomed_probability": 0.0}
    sound = causes.describe_findings(make_lifters([fell]), make_job()).iloc[0]
    signs = causes.describe_findings(make_lifters([fell | {"cause": "contradictory"}]), make_job()).iloc[0]
    own = ["growth", "force_ratio", "no_force", "bottomed", "verdict", "after_run"]
    assert sound["growth"] == "none"
    assert (signs[own] == "").all()


def test_a_gauge_that_reads_high_is_a_matter_of_measurement() -> None:
    lifter = make_lifters([{"gap_first_mm": 0.55, "near_limit_first": True}])
    assert verdicts(lifter, make_job(), gauge_shift_mm={"G1": 0.09})[15] == "fits"
    assert verdicts(lifter, make_job(), gauge_shift_mm={"G2": 0.09})[15] == "ruled_out"


def test_with_nothing_else_recorded_nothing_is_claimed() -> None:
    signs = causes.describe_findings(make_lifters([{"gap_first_mm": 0.7}]), make_job())
    matched = causes.match_modes(signs)
    assert not (matched["verdict"] == "fits").any()
    reading = causes.choose_readings(signs).iloc[0]
    assert reading["would_decide"] >= 4
    assert reading["cost"] == 1


def test_no_findings_give_empty_tables_of_the_same_shape() -> None:
    signs = causes.describe_findings(make_lifters([{"over_first": False}]), make_job())
    assert len(signs) == 0
    assert causes.match_modes(signs).shape == (0, 12)
    assert causes.choose_readings(signs).shape == (0, 7)
    assert causes.count_modes(causes.match_modes(signs))["fits"].sum() == 0


@settings(deadline=None, max_examples=25)
@given(st.dictionaries(st.sampled_from(sorted(causes.SIGNS)), st.integers(0, 3)))
def test_a_sign_more_never_turns_ruled_out_into_fits(drawn: dict[str, int]) -> None:
    said = {s: causes.SIGNS[s][i % len(causes.SIGNS[s])] for s, i in drawn.items()}
    base = dict.fromkeys(causes.SIGNS, "") | {"venting_id": "V", "cylinder": 1, "valve": "inlet"}
    whole = causes.match_modes(pd.DataFrame([base | said]), table=TABLE).set_index("mode")["verdict"]
    for sign in said:
        less = causes.match_modes(pd.DataFrame([base | said | {sign: ""}]), table=TABLE).set_index("mode")[
            "verdict"
        ]
        assert not ((less == "ruled_out") & (whole == "fits")).any()


def test_every_sign_of_the_table_can_be_read_and_every_mode_can_fit() -> None:
    for mode in TABLE.modes:
        said = {sign: values[0] for sign, values in {**mode.fits, **mode.key}.items()}
        base = dict.fromkeys(causes.SIGNS, "") | {"venting_id": "V", "cylinder": 1, "valve": "inlet"}
        signs = pd.DataFrame([base | {s: v for s, v in said.items() if v not in mode.against.get(s, ())}])
        found = causes.match_modes(signs, table=TABLE).set_index("mode")["verdict"]
        assert found[mode.number] == "fits", mode.name


def test_faults_of_the_mode_table_are_told_at_once(tmp_path: Path) -> None:
    path = tmp_path / "modes.toml"
    path.write_text(
        '[[mode]]\nnumber = 1\nname = "a"\nmechanism = "magic"\ncheck = ""\nkey = { growth = ["huge"], smell = ["yes"] }\n',
        encoding="utf-8",
    )
    with pytest.raises(
        ValueError, match=r"growth can't be 'huge'.*smell is not a sign.*mechanism must be one of"
    ):
        causes.load_modes(path)


def make_returning(findings: list[tuple[str, int]]) -> pd.DataFrame:
    """Ventings of (engine, lifters over), one site and type."""
    return pd.DataFrame(
        {
            "venting_id": [f"V{i}" for i in range(len(findings))],
            "engine_id": [engine for engine, _ in findings],
            "engine_type": "flat4",
            "site": "Plain",
            "date": pd.date_range("2026-01-01", periods=len(findings)),
            "failed_first": pd.array([over > 0 for _, over in findings], dtype="boolean"),
        }
    )


def test_an_engine_that_always_comes_back_is_told_with_its_exact_chance() -> None:
    jobs = make_returning([("A", 2)] * 3 + [(f"E{i}", 0) for i in range(17)])
    result = causes.find_recurrent_engines(jobs, seed=1)
    # three findings of twenty ventings fall on one engine's three: 1 in C(20, 3)
    assert result.engines["chance"].tolist() == pytest.approx([1 / 1140])
    assert (result.repeats, result.failing) == (2, 3)
    assert result.chance < 0.01
    assert stats.hypergeom.sf(2, 20, 3, 3) == pytest.approx(1 / 1140)


def test_findings_spread_over_engines_are_no_recurrence() -> None:
    jobs = make_returning([(f"E{i % 20}", int(i < 12)) for i in range(60)])
    result = causes.find_recurrent_engines(jobs, seed=1)
    assert result.repeats == 0
    assert result.chance == 1.0
    assert causes.find_recurrent_engines(jobs.iloc[:0]).failing == 0


@pytest.mark.parametrize(
    ("every", "again", "factor"), [(25, 0, 1.3), (25, 3, 2), (25, 6, 6), (3, 0, 1.3), (3, 25, 1.5)]
)
def test_few_shuffles_tell_the_chance_of_many(
    every: int, again: int, factor: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Against 20 000 shuffles, where ``again`` engines came back with a second finding: near, and rather over it."""
    rows = [(f"E{i % 1500}", int(i % (every if i < 1500 else every + 4) == 0)) for i in range(3000)]
    jobs = make_returning(rows + [(f"E{every * i}", 1) for i in range(again)])
    many = causes.find_recurrent_engines(jobs, seed=1, shuffles=20_000)
    monkeypatch.setattr("ventbook.statistics.causes.modes.LOOKED_AT", 1000)
    few = causes.find_recurrent_engines(jobs, seed=2)
    assert (few.repeats, few.failing) == (many.repeats, many.failing)
    assert many.chance / 1.3 < few.chance < factor * many.chance
    assert few.expected == pytest.approx(many.expected, rel=0.15)
    pd.testing.assert_frame_equal(few.engines, many.engines)


def test_association_of_a_table() -> None:
    assert causes.measure_association(np.array([[10, 0], [0, 5]])) == pytest.approx(1)
    assert causes.measure_association(np.array([[10, 20], [5, 10]])) == pytest.approx(0)
    assert causes.measure_association(np.array([[10, 20], [0, 0]])) is None


def test_the_map_counts_who_came_with_whom() -> None:
    jobs = make_returning([("A", 0)] * 10)
    jobs["lines_empty"] = [True] * 6 + [False] * 4
    jobs["cooler_empty"] = [True] * 5 + [False] * 5
    row = causes.map_confounding(jobs).iloc[0]
    assert row[["together", "only_a", "only_b", "neither"]].tolist() == [5, 1, 0, 4]
    by_name = {factor.name: factor for factor in causes.load_factors()}
    pair = causes.describe_pair(jobs, by_name["lines_empty"], by_name["cooler_empty"])
    assert pair == {"both": 5, "only_first": 1, "only_second": 0, "neither": 4, "n_first": 6}
