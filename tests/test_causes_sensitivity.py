"""What a named cause hangs on, held against the account made anew on the changed records."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from tests.test_causes_account import draw_tables

from ventbook.statistics import causes
from ventbook.statistics.causes.account_sensitivity import GIVEN_UP, HELD, HIGH, LOW, SITE
from ventbook.tables.evidence import load_budget


def names(account: causes.Account) -> set[str]:
    return set(account.terms.loc[account.terms["standing"] == "named", "name"])


def leave_out(tables: tuple[pd.DataFrame, pd.DataFrame], of: str, gone: tuple[str, ...]) -> causes.Account:
    column = {"engine": "engine_id", "venting": "venting_id"}[of]
    return causes.explain_failures(*(t[~t[column].isin(gone)] for t in tables), draws=0)


def test_the_fewest_left_out_undo_the_name_and_one_fewer_does_not() -> None:
    """Against whole accounts without those engines or ventings, whose simulated fleets leave a little to chance at the edge:
    with them gone the chance that naming goes by is near its share, with one fewer the name stands.
    """
    share = load_budget().share("named_causes.circumstances")
    stands = tried = 0
    for seed in range(3):
        tables = draw_tables(np.random.default_rng(40 + seed), cooler=0.035)
        account = causes.explain_failures(*tables, draws=0)
        assert names(account) == {"cooler_empty"}
        for row in causes.try_changes(account, *tables).rests.to_dict("records"):
            assert row["enough"]
            tried += 1
            looked = leave_out(tables, row["of"], row["names"]).looked_at.set_index("name")
            assert share / 3 < looked.loc["cooler_empty", "p_any"] < 4 * share
            stands += "cooler_empty" in names(leave_out(tables, row["of"], row["names"][:-1]))
    assert stands >= tried - 1


@pytest.fixture(scope="module")
def one_site() -> tuple[causes.Account, tuple[pd.DataFrame, pd.DataFrame]]:
    """Lot B leaks at North; South never had it."""
    rng = np.random.default_rng(3)
    jobs, lifters = draw_tables(rng, ventings=400, lot=0.08)
    jobs.loc[(jobs["site"] == "South") & (jobs["lifter_lot"] == "B"), "lifter_lot"] = "A"
    gone = lifters["site"].eq("South") & lifters["leak_down_likelihood"].gt(0.5)
    lifters.loc[gone, "over_first"] = False
    lifters.loc[gone, ["air_likelihood", "leak_down_likelihood"]] = np.nan
    return causes.explain_failures(jobs, lifters, draws=0), (jobs, lifters)


def test_a_cause_of_one_site_falls_without_it(one_site) -> None:
    account, tables = one_site
    assert "lifter_lot=B" in names(account)
    changes = causes.try_changes(account, *tables).changes
    own = changes[(changes["cause"] == "lifter_lot=B") & (changes["change"] == SITE)].set_index("what")[
        "stands"
    ]
    assert own.to_dict() == {"North": False, "South": True}


def test_changes_of_readings(one_site) -> None:
    """A gauge .02 mm off moves no reading of .2 or .9 mm over or under a limit of .5 mm, so nothing changes by it."""
    account, tables = one_site
    plain = causes.try_changes(account, *tables)
    assert HELD not in set(plain.changes["change"])
    off = plain.changes[plain.changes["change"].isin([HIGH, LOW])]
    assert off.groupby("cause")["evidence"].agg(np.ptp).max() == pytest.approx(0.0, abs=1e-9)
    held = causes.try_changes(account, *tables, held=["V0001", "V0002", "unknown"]).changes
    again = held[held["change"] == HELD]
    assert len(again) == len(names(account))
    assert not np.allclose(again["evidence"], off[off["change"] == HIGH]["evidence"])


def test_a_cause_seen_in_given_up_turnings_alone_falls_without_them(one_site) -> None:
    """Turning given up at every failing job with lot B: without these nothing speaks of the lot."""
    account, (jobs, lifters) = one_site
    failing = set(lifters.loc[lifters["over_first"].fillna(False).astype(bool), "venting_id"])
    own = jobs["venting_id"].isin(failing) & jobs["lifter_lot"].eq("B")
    plain = causes.try_changes(account, jobs.assign(pressure_shown=True), lifters).changes
    assert GIVEN_UP not in set(plain["change"])
    dropped = causes.try_changes(account, jobs.assign(pressure_shown=~own), lifters).changes
    found = dropped[(dropped["cause"] == "lifter_lot=B") & (dropped["change"] == GIVEN_UP)]
    assert found["stands"].tolist() == [False]
    others = jobs.assign(
        pressure_shown=~jobs["venting_id"].isin(sorted(set(jobs["venting_id"]) - failing)[:5])
    )
    kept = causes.try_changes(account, others, lifters).changes
    assert kept.loc[(kept["cause"] == "lifter_lot=B") & (kept["change"] == GIVEN_UP), "stands"].tolist() == [
        True
    ]


def test_gaps_just_under_the_limit_count_with_a_gauge_that_reads_low(one_site) -> None:
    account, (jobs, lifters) = one_site
    near = lifters.assign(gap_first_mm=np.where(lifters["over_first"], 0.9, 0.49))
    changes = causes.try_changes(account, jobs, near).changes
    assert not changes.loc[changes["change"] == HIGH, "stands"].any()  # then every lifter is over
    assert changes.loc[changes["change"] == LOW, "stands"].all()


def test_nothing_named_hangs_on_nothing() -> None:
    tables = draw_tables(np.random.default_rng(1), ventings=120)
    account = causes.explain_failures(*tables, draws=0)
    assert account.state != "named"
    found = causes.try_changes(account, *tables)
    assert found.changes.empty
    assert found.rests.empty
