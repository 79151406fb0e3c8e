"""What is done another way in a large fleet comes to what is done in a small one."""

from __future__ import annotations

import csv
import io

import numpy as np
import pandas as pd
import pytest

from invented_fleet import fleet_tables, make_page
from ventbook import model
from ventbook.document import columns as shown_columns
from ventbook.document import find_closing, findings, values
from ventbook.document.blocks import Data
from ventbook.model import conformity
from ventbook.model import lifters as lifter_table
from ventbook.numerics import is_among, thin_engines
from ventbook.reports import page as pages
from ventbook.reports import time_to_pressure
from ventbook.shipped import WHOLE_TABLES
from ventbook.statistics import causes
from ventbook.statistics.causes import account, account_sensitivity, fits
from ventbook.statistics.rates import positions, shares


@pytest.fixture(scope="module")
def fleet():
    records = fleet_tables(300)
    lifters = model.build_lifters(records)
    return records, model.build_ventings(records, lifters=lifters), lifters


def test_sums_step_by_step_are_those_of_the_verdicts(fleet):
    records, jobs, lifters = fleet
    whole = conformity.check_steps(records, jobs, lifters)
    gathered = conformity.gather_readings(
        records, jobs, lifters, limits=lifter_table.choose_limits(records, None)
    )
    part = jobs.iloc[37:180]
    steps = list(conformity.judge_steps(gathered, part, limits=lifter_table.choose_limits(records, None)))
    mine = whole[is_among(whole["venting_id"], part["venting_id"])].reset_index(drop=True)
    pd.testing.assert_frame_equal(conformity.lay_table(steps, part), mine)
    sums = part[["venting_id", "engine_id", "site"]].join(conformity.sum_ventings(steps, part))
    for site, rows in mine.groupby("site"):
        one = shares.steps_within_share(rows)
        two = shares.share_of_steps(sums[sums["site"] == site], level=0.95)
        assert one == two


def make_rows(n, seed=0, *, separated=False):
    rng = np.random.default_rng(seed)
    x, other = rng.integers(0, 2, n), rng.integers(0, 3, n)
    design = np.column_stack([np.ones(n), x, other == 1, other == 2]).astype(float)
    trials = rng.choice([8.0, 12.0], n)
    chance = 0.02 * np.where(x == 1, 0.0 if separated else 3.0, 1.0)
    return design, rng.binomial(trials.astype(int), chance).astype(float), trials


def test_fits_on_rows_that_differ_are_the_fits_on_all(monkeypatch):
    for separated in (False, True):
        design, failures, trials = make_rows(3000, separated=separated)
        few = fits.profile_firth(design, failures, trials, 1, level=0.95)
        monkeypatch.setattr(fits, "PROFILE_FROM", 10**9)
        every = fits.profile_firth(design, failures, trials, 1, level=0.95)
        monkeypatch.undo()
        assert [few.log, few.low, few.high, few.p] == pytest.approx(
            [every.log, every.low, every.high, every.p], abs=1e-6
        )
    design, failures, trials = make_rows(3000)
    engines = np.random.default_rng(1).integers(0, 900, 3000)
    every, _, none = fits.fit_patterns(design, failures, trials)
    assert none is None
    monkeypatch.setattr(fits, "COLLAPSE_FROM", 100)
    few, fitted, place = fits.fit_patterns(design, failures, trials)
    assert len(fitted) == 6
    assert few.beta == pytest.approx(every.beta, abs=1e-9)
    effects = [
        fits.estimate_contrast(fit, of, np.eye(4)[1], cluster=engines, n_clusters=900, level=0.95, place=at)
        for fit, of, at in ((every, design, None), (few, fitted, place))
    ]
    assert effects[0].low == pytest.approx(effects[1].low, abs=1e-9)
    assert effects[0].p == pytest.approx(effects[1].p, abs=1e-9)


def test_columns_that_need_no_split_are_those_of_the_whole_table(fleet, monkeypatch):
    records, _, lifters = fleet
    few = ["venting_id", "over_first", "limit_mm"]
    with monkeypatch.context() as patch:
        patch.setattr(lifter_table, "_split_causes", None)  # not asked
        pd.testing.assert_frame_equal(model.build_lifters(records, columns=few), lifters[few])
    for name in lifter_table.SPLIT:
        pd.testing.assert_frame_equal(model.build_lifters(records, columns=[name]), lifters[[name]])


def test_causes_of_a_large_fleet_are_named_from_some_and_told_of_all(monkeypatch):
    records = fleet_tables(600)
    lifters = model.build_lifters(records)
    ventings = model.build_ventings(records, lifters=lifters)
    every = causes.explain_failures(ventings, lifters, draws=8)
    assert every.named_from == every.ventings
    assert "cooler" in " ".join(every.terms.loc[every.terms["standing"] == "named", "name"])
    monkeypatch.setattr(account, "LOOKED_AT", 450)
    monkeypatch.setattr(account_sensitivity, "LOOKED_AT", 450)
    found = causes.explain_failures(ventings, lifters, draws=8)
    assert found.named_from < 450 < found.ventings == every.ventings
    assert found.failing == every.failing
    sums = causes.sum_causes(found)
    assert sums["ventings"].sum() == pytest.approx(found.failing)
    # a cause that both name has of all failures what the whole fleet's own naming gives it
    one, two = (a.terms[a.terms["standing"] == "named"].set_index("name") for a in (every, found))
    both = one.index.intersection(two.index)
    assert len(both)
    for name in both:
        assert two.loc[name, "exposed"] == one.loc[name, "exposed"]
        assert two.loc[name, "ventings"] == pytest.approx(one.loc[name, "ventings"], rel=0.35)
        assert two.loc[name, "ventings_low"] <= two.loc[name, "ventings"] <= two.loc[name, "ventings_high"]
    asked = causes.try_changes(found, ventings, lifters)
    assert set(asked.changes["cause"]) <= set(two.index)


def test_thinned_engines_stay_whole():
    jobs = pd.DataFrame({"engine_id": [f"E{n % 397:03d}" for n in range(1000)]})
    few = thin_engines(jobs, most=300)
    assert 200 <= len(few) <= 300
    kept = jobs["engine_id"].isin(few["engine_id"])
    assert len(few) == kept.sum()
    assert thin_engines(jobs, most=1000) is jobs


def test_a_page_says_where_fits_are_made_from_some_of_the_engines(monkeypatch):
    caution = "from whole engines at even distances"
    page = make_page("time-to-pressure", fleet_tables(300))
    every = time_to_pressure.load_data(page).effects.found
    assert caution not in " ".join(page.cautions())
    monkeypatch.setattr(pages, "LOOKED_AT", 150)
    page = make_page("time-to-pressure", fleet_tables(300))
    some = time_to_pressure.load_data(page).effects.found
    assert caution in " ".join(page.cautions())
    assert f"of {len(page.history_jobs)} ventings" in " ".join(page.cautions())
    assert 100 < some.ventings <= 170 < every.ventings


def make_positions(engines, seed):
    """Engines of 8 or 12 positions that fail alike, some positions not checked every time."""
    rng = np.random.default_rng(seed)
    size = rng.choice([8, 12], engines)
    engine = np.repeat(np.arange(engines), size)
    position = np.concatenate([np.arange(n) for n in size])
    kept = rng.random(engine.size) < 0.9
    over = rng.random(engine.size) < 0.08
    return over[kept], engine[kept], position[kept]


def test_dealt_sums_drawn_as_normal_have_the_dealings_moments(monkeypatch):
    over, engine, position = make_positions(1500, 4)
    rank = position / 11
    dealt = positions.test_positions(over, engine, position, feed_rank=rank, draws=3999, seed=1)
    monkeypatch.setattr(positions, "NORMAL_FROM", 1)
    drawn = positions.test_positions(over, engine, position, feed_rank=rank, draws=3999, seed=1)
    assert drawn.statistic == dealt.statistic
    assert drawn.feed_slope == dealt.feed_slope
    # four standard errors of a difference of two shares of 3,999 draws
    assert drawn.p == pytest.approx(dealt.p, abs=4 * np.sqrt(0.5 / 3999))
    assert drawn.feed_p == pytest.approx(dealt.feed_p, abs=4 * np.sqrt(0.5 / 3999))
    over[position == 3] |= np.random.default_rng(2).random(int((position == 3).sum())) < 0.1
    assert positions.test_positions(over, engine, position, draws=999).p < 0.01


def test_covariance_of_dealt_sums_by_hand():
    # one block of three values 2, -1, -1 dealt on three positions: variance 2, covariance -1
    root = positions._dealing_root(np.array([2.0, -1.0, -1.0]), np.zeros(3, int), np.eye(3))
    expected = np.array([[2.0, -1.0, -1.0], [-1.0, 2.0, -1.0], [-1.0, -1.0, 2.0]])
    assert root @ root == pytest.approx(expected, abs=1e-12)
    assert root == pytest.approx(root.T, abs=1e-12)


def test_long_tables_are_held_in_part_and_written_whole(monkeypatch, tmp_path):
    monkeypatch.setattr(shown_columns, "ROWS_HELD", 40)
    monkeypatch.setattr(findings, "ROWS_AT_ONCE", 7)
    rng = np.random.default_rng(0)
    frame = pd.DataFrame(
        {
            "venting_id": [f"=H{n}" if n % 3 else None for n in range(100)],
            "gap_mm": np.where(rng.random(100) < 0.2, np.nan, rng.normal(0, 1, 100)),
            "date": pd.date_range("2026-01-01", periods=100),
            "open": pd.array([None, True, False, True] * 25, dtype="boolean"),
            "lifters": pd.array([None, 1, 2, 3] * 25, dtype="Int64"),
            "engine_id": ['a "b", c\nd', "007", "4.10", "-1"] * 25,
        }
    )
    chosen = shown_columns.choose_columns(frame.columns, None)
    held = shown_columns.make_data("rows", frame, chosen, title="Rows")
    assert held.total == 100
    assert {len(cells) for cells in held.cells.values()} == {40}
    findings.write_frame(tmp_path / "rows.csv", frame)
    cells = {name: tuple(values.each_value(frame[name], values.plain_cell)) for name in frame}
    whole = findings.table_csv(Data("rows", "Rows", held.columns, cells))
    assert (tmp_path / "rows.csv").read_text("utf-8") == whole
    assert len(list(csv.reader(io.StringIO(whole)))) == 101
    short = shown_columns.make_data("rows", frame.head(40), chosen, title="Rows")
    assert short.total == 0


def test_words_of_rows_are_said_once_each():
    said = []

    def say(value, unit):
        said.append((value, unit))
        return f"{value} {unit}"

    first = pd.Series([1.0, np.nan, 1.0, np.nan, 2.0])
    second = pd.Series(["mm", "mm", "mm", "mm", None], dtype="str")
    assert values.say_each(say, first, second) == ["1.0 mm", "nan mm", "1.0 mm", "nan mm", "2.0 nan"]
    assert len(said) == 3
    assert values.say_each(say, first.head(0), second.head(0)) == []


def test_lifters_built_in_parts_are_the_whole(fleet, monkeypatch):
    records, _, whole = fleet
    monkeypatch.setattr(lifter_table, "PART_READINGS", 400)
    parts = lifter_table._split_readings(records, records["ventings"])
    sizes = [len(mine["lifter_checks"]) for mine, _ in parts]
    assert len(sizes) > 5
    pd.testing.assert_frame_equal(model.build_lifters(records), whole)
    few = ["venting_id", "over_first", "cause"]
    pd.testing.assert_frame_equal(model.build_lifters(records, columns=iter(few)), whole[few])


@pytest.mark.parametrize("ventings", [0, 1])
def test_columns_keep_their_kinds_where_there_is_next_to_nothing(ventings):
    tables = fleet_tables(300)
    few = {name: tables[name].iloc[:0] for name in ("starts", "lifter_checks")}
    few = tables | few | {"ventings": tables["ventings"].iloc[:ventings]}
    for build in (model.build_ventings, model.build_lifters):
        pd.testing.assert_series_equal(build(few).dtypes, build(tables).dtypes)


@pytest.mark.parametrize("given", [False, True])
def test_a_page_leaves_its_long_tables_whole(given, monkeypatch, tmp_path):
    """Where a report is made from its notebook, the page's own files are written later from what the notebook holds."""
    monkeypatch.setattr(shown_columns, "ROWS_HELD", 3)
    if not given:
        monkeypatch.setenv(WHOLE_TABLES, str(tmp_path))
    page = make_page("records", fleet_tables(300), out=str(tmp_path) if given else "")
    page.add_table("long", pd.DataFrame({"site": list("abcde")}), title="Long", columns=["site"])
    closing = find_closing(page.finish())
    findings.write_files(tmp_path, closing, (), {})
    assert (tmp_path / "tables" / "long.csv").read_text("utf-8").split() == ["site", *"abcde"]
    (tmp_path / "tables" / "long.csv").unlink()
    findings.write_files(tmp_path, closing, (), {})  # the notebook alone
    assert (tmp_path / "tables" / "long.csv").read_text("utf-8").split() == ["site", *"abc"]


def test_ids_among_others_are_what_isin_says():
    ids = pd.Series(["V1", "V2", None, "V3", "V1", "V9"], dtype="str")
    other = pd.Series(["V1", "V3", "V3", "V7"], dtype="str")
    assert is_among(ids, other).tolist() == ids.isin(other).tolist()
    assert not is_among(ids, other.iloc[:0]).any()
