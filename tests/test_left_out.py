"""Steps outside the limit at one site far more often than at the others: like engines with like, and beyond chance."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from invented_fleet import fleet_tables, make_page
from ventbook.reports import conformity, quarterly_review
from ventbook.reports.left_out import count_left_out, say_left_out
from ventbook.statistics import rates
from ventbook.tables import evidence, load_states, load_steps
from ventbook.tables.suggestions import check_names

STEP = "tank_overpressure_when_empty"
STATES = {"cooler_empty": (True, False), "line_empty": (False, True)}  # cooler, line


def make_jobs(cells, step=STEP):
    """Verdicts and ventings from {(site, state): (outside, judged)}, an engine a venting."""
    rows = []
    for (site, state), (outside, judged) in cells.items():
        rows += [(site, state, k < outside) for k in range(judged)]
    frame = pd.DataFrame(rows, columns=["site", "state", "outside"])
    frame["venting_id"] = [f"V{k}" for k in range(len(frame))]
    jobs = frame[["venting_id"]].copy()
    for place, column in enumerate(("cooler_empty", "lines_empty")):
        jobs[column] = pd.array([STATES[s][place] for s in frame["state"]], dtype="boolean")
    verdicts = frame[["venting_id", "site"]].assign(
        engine_id="E" + frame["venting_id"],
        step=step,
        verdict=np.where(frame["outside"], "outside", "within"),
        value=np.where(frame["outside"], 0.0, 0.6),
    )
    return verdicts, jobs


def only(found, site):
    return next(row for row in found if row.site == site)


@pytest.mark.parametrize(("outside", "others"), [(6, 3), (1, 20), (8, 21)])
def test_one_state_is_fishers_exact_test(outside, others):
    cells = {("Plain", "cooler_empty"): (outside, 8), ("Lake", "cooler_empty"): (others, 21)}
    row = only(rates.compare_steps(*make_jobs(cells)), "Plain")
    # scipy's fisher_exact, one-sided
    table = [[outside, 8 - outside], [others, 21 - others]]
    assert row.p == pytest.approx(stats.fisher_exact(table, alternative="greater").pvalue)
    assert (row.outside, row.judged, row.others_outside, row.others_judged) == (outside, 8, others, 21)


def test_states_are_added_up_and_not_pooled():
    cells = {
        ("Plain", "cooler_empty"): (2, 3),
        ("Plain", "line_empty"): (1, 2),
        ("Lake", "cooler_empty"): (1, 6),
        ("Lake", "line_empty"): (1, 4),
    }
    verdicts, jobs = make_jobs(cells)
    row = only(rates.compare_steps(verdicts, jobs), "Plain")

    # by hand: every way in which the outside jobs of a state may lie among its jobs
    def deals(bad, own, others):
        return [
            sum(place < own for place in places)
            for places in itertools.combinations(range(own + others), bad)
        ]

    sums = [a + b for a in deals(3, 3, 6) for b in deals(2, 2, 4)]
    assert row.p == pytest.approx(np.mean([s >= 3 for s in sums]))
    # in like states alike, and apart only by what came in: pooled this would look like a difference
    alike = {
        ("Plain", "cooler_empty"): (18, 20),
        ("Plain", "line_empty"): (0, 2),
        ("Lake", "cooler_empty"): (2, 2),
        ("Lake", "line_empty"): (1, 40),
    }
    row = only(rates.compare_steps(*make_jobs(alike)), "Plain")
    pooled = stats.fisher_exact([[18, 4], [3, 39]], alternative="greater").pvalue
    assert pooled < 1e-6
    assert row.p > 0.2


def test_sites_that_are_alike_are_named_as_rarely_as_said():
    rng = np.random.default_rng(5)
    small = []
    for _ in range(120):
        cells = {
            (site, state): (int(rng.binomial(n, 0.3)), n)
            for site in ("Harbour", "Plain", "Lake")
            for state, n in zip(STATES, rng.integers(3, 15, 2).tolist(), strict=True)
        }
        found = rates.compare_steps(*make_jobs(cells))
        small.append(evidence.adjust_holm([row.p for row in found]).min() if found else 1.0)
    assert np.mean(np.array(small) <= 0.05) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 120)


@pytest.mark.parametrize(
    ("cells", "named"),
    [
        ({("Plain", "cooler_empty"): (10, 10), ("Lake", "cooler_empty"): (1, 30)}, ["Plain"]),
        # too few jobs there, too few elsewhere, too small a difference
        ({("Plain", "cooler_empty"): (4, 4), ("Lake", "cooler_empty"): (0, 90)}, []),
        ({("Plain", "cooler_empty"): (30, 30), ("Lake", "cooler_empty"): (0, 9)}, []),
        ({("Plain", "cooler_empty"): (300, 1000), ("Lake", "cooler_empty"): (150, 1000)}, []),
    ],
)
def test_the_stated_rule(cells, named):
    found = rates.find_left_out(rates.compare_steps(*make_jobs(cells)))
    assert [row.site for row in found] == named


def test_only_what_was_done_counts():
    cells = {("Plain", "cooler_empty"): (10, 10), ("Lake", "cooler_empty"): (1, 30)}
    assert rates.compare_steps(*make_jobs(cells, step="time_to_pressure")) == []


def test_every_state_is_reached_and_every_suggestion_known():
    jobs = pd.DataFrame(
        itertools.product([True, False, None], repeat=2),
        columns=["cooler_empty", "lines_empty"],
        dtype="boolean",
    )
    named = rates.name_states(jobs)
    assert set(named) == {state.name for state in load_states()}
    assert named[jobs["cooler_empty"].fillna(False)].eq("cooler_empty").all()
    check_names([s.suggestion for s in load_steps().values() if s.suggestion], where="steps.toml")


def raw_counts(tables, since, until):
    """Jobs with an empty line or cooler by site: (without pressure, with the pressure on record), from the raw records."""
    rows = tables["ventings"]
    rows = rows[(rows["date"] >= since) & (rows["date"] < until) & rows["tank_overpressure_bar"].notna()]
    rows = rows[rows["lines_empty"].fillna(False) | rows["cooler_empty"].fillna(False)]
    low = rows["tank_overpressure_bar"].lt(0.55)  # the invented manual's least, section 7.9
    return low.groupby(rows["site"]).agg(["sum", "size"])


@pytest.mark.parametrize("report", [conformity, quarterly_review])
def test_the_first_screen_names_the_site_with_the_raw_counts(report):
    tables = fleet_tables()
    name = "conformity" if report is conformity else "quarterly-review"
    page = make_page(name, tables, period="2026Q3")
    report.answer(page)
    counts = raw_counts(tables, "2026-07-01", "2026-10-01")
    outside, judged = counts.loc["Plain"]
    others = counts.drop("Plain").sum()
    said = next(
        text for text in page.answers if text.startswith("At Plain the tank was left without pressure")
    )
    assert f"in {outside} of {judged} jobs of 2026Q3" in said
    assert f"elsewhere in {others['sum']} of {others['size']};" in said
    year = raw_counts(tables, "2025-10-01", "2026-10-01")
    assert f"in the year to then in {year.loc['Plain', 'sum']} of {year.loc['Plain', 'size']}" in said
    first = next(text for text in page.answers if text.startswith("Plain: "))
    assert "put the tank under pressure wherever line or cooler is empty" in first
    assert "never over the tank's own limit" in first
    shares = [
        f
        for f in page.findings
        if f["id"] == "step_outside_share" and f["group"].get("site") == "Plain" and "state" not in f["group"]
    ]
    assert {f["n"] for f in shares} == {int(judged), int(year.loc["Plain", "size"])}


def test_a_page_on_one_site_is_held_against_the_others():
    page = make_page("conformity", fleet_tables(), period="2026Q3", site="Plain")
    whole = make_page("conformity", fleet_tables(), period="2026Q3")
    mine = [row for row in count_left_out(whole).named if row.now.site == "Plain"]
    assert count_left_out(page).named == tuple(mine)
    assert set(count_left_out(page).cells["site"]) == {"Plain"}
    other = make_page("conformity", fleet_tables(), period="2026Q3", site="Harbour")
    assert say_left_out(other) == []


def test_where_nothing_is_planted_nothing_is_said_of_that_step():
    page = make_page("conformity", fleet_tables(plant=("leaking_lot",)), period="2026Q3")
    assert all(row.now.step != STEP for row in count_left_out(page).named)
