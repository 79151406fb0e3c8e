"""Terms, factors, blanks and sums of causes against small tables worked out by hand, each number derived beside it."""

from __future__ import annotations

import itertools
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.contingency_tables import StratifiedTable
from tests.test_causes_account import draw_tables

from ventbook.physics import gauge
from ventbook.statistics import causes
from ventbook.statistics.causes import account as explaining
from ventbook.statistics.causes import (
    account_fit,
    account_naming,
    account_sensitivity,
    account_shares,
    account_sums,
    fits,
    screening,
    strata,
)
from ventbook.statistics.causes import account_terms as account
from ventbook.statistics.causes import factors as coding
from ventbook.statistics.causes import setting as settings
from ventbook.statistics.causes.account import pose_question
from ventbook.statistics.causes.setting import ScreeningData
from ventbook.tables import evidence

BASE: dict[str, Any] = {
    "mechanism": "air left in",
    "plausibility": "high",
    "direction": "raises",
    "outcomes": ("lifter_failure",),
    "adjust": ("lifter_failure",),
}
COOLER = causes.Factor(name="cooler", title="cooler empty", kind="yes_no", column="cooler", **BASE)
FILTER = causes.Factor(name="filter", title="filter new", kind="yes_no", column="filter", **BASE)
LENGTH = causes.Factor(
    name="length", title="line", kind="number", column="length", unit="m", step=2.0, cut=6.0, **BASE
)
LOT = causes.Factor(name="lot", title="lot", kind="group", column="lot", **BASE)


def make_rows(jobs: pd.DataFrame, *factors: causes.Factor) -> account.VentingRows:
    site = jobs["site"].to_numpy(dtype=object)
    names = tuple(sorted(set(site)))
    n = len(jobs)
    return account.VentingRows(
        venting=np.array([f"V{i}" for i in range(n)], dtype=object),
        engine=np.arange(n),
        site=site,
        site_names=names,
        site_code=np.array([names.index(s) for s in site]),
        quarter=account.count_quarters(jobs["quarter"]),
        judged=np.full(n, 8.0),
        coded=account.code_rows(jobs, factors),
        factors={f.name: f for f in factors},
    )


@pytest.fixture
def rows() -> account.VentingRows:
    jobs = pd.DataFrame(
        {
            "site": ["North", "North", "North", "South", "South"],
            "quarter": ["2026Q1", "2026Q2", "2026Q4", "2026Q4", None],
            "cooler": pd.array([True, None, True, False, False], dtype="boolean"),
            "filter": pd.array([False, True, None, True, None], dtype="boolean"),
            "length": [4.0, 6.0, 8.0, 12.0, np.nan],
        }
    )
    return make_rows(jobs, COOLER, FILTER, LENGTH)


def find_term(terms: list[account.AccountTerm], cause: str, form: str) -> account.AccountTerm:
    (found,) = [t for t in terms if t.cause == cause and t.form == form]
    return found


def test_quarters_count_on_over_the_year() -> None:
    """2026 times 4 is 8104, the first quarter; a missing one is -1."""
    counted = account.count_quarters(pd.Series(["2026Q1", None, "2025Q4", "2026Q3"]))
    assert counted.tolist() == [8104, -1, 8103, 8106]
    assert [account.name_quarter(n) for n in (8103, 8104, 8106)] == ["2025Q4", "2026Q1", "2026Q3"]


def test_a_ramp_climbs_from_start_to_end_and_a_blank_gets_the_sites_mean(rows) -> None:
    """Lengths of 4, 6, 8 and 12 m, quantiles .1 and .9 by hand: 4.6 and 10.8 m (2.3 and 5.4 steps of 2 m)."""
    term = find_term(account.list_terms_of(rows), "length high", "ramp")
    (part,) = term.parts
    assert (part.start, part.end) == pytest.approx((2.3, 5.4))
    ramp = np.array([0.0, (6 - 4.6) / 6.2, (8 - 4.6) / 6.2, 1.0])
    x, known = term.read(rows.coded, rows.site, rows.quarter)
    overall = ramp.mean()
    south = (1.0 + 4 * overall) / (1 + 4)  # one recorded venting there, four at the mean of all
    assert x == pytest.approx([*ramp, south])
    assert known.tolist() == [True, True, True, True, False]
    assert part.fill is not None
    assert part.fill["North"] == pytest.approx((ramp[:3].sum() + 4 * overall) / 7)
    assert part.fill[""] == pytest.approx(overall)
    elsewhere = term.read(rows.coded, np.full(5, "West", dtype=object), rows.quarter)[0]
    assert elsewhere[4] == pytest.approx(overall)


def test_a_product_is_a_known_no_as_soon_as_one_part_is(rows) -> None:
    """Cooler yes ? yes no no, filter no yes ? yes ?: fills by hand, five known ventings of each kind at most."""
    terms = account.list_terms_of(rows)
    both = find_term(
        account.open_products(find_term(terms, "cooler", "yes_no"), terms, rows), "cooler & filter", "product"
    )
    x, known = both.read(rows.coded, rows.site, rows.quarter)
    cooler_north = (2 + 4 * 0.5) / (2 + 4)  # two of two there, two of four on record
    filter_north = (1 + 4 * 2 / 3) / (2 + 4)  # one of two there, two of three on record
    assert x == pytest.approx([0.0, cooler_north, filter_north, 0.0, 0.0])
    assert known.tolist() == [True, False, False, True, True]
    # believed as much as the less believed of both, and .7 of that: one way more to look at the same
    assert both.log_weight == pytest.approx(np.log(0.7))


def test_terms_of_time_grow_from_the_first_quarter_to_the_last(rows) -> None:
    """Three quarters from 2026Q1 to Q4; a venting without a date and another site's have none of it."""
    terms = account.list_terms_of(rows)
    steady, ever_faster, since = (
        find_term(terms, cause, form).read(rows.coded, rows.site, rows.quarter)[0]
        for cause, form in (
            ("North growing", "growing"),
            ("North growing", "growing ever faster"),
            ("North since 2026Q2", "since"),
        )
    )
    assert steady == pytest.approx([0.0, 1 / 3, 1.0, 0.0, 0.0])
    assert ever_faster == pytest.approx([0.0, 1 / 9, 1.0, 0.0, 0.0])
    assert since.tolist() == [0.0, 1.0, 1.0, 0.0, 0.0]


# --- values of factors ----------------------------------------------------------------------------------------------------


def test_numbers_are_in_steps_and_the_cut_itself_is_under() -> None:
    """Lengths of 4, 6 and 7 m in steps of 2 m with the cut at 6 m; logarithms to base 2 of length plus 2 m likewise."""
    jobs = pd.DataFrame({"length": [4.0, 6.0, 7.0, np.nan]})
    plain = coding.code_factor(jobs, LENGTH)
    assert plain.codes.tolist() == [0, 0, 1, -1]
    assert plain.numbers is not None
    assert plain.numbers[:3].tolist() == [2.0, 3.0, 3.5]
    logged = coding.code_factor(jobs, replace(LENGTH, log=True, log_offset=2.0, step=1.0))
    assert logged.codes.tolist() == [0, 0, 1, -1]
    assert logged.numbers is not None
    assert 2 ** logged.numbers[:3] == pytest.approx([6.0, 8.0, 9.0])


def test_an_interaction_with_a_group_has_a_level_for_each_of_its_levels() -> None:
    both = causes.Factor(
        name="both", title="", kind="interaction", parts=("cooler", "lot"), part_levels=("yes", "*"), **BASE
    )
    jobs = pd.DataFrame(
        {
            "cooler": pd.array([True, True, False, None, True], dtype="boolean"),
            "lot": ["A", "B", "B", "A", None],
        }
    )
    coded = coding.code_factors(jobs, [both, COOLER, LOT])["both"]
    assert coded.levels == ("not both", "A", "B")
    assert coded.codes.tolist() == [1, 2, 0, -1, -1]


def test_rotations_count_as_a_share_of_those_expected() -> None:
    jobs = pd.DataFrame(
        {
            "engine_id": list("abcd"),
            "site": "North",
            "rotations_low": [30.0, 10.0, 20.0, 5.0],
            "rotations_high": [40.0, np.inf, 20.0, 6.0],
            "expected_rotations": [20.0, 5.0, 10.0, np.nan],
            "lifters_judged_first": [8, 0, 8, 8],
            "lifters_over_first": [1, 0, None, 0],
        }
    )
    found = coding.select_outcome(jobs, "rotations_to_prime")
    assert found.rows.tolist() == [0, 1]  # no interval, and no expectation
    assert np.exp(found.low) == pytest.approx([1.5, 2.0]) and np.exp(found.high[0]) == pytest.approx(2.0)
    assert found.failures.tolist() == [0.0, 1.0]
    # nothing judged is no trial
    assert coding.select_outcome(jobs, "lifter_failure").rows.tolist() == [0, 3]


def test_the_gauge_of_a_venting_is_the_one_most_gaps_were_read_with() -> None:
    lifters = pd.DataFrame(
        {
            "venting_id": ["V1"] * 3 + ["V2"] * 2 + ["V3"],
            "gauge": ["A", "B", "B", "B", "A", None],
            "lifter_history": ["new", "reused", "unknown", "unknown", "unknown", "new"],
        }
    )
    told = coding.add_lifter_columns(pd.DataFrame({"venting_id": ["V1", "V2", "V3"]}), lifters)
    assert told["gauge"].tolist()[:2] == ["B", "A"]  # level: the first in the alphabet
    assert pd.isna(told["gauge"][2])
    assert told["lifters_reused"].tolist() == [True, pd.NA, False]


# --- what is adjusted for -------------------------------------------------------------------------------------------------


def make_setting(widths: dict[str, int], budget: int) -> ScreeningData:
    blocks = {name: SimpleNamespace(width=width) for name, width in widths.items()}
    return SimpleNamespace(blocks=blocks, budget=budget)  # type: ignore[return-value]


def make_term(x: list[int], factor: causes.Factor = COOLER) -> coding.Term:
    return coding.Term(factor, "yes", "no", 1, np.array(x))


def test_adjusters_are_the_closest_beyond_chance_within_the_budget() -> None:
    """By hand at 100 ventings: one column must explain (1 + 2 sqrt 2) / 100 = 3.83 %, three (3 + 2 sqrt 6) / 100 = 7.90 %."""
    term = make_term([0, 1] * 50)
    company = {"a": 0.0384, "b": 0.0382, "c": 0.0791, "d": 0.0789, "site": 0.9, "e": 0.5}
    widths = {"a": 1, "b": 1, "c": 3, "d": 3, "e": 1}
    assert screening.choose_adjusters(term, make_setting(widths, 9), company) == ["e", "c", "a"]
    assert screening.choose_adjusters(term, make_setting(widths, 4), company) == ["e", "c"]
    assert screening.choose_adjusters(term, make_setting(widths, 3), company) == ["e", "a"]  # c is too wide


@pytest.mark.parametrize("factor", [LENGTH, LOT], ids=["number with blanks", "group with blanks"])
def test_what_a_factor_explains_is_that_of_least_squares(factor: causes.Factor) -> None:
    """Least squares by numpy on the intercept and the columns as they enter a fit, on the rows that take part."""
    rng = np.random.default_rng(4)
    n = 60
    jobs = pd.DataFrame({"length": rng.normal(6, 2, n), "lot": rng.choice(list("ABC"), n)})
    jobs.loc[:11, ["length", "lot"]] = [np.nan, None]
    block = coding.build_block(coding.code_factor(jobs, factor), slice(None))
    columns = block.columns(slice(None))
    assert columns.shape == (n, block.width) and block.width == (2 if factor is LENGTH else 3)
    x = (jobs["length"].fillna(2.0).to_numpy() + rng.normal(0, 2, n) > 5).astype(float)
    part = rng.random(n) < 0.8
    centred = np.where(part, x - x[part].mean(), 0.0)
    indicators = block.indicators(slice(None))
    found = block.explain(indicators @ centred, indicators @ part, int(part.sum()))
    design = np.column_stack([np.ones(n), columns])[part]
    rest = centred[part] - design @ np.linalg.lstsq(design, centred[part])[0]
    assert found == pytest.approx(centred @ centred - rest @ rest, rel=1e-9)


def test_overlap_is_the_variation_left_times_the_ventings_of_a_side() -> None:
    """100 ventings, half at the level: a sum of squares of 25, of which a partner with .8 leaves .2, five of them."""
    term = make_term([0, 1] * 50)
    assert screening.judge_overlap(term, {"a": 0.8, "b": 0.1}) == ("thin", pytest.approx(0.2), "a")
    assert screening.judge_overlap(term, {"a": 0.6, "b": 0.1})[0] == "good"
    assert screening.judge_overlap(term, {"a": 0.95})[0] == "none"
    # 20 ventings: a sum of squares of 5, of which .5 are 2.5 comparisons, under three
    assert screening.judge_overlap(make_term([0, 1] * 10), {"a": 0.5})[0] == "none"


def test_a_level_without_a_finding_or_with_nothing_else_tells_nothing() -> None:
    columns = np.array([[1, 0], [1, 0], [0, 1], [0, 1], [0, 0], [0, 0]], dtype=float)
    trials = np.full(6, 8.0)
    keep = screening.rows_that_tell(columns, np.array([8.0, 8, 1, 0, 2, 0]), trials)
    assert keep.tolist() == [False, False, True, True, True, True]
    keep = screening.rows_that_tell(columns, np.array([1.0, 8, 0, 0, 2, 0]), trials)
    assert keep.tolist() == [True, True, False, False, True, True]


def test_one_side_with_all_or_nothing_separates() -> None:
    x, trials = np.array([1.0, 1, 0, 0]), np.full(4, 8.0)
    assert screening.separates(x, np.array([0.0, 0, 1, 0]), trials)
    assert screening.separates(x, np.array([1.0, 0, 0, 0]), trials)
    assert screening.separates(x, np.array([1.0, 0, 8, 8]), trials)
    assert not screening.separates(x, np.array([1.0, 0, 8, 7]), trials)


def test_a_column_that_others_say_already_is_left_out() -> None:
    """A third site's column is one less the two others'; the intercept and the term stay whatever they say."""
    sites = np.eye(3)[[0, 1, 2, 0, 1, 2]]
    term = np.array([0.0, 1, 0, 1, 1, 0])
    design = np.column_stack([np.ones(6), term, sites])
    assert screening.independent_columns(design).tolist() == design[:, :4].tolist()
    same = np.column_stack([np.ones(6), np.ones(6), sites[:, :1]])
    assert screening.independent_columns(same).shape == (6, 3)


# --- blanks ---------------------------------------------------------------------------------------------------------------


def shuffled(values: np.ndarray, failing: np.ndarray, stratum: np.ndarray) -> float:
    """z of the sum over failing ventings, from every way of dealing failing inside strata."""
    sums = [np.zeros(1)]
    for name in np.unique(stratum):
        here = values[stratum == name]
        dealt = itertools.combinations(here, int(failing[stratum == name].sum()))
        sums.append(np.array([sum(c) for c in dealt]))
    mean, variance = sum(s.mean() for s in sums), sum(s.var() for s in sums)
    return float((values[failing].sum() - mean) / np.sqrt(variance))


def test_blanks_on_failing_and_sound_ventings_by_every_dealing() -> None:
    jobs = pd.DataFrame(
        {
            "engine_id": [f"E{i}" for i in range(14)],
            "site": ["North"] * 6 + ["South"] * 8,
            "lifters_judged_first": 8,
            "lifters_over_first": [1, 2, 0, 0, 0, 1, 3, 0, 0, 1, 0, 0, 0, 1],
            "cooler": pd.array([True, True, None, None, True, None] + [None, True] * 4, dtype="boolean"),
            "filter": pd.array(
                [None, False, False, True, True, False] + [True] * 7 + [None], dtype="boolean"
            ),
        }
    )
    found = causes.test_blanks(jobs, factors=(COOLER, FILTER))
    failing = jobs["lifters_over_first"].to_numpy() > 0
    site = jobs["site"].to_numpy(dtype=object)
    blank = jobs[["cooler", "filter"]].isna().to_numpy(float)
    columns = found.columns.set_index("factor")
    for j, name in enumerate(("cooler", "filter")):
        row = columns.loc[name]
        assert row["blank"] == blank[:, j].sum()
        assert row["blank_failing"] == pytest.approx(blank[failing, j].mean())
        assert row["blank_sound"] == pytest.approx(blank[~failing, j].mean())
        assert row["z"] == pytest.approx(shuffled(blank[:, j], failing, site))
    assert columns["z"].min() < 0 < columns["z"].max()
    assert found.sheet_blank == pytest.approx(blank.mean())
    assert found.sheet_z == pytest.approx(shuffled(blank.mean(axis=1), failing, site))


def test_a_sheet_is_told_of_only_where_it_has_blanks_and_they_go_with_failing() -> None:
    columns = pd.DataFrame({"factor": ["a", "b", "c"], "z": [-2.5, 2.0, 2.5]})
    assert causes.Blanks(columns, -3.5, 0.2).sheet
    assert not causes.Blanks(columns, -2.5, 0.2).sheet
    assert not causes.Blanks(columns, -3.5, 0.02).sheet
    # two and a third standard deviations: about one in 50 factors by luck
    assert causes.Blanks(columns, 0.0, 0.0).related == {"a": -2.5, "c": 2.5}


# --- sums over quarters and sites -----------------------------------------------------------------------------------------


@pytest.fixture
def sums() -> causes.Account:
    """Four failing ventings, two causes named and a hint; 101 draws of each cell, 0, 1, ... 100 hundredths of it."""
    shares = [
        ("V1", "North", "2026Q1", {"a": 0.75, "b": 0.25}),
        ("V2", "North", "2026Q2", {"a": 0.5, "hint": 0.5}),
        ("V3", "South", "2026Q2", {"b": 1.0}),
        ("V4", "North", "2026Q2", {"a": 0.25, "unexplained": 0.75}),
    ]
    table = pd.DataFrame(
        [(v, s, q, c, x) for v, s, q, parts in shares for c, x in parts.items()],
        columns=["venting_id", "site", "quarter", "cause", "share"],
    )
    cells = pd.DataFrame(
        [("North", "2026Q1"), ("North", "2026Q2"), ("South", "2026Q2")], columns=["site", "quarter"]
    )
    part = np.arange(101)[:, None, None] / 100
    whole = np.array([[0.8, 0.2], [1.5, 0.0], [0.0, 1.0]])
    return SimpleNamespace(
        terms=pd.DataFrame(
            [("a", "cause a", "named"), ("b", "cause b", "named"), ("hint", "a hint", "hint")],
            columns=["name", "title", "standing"],
        ),
        venting_shares=table,
        shares=table.assign(lifter="1 inlet"),
        cells=cells,
        cell_draws=part * whole,
        drawn_causes=("a", "b"),
        level=0.9,
        seed=3,
    )  # type: ignore[return-value]


def test_sums_and_their_ends_are_those_of_the_draws(sums) -> None:
    """Draws of cause a run evenly from 0 to 2.3, so 90 % of them lie between .115 and 2.185."""
    whole = causes.sum_causes(sums).set_index("cause")
    assert whole["ventings"].to_dict() == pytest.approx({"a": 1.5, "b": 1.25, "unexplained": 1.25})
    assert whole.loc["a", ["low", "high"]].tolist() == pytest.approx([0.115, 2.185])
    # the end of b's draws, 1.14, lies under its sum of 1.25: the range always holds the sum
    assert whole.loc["b", ["low", "high"]].tolist() == pytest.approx([0.06, 1.25])
    # four ventings less the draws of both, 0 to 3.5
    assert whole.loc["unexplained", ["low", "high"]].tolist() == pytest.approx([0.675, 3.825])
    by_site = causes.sum_causes(sums, ["site"]).set_index(["site", "cause"])
    assert by_site.loc[("South", "b"), ["ventings", "low", "high"]].tolist() == pytest.approx(
        [1.0, 0.05, 1.0]
    )
    assert by_site.loc[("North", "a"), "failing"] == 3


def test_change_of_two_counts_has_the_range_of_two_poissons(sums) -> None:
    """Where every draw is the same the difference of two Poisson counts is Skellam's (scipy.stats.skellam)."""
    steady = np.zeros((4000, 3, 2))
    steady[:, 0, 0], steady[:, 1, 0], steady[:, 1, 1] = 4.0, 30.0, 9.0
    told = SimpleNamespace(**vars(sums) | {"cell_draws": steady})
    rows = causes.compare_causes(told, ["2026Q1"], ["2026Q2"]).set_index("cause")
    assert rows.loc["a", ["before", "after", "change"]].tolist() == pytest.approx([0.75, 0.75, 0.0])
    low, high = stats.skellam.ppf([0.05, 0.95], 30.0, 4.0)
    assert abs(rows.loc["b", "high"] - stats.skellam.ppf(0.95, 9.0, 1e-9)) <= 1
    assert rows.loc["a", "low"] == 0.0  # the range holds the change of the sums
    assert abs(rows.loc["a", "high"] - high) <= 1
    back = causes.compare_causes(told, ["2026Q2"], ["2026Q1"]).set_index("cause")
    assert abs(back.loc["a", "low"] + high) <= 1 and low > 0
    assert rows.loc["b", "change"] == pytest.approx(1.0 - 0.25)


def test_a_chronic_cause_has_a_venting_in_three_quarters_of_the_quarters(sums) -> None:
    """Halves of a venting count as one; at three quarters on record .75 of them are 2.25, so all three are needed."""
    quarters = [f"2026Q{n}" for n in (1, 2, 3)]
    cells = [("North", q) for q in quarters] + [("South", quarters[0])]
    parts = [("V1", *cells[0], 0.6), ("V2", *cells[1], 0.5), ("V3", *cells[2], 0.4), ("V4", *cells[3], 1.0)]
    table = pd.DataFrame(
        [
            row
            for v, s, q, x in parts
            for row in ((v, s, q, "a", x), (v, s, q, "b", 1 - x), (v, s, q, "unexplained", 0.0))
        ],
        columns=["venting_id", "site", "quarter", "cause", "share"],
    )
    told = SimpleNamespace(
        **vars(sums)
        | {
            "venting_shares": table,
            "cells": pd.DataFrame(cells, columns=["site", "quarter"]),
            "cell_draws": np.zeros((0, 4, 2)),
        }
    )
    chronic = causes.list_chronic(told).set_index(["site", "cause"])
    assert chronic.loc[("North", "a"), ["quarters_with", "quarters", "chronic"]].tolist() == [2, 3, False]
    assert chronic.loc[("North", "b"), ["quarters_with", "chronic"]].tolist() == [2, False]
    assert causes.list_chronic(told, share=0.5).set_index(["site", "cause"]).loc[("North", "a"), "chronic"]
    assert ("South", "b") not in chronic.index  # nothing of it there


def test_what_a_run_cured_is_weighted_by_each_causes_share(sums) -> None:
    """Wilson 1927 by hand: (p + z2/2n +- z sqrt(p q/n + z2/4n2)) / (1 + z2/n), on sums of shares."""
    n = 12
    table = pd.DataFrame(
        [
            (f"V{i}", "1 inlet", "North", "2026Q1", cause, share)
            for i in range(n)
            for cause, share in (("a", 0.75), ("b", 0.25))
        ],
        columns=["venting_id", "lifter", "site", "quarter", "cause", "share"],
    )
    told = SimpleNamespace(**vars(sums) | {"shares": table})
    lifters = pd.DataFrame(
        {
            "venting_id": [f"V{i}" for i in range(n)],
            "position": "1 inlet",
            "cured": pd.array([True] * 6 + [False] * 4 + [None] * 2, dtype="boolean"),
        }
    )
    found = account_sums.cured_by_cause(told, lifters, level=0.9).set_index("cause")
    assert found.loc["a", ["looked", "cured", "share"]].tolist() == pytest.approx([7.5, 4.5, 0.6])
    p, m, z = 0.6, 7.5, stats.norm.ppf(0.95)
    half = z * np.sqrt(p * (1 - p) / m + z * z / (4 * m * m)) / (1 + z * z / m)
    middle = (p + z * z / (2 * m)) / (1 + z * z / m)
    assert found.loc["a", ["low", "high"]].tolist() == pytest.approx([middle - half, middle + half])
    assert found.loc["b", "looked"] == pytest.approx(2.5) and pd.isna(found.loc["b", "share"])


# --- changed records ------------------------------------------------------------------------------------------------------


def test_changed_records_have_the_findings_that_other_readings_would_have_given() -> None:
    """A limit of .50 mm: .49 is over where every gap is .02 larger, .51 is within where it is .02 smaller."""
    lifters = pd.DataFrame(
        {
            "venting_id": ["V1", "V1", "V2", "V2", "V3"],
            "over_first": pd.array([False, True, False, None, False], dtype="boolean"),
            "gap_first_mm": [0.49, 0.51, 0.40, 0.60, np.nan],
            "limit_mm": 0.50,
        }
    )
    changed = dict(account_sensitivity._change_lifters(lifters, ["V2", "V9"]))
    assert changed["held"]["over_first"].tolist() == [False, True, True, pd.NA, False]
    assert changed["gauge_high"]["over_first"].tolist() == [True, True, False, pd.NA, False]
    assert changed["gauge_low"]["over_first"].tolist() == [False, False, False, pd.NA, False]
    assert set(dict(account_sensitivity._change_lifters(lifters, []))) == {"gauge_high", "gauge_low"}


# --- without some of the ventings -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def asked() -> account_sensitivity._Asked:
    """An empty cooler named on 120 ventings, as it is asked for again."""
    jobs, lifters = draw_tables(np.random.default_rng(8), ventings=120, cooler=0.06)
    factors = account.list_causes_factors(causes.load_factors())
    problem = pose_question(jobs, lifters, gauges=causes.list_gauge_biases(lifters), factors=factors).problem
    (term,) = [
        t
        for t in account.list_terms_of(problem.rows)
        if t.cause == "cooler_empty" and t.kind == account.AIR and not t.nuisance
    ]
    return account_sensitivity._Asked.of(problem, [term])


def test_without_some_ventings_the_others_keep_their_findings_and_values(asked) -> None:
    rows, findings = asked.problem.rows, asked.problem.findings
    out = np.arange(120) % 3 == 1
    left = asked.without(out)
    kept = ~out[findings.row]
    assert 0 < kept.sum() < len(kept)
    assert left.problem.rows.venting.tolist() == rows.venting[~out].tolist()
    names = left.problem.rows.venting[left.problem.findings.row]
    assert names.tolist() == rows.venting[findings.row][kept].tolist()
    assert left.problem.findings.air.tolist() == findings.air[kept].tolist()
    assert left.columns.x[0].tolist() == asked.columns.x[0][~out].tolist()


def test_the_fewest_are_the_first_that_undo_it_in_the_order_of_what_they_add(asked, monkeypatch) -> None:
    """With the number of findings in place of the evidence: ventings are left out until so few findings remain."""
    monkeypatch.setattr(
        account_sensitivity._Asked, "weigh", lambda self, i: float(len(self.problem.findings.row))
    )
    rows, findings = asked.problem.rows, asked.problem.findings
    count = dict(zip(*np.unique(rows.venting[findings.row], return_counts=True), strict=True))
    total = len(findings.row)
    names, enough = asked.find_fewest(0, rows.venting, total - 5.0)
    assert enough
    gone = np.cumsum([count.get(name, 0) for name in names])
    assert gone[-1] >= 5 > gone[-2]
    # those that speak for the term first: failing with an empty cooler
    empty = dict(zip(rows.venting, asked.columns.x[0], strict=True))
    assert all(empty[name] == 1.0 and count[name] >= 1 for name in names)
    many, enough = asked.find_fewest(0, rows.venting, 0.0)
    assert not enough and len(many) == account_sensitivity.MOST_LEFT_OUT


def test_evidence_is_that_of_the_form_that_shows_it_best(asked, monkeypatch) -> None:
    """Two forms beside each other, the second not looked at; the larger of those looked at counts."""
    two = replace(asked, forms=((0, 1, 2),))

    class Told:
        def score(self, *_: object, **__: object) -> SimpleNamespace:
            return SimpleNamespace(evidence=np.array([3.0, 9.0, 4.0]), looked=np.array([True, False, True]))

    monkeypatch.setattr(account_sensitivity, "Rounds", lambda *_: Told())
    assert two.weigh(0) == 4.0
    assert replace(asked, forms=((),)).weigh(0) == -np.inf


def test_no_chance_by_simulation_is_nought(asked) -> None:
    """Beyond all 50 simulated fleets: one of 51 (Phipson and Smyth 2010, from memory)."""
    rounds = account_naming.Rounds(asked.problem, asked.columns, {})
    scores = rounds.score([], asked.problem.fit(asked.columns, []), simulations=50)
    assert scores.looked[0] and scores.evidence[0] > 6
    assert scores.chance[0] == pytest.approx(1 / 51)


def test_findings_of_both_kinds_are_shared_by_what_their_readings_say() -> None:
    """One venting, two findings, air .9 and .2 of them; patterns only air .5, only leak .2, both .3: .5 + .3 x .9 air of the
    first, half of it the named cause's; a tenth of the second rests on its gauge.
    """
    findings = account_fit.Findings(
        np.array([0, 0]), np.array([0.9, 0.2]), np.array([0.1, 0.8]), np.array([0.0, 0.1])
    )
    failures = account_fit.gather_failures(findings)
    parts = account_shares.Parts(
        {account.AIR: np.array([[0.5]]), account.LEAK: np.array([[0.0]])},
        {account.AIR: np.array([0.3]), account.LEAK: np.array([0.1])},
    )
    found = account_shares.share_findings(findings, failures, np.array([[0.5, 0.2, 0.3]]), parts)
    np.testing.assert_allclose(found[account.AIR], [[0.385, 0.385], [0.9 * 0.28, 0.9 * 0.28]])
    np.testing.assert_allclose(found[account.LEAK], [[0.0, 0.23], [0.0, 0.9 * 0.44]])
    assert found["gauge"].tolist() == [0.0, 0.1]


# --- what the account starts from ------------------------------------------------------------------------------------------


def weigh(findings: pd.DataFrame, *gauges: tuple[Any, ...]) -> tuple[Any, np.ndarray, pd.DataFrame]:
    columns = ["gauge", "from", "until", "bias", "uncertainty"]
    over = np.ones(len(findings), dtype=bool)
    return explaining._weigh_gauges(findings, over, pd.DataFrame(list(gauges), columns=columns))


def test_a_finding_rests_on_a_bias_in_force_by_the_chance_that_its_gap_is_within() -> None:
    """Read .55 against .5 mm with a gauge .09 high, .015 and .02 uncertain: Phi((.5 - .55 + .09) / .025) = Phi(1.6) = .94520 (tables).
    In force from the first day on and no longer on the last.
    """
    days = pd.to_datetime(["2026-01-31", "2026-02-01", "2026-05-31", "2026-06-01"])
    findings = pd.DataFrame(
        {"gauge": "A", "limit_mm": 0.5, "gap_first_corrected_mm": 0.55, "gauge_u_mm": 0.02, "date": days}
    )
    readings, weight, table = weigh(findings, ("A", days[1], days[3], 0.09, 0.015))
    assert weight.round(5).tolist() == [0.0, 0.9452, 0.9452, 0.0]
    assert table["findings"].tolist() == pytest.approx([weight.sum()])
    assert readings.names == ("A",) and readings.gauge.tolist() == [-1, 0, 0, -1]


def test_a_finding_rests_on_a_bias_by_where_the_fleets_gaps_lie() -> None:
    """By hand: read .62 with a gauge .10 +- .015 high, .02 uncertain. Where any gap is as likely Phi(-.02 / .025) = .2119; among gaps
    N(.46, .02) the true one is .49 +- .01414 and moves by half of what the bias is off: Phi(.01 / .01601) = Phi(.6247) = .7339.
    """
    one = pd.DataFrame({"gauge": "A", "limit_mm": 0.5, "gap_first_mm": [0.62] * 3, "gauge_u_mm": 0.02})
    bias = ("A", pd.NaT, pd.NaT, 0.10, 0.015)
    assert weigh(one, bias)[1].round(4).tolist() == [0.2119] * 3
    fleet = gauge.GapDistribution(np.array([0.46, 0.75]), 0.02, np.array([0.95, 0.05]), 1_000_000, 0)
    # Phi((.5 - .48341) / .015617) = Phi(1.062); those at .75 are out of reach
    assert gauge.tell_within(fleet, 0.52, u=0.025, limit=0.5).round(4).tolist() == [0.8559]
    others = pd.DataFrame(
        {"gauge": "B", "limit_mm": 0.5, "gap_first_mm": [0.46] * 950 + [0.75] * 50, "gauge_u_mm": 0.02}
    )
    lifters = pd.concat([others, one], ignore_index=True)
    over = (lifters["gap_first_mm"] > 0.5).to_numpy()
    table = pd.DataFrame([bias], columns=["gauge", "from", "until", "bias", "uncertainty"])
    readings, weight, _ = explaining._weigh_gauges(lifters, over, table)
    assert weight[:-3].max() == 0 and weight[-1] == pytest.approx(0.734, abs=0.03)
    known = replace(readings, spread=fleet)
    assert known.expect_resting()[-1] == pytest.approx(0.7339, abs=1e-4)
    # a draw takes the bias as drawn: one standard uncertainty more takes .505 +- .02, among the same gaps Phi(1.237)
    drawn = known.tell_resting(np.ones(len(readings.gauge)))
    assert drawn[-1] == pytest.approx(stats.norm.cdf((0.5 - 0.4825) / (0.02 / np.sqrt(2))), abs=1e-4)


def test_biases_are_looked_at_over_all_gauges() -> None:
    """One-sided p of .7 of the share: within it where one gauge is looked at, beyond it where two are (Bonferroni)."""
    z = stats.norm.isf(0.7 * evidence.load_budget().share(gauge.FAMILY))
    findings = pd.DataFrame(
        {"gauge": "A", "limit_mm": 0.5, "gap_first_corrected_mm": [0.51] * 3, "gauge_u_mm": 0.02}
    )
    one, other = ("A", pd.NaT, pd.NaT, 0.06, 0.06 / z), ("B", pd.NaT, pd.NaT, 0.0, 0.01)
    assert weigh(findings, one)[0].names == ("A",)
    assert weigh(findings, one, other)[0].names == ()


def test_likelihoods_of_air_and_leak_add_up_to_one() -> None:
    findings = pd.DataFrame({"air_likelihood": [0.6, np.nan, 0.0], "leak_down_likelihood": [0.2, 0.3, 0.0]})
    air, leak = explaining._read_likelihoods(findings)
    assert air.tolist() == pytest.approx([0.75, 0.5, 0.5]) and leak.tolist() == pytest.approx(
        [0.25, 0.5, 0.5]
    )


def test_how_many_more_ventings_it_takes_goes_by_the_share_that_fails() -> None:
    """Failing ventings that lack, over 5.5 of 201 failing (half a failure added): the next whole number."""
    least = evidence.need("account")
    assert explaining._count_needed(200, 5) == int(np.ceil((least["failing"] - 5) * 201 / 5.5))
    assert explaining._count_needed(int(least["ventings"]) - 7, int(least["failing"])) == 7
    assert explaining._count_needed(int(least["ventings"]), int(least["failing"])) == 0


def test_a_bias_from_routine_use_is_as_uncertain_as_its_own_p(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two-sided p of .04 of a difference of .06 mm: .06 / 2.0537 (tables of the normal)."""
    told = pd.DataFrame(
        {"gauge": ["A"], "state": ["estimated"], "note": [""], "p": [0.04], "difference_mm": [0.06], "low": [0.0], "high": [0.12]}
    )  # fmt: skip
    monkeypatch.setattr(gauge, "compare_routine_readings", lambda *_, **__: told)
    lifters = pd.DataFrame({"gauge": ["A"], "engine_id": "E1", "site": "North", "gap_first_mm": 0.2})
    found = causes.list_gauge_biases(lifters).iloc[0]
    assert (found["bias"], found["uncertainty"]) == (0.06, pytest.approx(0.06 / 2.0537, rel=1e-4))


# --- effects --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("level", [0.95, 0.8])
def test_an_effect_has_students_interval_and_both_tails(level: float) -> None:
    effect = fits.make_effect(0.7, 0.3, 9.5, level=level)
    assert (effect.low, effect.high) == pytest.approx(stats.t.interval(level, 9.5, 0.7, 0.3))
    assert effect.p == pytest.approx(2 * stats.t.sf(0.7 / 0.3, 9.5))
    assert fits.make_effect(-0.7, 0.3, 9.5, level=level).p == pytest.approx(effect.p)


def test_strata_agree_by_tarones_test_over_the_design_effect() -> None:
    """statsmodels' StratifiedTable (library run); variance by engines over the plain one divides the statistic."""
    rng = np.random.default_rng(2)
    stratum, engine = np.repeat([0, 1, 2], 60), np.repeat(np.arange(45), 4)
    exposed = (rng.random(180) < 0.5).astype(float)
    share = np.where(rng.random(45) < 0.3, 0.5, 0.05)[engine] * np.where(exposed, 1.6, 1.0)
    failures, trials = rng.binomial(8, np.clip(share, 0, 0.95)).astype(float), np.full(180, 8.0)
    effect, agree = strata.estimate_stratified(
        exposed, failures, trials, stratum=stratum, cluster=engine, n_clusters=45, level=0.95
    )
    tables = [
        [
            [failures[at & (exposed == side)].sum(), (trials - failures)[at & (exposed == side)].sum()]
            for side in (1, 0)
        ]
        for at in (stratum == s for s in range(3))
    ]
    library = StratifiedTable(np.array(tables).transpose(1, 2, 0))
    assert effect is not None and effect.log == pytest.approx(library.logodds_pooled)
    design_effect = effect.se**2 / library.logodds_pooled_se**2
    assert design_effect > 1.5
    statistic = library.test_equal_odds(adjust=True).statistic / design_effect
    assert agree == pytest.approx(stats.chi2.sf(statistic, 2))


def test_design_effect_of_engines_by_hand() -> None:
    """Four engines of eight, four failing in one: squares 9 + 1 + 1 + 1 over 32 x 1/8 x 7/8; evenly spread it is 1."""
    lumped = coding.OutcomeRows("lifter_failure", np.arange(4), np.array([4.0, 0, 0, 0]), np.full(4, 8.0))
    assert settings.estimate_design_effect(lumped, np.arange(4), 4) == pytest.approx(12 / 3.5)
    assert settings.estimate_design_effect(replace(lumped, failures=np.ones(4)), np.arange(4), 4) == 1.0


def test_slope_of_a_rounded_number_in_a_large_fleet_is_the_library_s() -> None:
    """statsmodels' binomial GLM with its variance summed by engine (library run), times engines over engines - 1."""
    rng = np.random.default_rng(6)
    engine = rng.integers(0, 2_100, 10_500)
    x, trials = np.round(rng.normal(3, 1, 10_500), 1), np.full(10_500, 8.0)
    logit = -3.0 + 0.3 * x + rng.normal(0, 0.5, 2_100)[engine]
    failures = rng.binomial(8, 1 / (1 + np.exp(-logit))).astype(float)
    effect = settings.compare_numbers(x, failures, trials, cluster=engine, n_clusters=2_100, level=0.95)
    counts = np.column_stack([failures, trials - failures])
    model = sm.GLM(counts, sm.add_constant(x), family=sm.families.Binomial())
    fit = model.fit(tol=1e-12, cov_type="cluster", cov_kwds={"groups": engine, "use_correction": False})
    engines = len(np.unique(engine))
    assert effect is not None and effect.log == pytest.approx(fit.params[1], abs=1e-8)
    assert effect.se == pytest.approx(fit.bse[1] * np.sqrt(engines / (engines - 1)), rel=1e-7)
