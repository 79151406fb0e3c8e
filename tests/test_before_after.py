"""Before and after an action: the exact test against tables and libraries from outside, the verdicts against planted truth."""

from __future__ import annotations

import numpy as np
import pytest
from calibrate import calibrate_actions
from scipy import stats

from ventbook.statistics import trends
from ventbook.statistics.trends import Findings, before_after, judge_before_after

USUAL, BAD, WAITING = Findings(28, 29, 4), Findings(14, 7, 1), Findings(7, 7, 1)


def test_tea_tasting():
    """Fisher 1935 (from memory): eight cups, four of each; at least three right in 17 of 70, all four in 1 of 70."""
    assert trends.compare_before_after(Findings(3, 1, 1), Findings(1, 3, 1)) * 70 == pytest.approx(1 + 16 / 2)
    assert trends.compare_before_after(Findings(4, 0, 1), Findings(0, 4, 1)) * 70 == pytest.approx(1 / 2)
    assert trends.compare_before_after(Findings(1, 3, 1), Findings(3, 1, 1)) * 70 == pytest.approx(70 - 1 - 8)


@pytest.mark.parametrize("exposures", [(1.0, 1.0), (1.0, 0.4), (0.5, 3.0)])
def test_mid_p_is_the_library_s_hypergeometric(exposures):
    """scipy 1 (library run): hypergeom and nchypergeom_fisher, cdf less half of the pmf."""
    rng = np.random.default_rng(4)
    for counts in rng.integers(0, 40, (60, 4)).tolist():
        a, b, c, d = counts
        before, after = Findings(a, b, 4, exposures[0]), Findings(c, d, 2, exposures[1])
        ratio = exposures[1] / exposures[0]
        law = (
            stats.hypergeom(a + b + c + d, a + c, c + d)
            if ratio == 1
            else stats.nchypergeom_fisher(a + b + c + d, a + c, c + d, ratio)
        )
        assert trends.compare_before_after(before, after) == pytest.approx(
            law.cdf(c) - law.pmf(c) / 2, abs=1e-9
        )


def test_kinds_that_vary_separately_are_allowed_for():
    """The formula by hand: z / sqrt(1 + .045 (1/2 + 1/4) / (1/4.5 + 1/26.5 + 1/28.5 + 1/29.5))."""
    after = Findings(4, 26, 2)
    z = stats.norm.ppf(trends.compare_before_after(USUAL, after))
    spread = 1 / 4.5 + 1 / 26.5 + 1 / 28.5 + 1 / 29.5
    said = judge_before_after(USUAL, BAD, WAITING, [after])
    assert stats.norm.ppf(said.p_usual) == pytest.approx(z / np.sqrt(1 + 0.045 * 0.75 / spread))


def test_the_bad_level_is_conditional_on_having_been_bad():
    """By drawing: cells of three quarters from the multivariate hypergeometric law, kept where the bad one is bad enough."""
    bad, waiting, after = Findings(12, 5, 1), Findings(4, 6, 1), Findings(5, 12, 2)
    start = min(bad.kind, before_after.count_bad(USUAL, bad.total))
    rng = np.random.default_rng(8)
    kinds = rng.multivariate_hypergeometric([21, 23], bad.total, size=400_000)[:, 0]
    rest = rng.hypergeometric(21 - kinds, 23 - (bad.total - kinds), after.total)
    kept = rest[kinds >= start]
    drawn = (kept < after.kind).mean() + (kept == after.kind).mean() / 2
    z = stats.norm.ppf(drawn)
    spread = 1 / 16.5 + 1 / 11.5 + 1 / 5.5 + 1 / 12.5
    said = judge_before_after(USUAL, bad, waiting, [after])
    assert said.p_bad == pytest.approx(
        stats.norm.cdf(z / np.sqrt(1 + 0.045 * (1 / 2 + 1 / 2) / spread)), abs=0.004
    )


def test_many_findings_are_weighed_in_parts(monkeypatch):
    told = [Findings(n, 4 * n, 2, 200.0 * n) for n in (9, 14, 6, 8)]
    whole = before_after._below_bad(*told)
    monkeypatch.setattr(before_after, "MOST_CELLS", 100)
    assert before_after._below_bad(*told) == whole
    assert 0 < whole < 1


def test_only_the_usual_level_makes_it_worked():
    worked = judge_before_after(USUAL, BAD, WAITING, [Findings(2, 26, 2)])
    assert (worked.called, worked.look) == ("worked", 2)
    passing = judge_before_after(USUAL, Findings(30, 5, 1), Findings(28, 7, 1), [Findings(13, 14, 2)])
    assert (passing.called, passing.look) == ("fell", 2)
    same = judge_before_after(USUAL, BAD, WAITING, [Findings(13, 14, 2), Findings(27, 28, 4)])
    assert (same.called, same.look) == ("no difference", 4) and 0.05 < same.chance_of_halving < 0.5
    rose = judge_before_after(USUAL, BAD, WAITING, [Findings(60, 10, 2)])
    assert rose.called == "rose"
    assert judge_before_after(USUAL, BAD, WAITING, []) == before_after.ActionVerdict("too early", 0)


def test_what_was_called_worked_stays_so_and_nothing_to_compare_is_no_verdict():
    both = [Findings(1, 26, 2), Findings(20, 30, 4)]
    assert judge_before_after(USUAL, BAD, WAITING, both).look == 2
    nothing = Findings(0, 0, 0)
    said = judge_before_after(nothing, nothing, nothing, [Findings(0, 3, 2)])
    assert (said.called, said.p_usual, said.p_bad, said.chance_of_halving) == (
        "no difference",
        None,
        None,
        0.0,
    )
    with pytest.raises(ValueError, match="count again"):
        Findings(-1, 2, 1)


def test_chance_of_a_halving_is_what_draws_give():
    """Poisson draws of a halved kind, the control as it came."""
    after = Findings(14, 15, 2)
    said = judge_before_after(USUAL, BAD, WAITING, [after])
    rng = np.random.default_rng(3)
    kinds = rng.poisson(0.5 * 28 / 29 * 15, 1_500)
    called = [judge_before_after(USUAL, BAD, WAITING, [Findings(k, 15, 2)]).called for k in kinds.tolist()]
    assert said.chance_of_halving == pytest.approx(called.count("worked") / 1_500, abs=0.04)


def test_called_on_simulated_fleets():
    """Small version of the committed table: an action that works is seen, nothing is called where nothing acts."""
    by_name = {fleet.name: fleet for fleet in calibrate_actions.FLEETS}
    row = calibrate_actions.run_fleets(
        by_name["a quarter as many, 12 %, the control rises by 1.8"], 60, fleets=60, seed=5
    )
    assert row["worked"] >= 0.8
    idle = calibrate_actions.run_fleets(
        by_name["no effect after a chance bad quarter"], 60, fleets=60, seed=5
    )
    assert idle["worked"] <= 0.08 and idle["naive"] >= 0.1
