"""Ten questions of the people who read the reports, each answered on the first screen of one report of the invented fleet.

A question names the report, what is asked of it, and what its first screen must say: the answer's lines and what to do beside
them, nothing further down. What is right comes from what was planted (truth.json) or is counted here from the record tables.
"""

from __future__ import annotations

import json
import re
from functools import cache

import pandas as pd
import pytest

from run_pages import run_page
from ventbook.document.blocks import Answer
from ventbook.records.store import open_store

LIMIT_MM = 0.65  # the invented manual's gap limit (data/demo_limits.toml, section 7.8 and before)


@pytest.fixture(scope="module")
def truth(demo_store):
    return json.loads((demo_store.parent / "truth.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def records(demo_store):
    snapshot = open_store(demo_store).snapshot()
    return {name: snapshot.read(name) for name in ("engines", "ventings", "lifter_checks")}


@pytest.fixture(scope="module")
def ask(demo_store, tmp_path_factory):
    """The first screen of a report as text; each report with its parameters is run once."""

    @cache
    def run(name: str, **given: str) -> str:
        made = run_page(name, demo_store, tmp_path_factory.mktemp("ask"), **given)
        return first_screen(made)

    return run


def first_screen(made) -> str:
    """What a reader sees before moving the page: the answer's lines and what to do."""
    block = next(b for shown in made.shown for b in shown if isinstance(b, Answer))
    return "\n".join([*block.sentences, *block.todo])


def between(frame: pd.DataFrame, since: str, until: str) -> pd.DataFrame:
    return frame[(frame["date"] >= since) & (frame["date"] < until)]


def failing(records, since: str, until: str) -> pd.Series:
    """Whether each venting had a lifter over the limit as read at its first check; those with a check only."""
    first = records["lifter_checks"]
    first = first[(first["check_no"] == 1) & first["gap_mm"].notna()]
    over = first.groupby("venting_id")["gap_mm"].max() > LIMIT_MM
    inside = between(records["ventings"], since, until)["venting_id"]
    return over[over.index.isin(inside)]


def shares(text: str) -> list[tuple[int, int]]:
    return [(int(a), int(b)) for a, b in re.findall(r"(\d+) of (\d+)", text)]


def test_which_site_first_since_when_and_why(ask, truth, records):
    """Quality manager. Planted: a site that gets worse; one that leaves the tank without pressure."""
    said = ask("quarterly-review", period="2026Q3")
    worse = truth["planted"]["worsening_site"]["site"]
    assert re.search(rf"at {worse} since 20\d\dQ\d", said)
    assert f"{worse} getting worse quarter by quarter" in said
    assert f"{worse}: " in said  # what to do there
    # it is the site with the greatest share of failing ventings, by the records themselves
    over = failing(records, "2026-07-01", "2026-10-01")
    sites = records["ventings"].set_index("venting_id")["site"].reindex(over.index)
    assert over.groupby(sites).mean().idxmax() == worse


def test_what_changed_from_one_quarter_to_the_next(ask, records):
    """Quality manager: 2026Q2 to 2026Q3, and from a year before."""
    said = ask("quarterly-review", period="2026Q3", against="2026Q2")
    for since, until in (("2026-07-01", "2026-10-01"), ("2026-04-01", "2026-07-01")):
        over = failing(records, since, until)
        # a light press that reads within says nothing, so that the page may leave out a few
        near = [(a, b) for a, b in shares(said) if a == over.sum() and 0 <= len(over) - b <= 3]
        assert near, (int(over.sum()), len(over))
    change = re.search(
        r"moved by ([+\u2212]\d+) points \(([+\u2212]\d+) to ([+\u2212]\d+)\), which chance alone", said
    )
    assert change is not None
    year = ask("quarterly-review", period="2026Q3", against="2025Q3")
    assert "in 2025Q3" in year
    assert "2026Q2" not in year.split("in 2025Q3")[0]


def test_is_the_gauge_to_blame(ask, truth):
    """Quality manager and analyst. Planted: one gauge that reads high."""
    planted = truth["planted"]["high_gauge"]
    said = ask("gauge-study", period="2026Q3")
    read = re.search(rf"{planted['gauge']}\b.*?reads (\d\.\d+) mm high", said)
    assert read is not None
    assert float(read[1]) == pytest.approx(planted["bias_mm"], abs=0.015)
    review = ask("quarterly-review", period="2026Q3")
    assert re.search(rf"{planted['site']}: have gauge {planted['gauge']} set right", review, re.IGNORECASE)


def test_which_jobs_must_i_call_back_today(ask, records):
    """Overhaul shop: engines whose latest venting was closed with a lifter over the limit."""
    said = ask("conformity", period="2026Q3")
    checks = records["lifter_checks"].dropna(subset=["gap_mm"])
    last = checks.sort_values("check_no").groupby(["venting_id", "cylinder", "valve"])["gap_mm"].last()
    over = last.groupby("venting_id").max() > LIMIT_MM
    jobs = records["ventings"].sort_values(["date", "venting_id"])
    jobs = jobs[jobs["closed"].notna() & jobs["venting_id"].isin(over[over].index)].assign(
        latest=lambda f: f["venting_id"].isin(
            records["ventings"]
            .sort_values(["date", "venting_id"])
            .drop_duplicates("engine_id", keep="last")["venting_id"]
        )
    )
    told = re.search(
        r"(\d+) jobs on record were closed with a lifter over.*?(\d+) engines have no later venting on record: ([^.]*(?:\.\d+[^.]*)*)\.",
        said,
    )
    assert told is not None
    assert int(told[1]) == len(jobs)
    assert int(told[2]) == int(jobs["latest"].sum())
    named = jobs.loc[jobs["latest"], "engine_id"].iloc[::-1].head(6).tolist()
    assert all(engine in told[3] for engine in named)


def test_is_this_lot_safe_to_fit(ask, truth, records):
    """Overhaul shop. Planted: lifters of one lot leak down."""
    lot = truth["planted"]["leaking_lot"]["lot"]
    said = ask("spongy-lifters", period="2026Q3", lot=lot)
    assert re.search(rf"lot {lot}", said)
    with_lot = records["ventings"].loc[records["ventings"]["lifter_lot"].eq(lot).fillna(False), "venting_id"]
    over = failing(records, "2024-01-01", "2026-10-01")
    over = over[over.index.isin(with_lot)]
    assert (int(over.sum()), len(over)) in shares(ask("monitor", period="2026Q3"))
    assert re.search(rf"Alarm: lot {lot}.*stop fitting this lot", ask("monitor", period="2026Q3"), re.DOTALL)


def test_did_our_action_work(ask, truth):
    """Quality manager. The demo's actions: the leaking lot taken out (it helps), and one at the site that goes on getting worse."""
    said = ask("quarterly-review", period="2026Q3")
    assert re.search(r"A-2026-01 worked", said)
    assert re.search(r"A-2026-02 is too young to judge, next look 2027-02-15", said)


def test_what_do_i_do_at_this_engine_first(ask, truth, records):
    """Overhaul shop: an engine of the planted cause; nothing said leaves the limits."""
    found = [
        f
        for f in truth["failures"]
        if f["cause"] == "tank_not_pressurised" and f["shares"] == {"tank_not_pressurised": 1.0}
    ]
    ventings = records["ventings"].set_index("venting_id")
    venting = max((f["venting_id"] for f in found), key=lambda v: (ventings["date"][v], v))
    said = ask("spongy-lifters", engine=ventings["engine_id"][venting])
    assert "put the tank under pressure" in said
    assert (
        "within the limits in force: pressure on the tank 0.55 to 1.15 bar" in said
    )  # the invented manual's


def test_how_many_rotations_and_when_to_stop(ask):
    """At the stand: a planned venting."""
    said = ask("planned-venting")
    expect = re.search(r"Expect (\d+) rotations .*? take (\d+) to (\d+)\)", said)
    stop = re.search(r"Stop at (\d+) .*?The manual's count is (\d+)", said, re.DOTALL)
    assert expect is not None
    assert stop is not None
    middle, low, high = map(int, expect.groups())
    count, manual = map(int, stop.groups())
    assert low < middle < high
    assert middle < count <= manual == 230  # the invented manual's count


def test_which_step_is_left_out_where(ask, truth, records):
    """Quality manager. Planted: one site seldom pressurises the tank."""
    planted = truth["planted"]["tank_not_pressurised"]
    rows = between(records["ventings"], "2026-07-01", "2026-10-01")
    rows = rows[
        (rows["lines_empty"].fillna(False) | rows["cooler_empty"].fillna(False))
        & rows["tank_overpressure_bar"].notna()
    ]
    here = rows["site"].eq(planted["site"])
    none = rows["tank_overpressure_bar"].lt(0.55)
    for report in ("conformity", "quarterly-review"):
        said = ask(report, period="2026Q3")
        line = next(text for text in said.splitlines() if text.startswith(f"At {planted['site']} the tank"))
        assert shares(line)[0] == (int((none & here).sum()), int(here.sum()))
        assert (int((none & ~here).sum()), int((~here).sum())) in shares(line)
        assert "put the tank under pressure wherever line or cooler is empty" in said


def test_how_far_can_i_trust_the_count(ask, records):
    """Analyst: how many of the failing ventings are failing, how many passed are not."""
    said = ask("gauge-study", period="2026Q3")
    assert re.search(r"of \d+ passed", said)
    review = ask("quarterly-review", period="2026Q3")
    over = failing(records, "2026-07-01", "2026-10-01")
    share = re.search(r"(\d+) of (\d+) ventings \((\d+) %; plausible range (\d+) to (\d+) %\)", review)
    assert share is not None
    assert int(share[1]) == over.sum()
    # Wilson's interval, independent of engines, as statsmodels gives it, within a few points of the clustered one
    from statsmodels.stats.proportion import proportion_confint

    low, high = proportion_confint(int(share[1]), int(share[2]), method="wilson")
    assert int(share[4]) == pytest.approx(100 * low, abs=3)
    assert int(share[5]) == pytest.approx(100 * high, abs=3)
