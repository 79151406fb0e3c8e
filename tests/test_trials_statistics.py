"""Evidence by the draw alone: against other libraries' numbers, its promise counted exactly, and what a trial takes."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, special, stats
from statsmodels.stats.power import NormalIndPower

from ventbook.statistics import trials
from ventbook.statistics.trials.evidence import _mix, _mix_normal
from ventbook.tables import load_trial_rules

RULES = load_trial_rules()


class TestBlocks:
    def test_the_law_of_four_at_odds_of_two(self) -> None:
        # unit test of the R package safestats: chances 1, 8, 4 of 13 for 0, 1, 2 of two treated, two failing of four
        ratio = trials.log_ratio(2.0, failing=2, ventings=4, treated=2, failing_treated=[0, 1, 2])
        assert np.exp(ratio) * np.array([1, 4, 1]) / 6 == pytest.approx(np.array([1, 8, 4]) / 13, rel=1e-12)

    @pytest.mark.parametrize("psi", [0.1, 0.5, 3.0])
    def test_against_the_noncentral_law_of_scipy(self, psi: float) -> None:
        # scipy.stats.nchypergeom_fisher and hypergeom (library run, scipy as locked)
        for n, t in ((4, 2), (3, 1), (6, 2)):
            for k in range(n + 1):
                x = np.arange(max(0, k - (n - t)), min(k, t) + 1)
                other = stats.nchypergeom_fisher.pmf(x, n, k, t, psi) / stats.hypergeom.pmf(x, n, k, t)
                found = trials.log_ratio(psi, failing=k, ventings=n, treated=t, failing_treated=x)
                assert np.exp(found) == pytest.approx(other, rel=1e-9)

    def test_a_mixture_of_five_tables(self) -> None:
        # unit test of safestats: five pairs, the one failing always the same way, log odds N(0, 1) on its own grid
        z = np.linspace(-8, 8, 161)
        weights = stats.norm.pdf(z) / stats.norm.pdf(z).sum()
        each = trials.log_ratio(np.exp(z), failing=1, ventings=2, treated=1, failing_treated=1)
        found = _mix(np.tile(each, (5, 1)), weights)
        expected = [1, 1.173516143432372, 1.520548430297116, 2.105509009062085, 3.057222176662974]
        assert found == pytest.approx(expected, rel=1e-10)

    def test_the_promise_is_kept_exactly(self) -> None:
        """Under no effect each step is a fair bet: the mean of the evidence over all draws of two blocks is 1."""
        for first, second in itertools.product(range(5), repeat=2):
            total = np.zeros(3)
            for x, y in itertools.product(range(3), repeat=2):
                if first - x not in range(3) or second - y not in range(3):
                    continue
                chance = math.prod(
                    math.comb(2, a) * math.comb(2, k - a) / math.comb(4, k)
                    for k, a in ((first, x), (second, y))
                )
                found = trials.weigh_blocks([first, second], [4, 4], [2, 2], [x, y], planned=0.25)
                total += chance * np.array([found.last("works"), found.last("harm"), 1.0])
            assert total == pytest.approx(np.ones(3), rel=1e-12)

    def test_turned_round_it_is_harm(self) -> None:
        better = trials.weigh_blocks([2, 1], [4, 4], [2, 2], [0, 0], planned=0.25)
        worse = trials.weigh_blocks([2, 1], [4, 4], [2, 2], [2, 1], planned=0.25)
        assert better.works == pytest.approx(worse.harm) and better.harm == pytest.approx(worse.works)

    def test_counts_that_do_not_fit_are_refused(self) -> None:
        with pytest.raises(ValueError, match="failing_treated must fit"):
            trials.weigh_blocks([1], [4], [2], [2], planned=0.25)
        with pytest.raises(ValueError, match="planned must lie between 0 and 1"):
            trials.weigh_blocks([1], [4], [2], [1], planned=1.5)

    def test_missing_outcomes_are_left_out_or_counted_against_the_change(self) -> None:
        drawn = pd.DataFrame(
            {
                "block": ["a"] * 4 + ["b"] * 4,
                "changed": [True, True, False, False] * 2,
                "value": [np.nan, 0, 1, np.nan, 1, 1, 0, 0],
            }
        )
        as_known = trials.count_blocks(drawn).drop(columns="block").to_numpy().tolist()
        assert as_known == [[1, 2, 1, 0], [2, 4, 2, 2]]
        against = trials.count_blocks(drawn, missing_against=True).drop(columns="block").to_numpy().tolist()
        assert against == [[2, 4, 2, 1], [2, 4, 2, 2]]


class TestPairs:
    def test_the_one_sided_mixture(self) -> None:
        # unit test of the package confseq: one-sided normal mixture at S = 10, V = 100, tuned to V = 100 at .05
        rho = 100 / (2 * math.log(10) + math.log(1 + 2 * math.log(10)))
        # ten differences of 1 give S = 10, V = 10; the rest of V comes in pairs that cancel in S
        d = [1.0] * 10 + [math.sqrt(45.0), -math.sqrt(45.0)]
        assert math.log(_mix_normal(np.array(d), rho)[-1]) == pytest.approx(-0.06502391, abs=1e-7)

    def test_the_mixture_is_spread_by_the_difference_of_two_readings(self) -> None:
        """Half-normal over l with 1 / (rho x 2 x spread^2) for its variance, integrated (scipy.integrate.quad)."""
        d = np.array([0.12, -0.05, 0.3, 0.22, 0.1])
        precision = RULES.rho * 2 * 0.2**2
        found = trials.weigh_pairs(d, spread=0.2, planned=0.9)
        for values, sums in ((found.works, d), (found.harm, -d), (found.no_use, -math.log(0.9) - d)):
            s, v = sums.sum(), (sums**2).sum()
            mean, _ = integrate.quad(
                lambda size, s=s, v=v: 2 * stats.norm.pdf(size, 0, precision**-0.5) * math.exp(size * s - size**2 * v / 2),
                0.0, 60.0, limit=200,
            )  # fmt: skip
            assert values[-1] == pytest.approx(mean, rel=1e-6)

    def test_the_promise_over_all_signs(self) -> None:
        """The draw is the signs: over all of them the mean evidence is at most 1, whatever the sizes."""
        sizes = np.array([0.02, 0.4, 0.1, 0.1, 0.9, 0.3, 0.05, 1.2])
        signs = np.array(list(itertools.product([-1, 1], repeat=len(sizes))))
        found = trials.weigh_pairs(sizes * signs, spread=0.2, planned=0.9)
        for values in (found.works, found.harm):
            assert 0.2 < values[:, -1].mean() <= 1.0
            assert (values >= RULES.works).any(axis=1).mean() <= 1 / RULES.works

    def test_missing_numbers_drop_their_pair_or_count_against_the_change(self) -> None:
        drawn = pd.DataFrame(
            {"pair": list("aabb"), "changed": [True, False, True, False], "value": [1.0, 2.0, np.nan, np.nan]}
        )
        assert trials.pair_differences(drawn)["difference"].isna().tolist() == [False, True]
        assert trials.pair_differences(drawn, missing_against=True)["difference"].tolist() == [1.0, -1.0]
        nothing = drawn.assign(value=np.nan)
        assert trials.pair_differences(nothing, missing_against=True)["difference"].isna().all()

    def test_bad_calls(self) -> None:
        with pytest.raises(ValueError, match="spread must be over 0"):
            trials.weigh_pairs([0.1], spread=0.0, planned=0.9)
        with pytest.raises(ValueError, match="planned must lie between 0 and 1"):
            trials.weigh_pairs([0.1], spread=0.1, planned=1.0)


class TestVerdict:
    @staticmethod
    def evidence(works=(1.0,), harm=(1.0,), no_use=(1.0,)) -> trials.Evidence:
        size = max(len(works), len(harm), len(no_use))
        fill = [np.array([*v, *[v[-1]] * (size - len(v))]) for v in (works, harm, no_use)]
        return trials.Evidence(*fill)

    def test_harm_goes_first_and_works_needs_both_lines(self) -> None:
        strong, weak = self.evidence(works=(25.0,)), self.evidence(works=(19.0,))
        assert trials.judge_evidence(strong, strong) == "works"
        assert trials.judge_evidence(strong, weak) == "works_unless_missing"
        assert trials.judge_evidence(weak, strong) == "go_on"
        assert trials.judge_evidence(self.evidence(harm=(20.0,), works=(30.0,)), strong) == "harm"
        assert trials.judge_evidence(self.evidence(no_use=(10.0,)), weak) == "no_use"

    def test_what_was_reached_at_one_look_stands_unless_it_fell_back(self) -> None:
        passed = self.evidence(works=(21.0, 12.0))
        assert trials.judge_evidence(passed, passed) == "works"
        fallen = self.evidence(works=(21.0, 0.9))
        assert trials.judge_evidence(fallen, passed) == trials.judge_evidence(fallen, fallen) == "go_on"
        assert trials.judge_evidence(passed, fallen) == "works_unless_missing"
        assert trials.judge_evidence(self.evidence(harm=(21.0, 0.1)), passed) == "harm"
        assert trials.judge_evidence(self.evidence(no_use=(11.0, 0.5)), passed) != "no_use"
        later = self.evidence(works=(12.0, 21.0))
        assert trials.judge_evidence(passed, later) == "works_unless_missing"

    def test_nothing_yet(self) -> None:
        none = trials.Evidence(np.array([]), np.array([]), np.array([]))
        assert trials.judge_evidence(none, none) == "go_on" and none.last("works") == 1.0


class TestPlanning:
    def test_one_look_is_the_usual_number(self) -> None:
        # Fleiss, Statistical Methods for Rates and Proportions, without continuity correction; from memory
        for share, ratio in ((0.1, 0.25), (0.2, 0.5), (0.4, 0.5)):
            changed = ratio * share / (1 - share + ratio * share)
            mean = (share + changed) / 2
            half = (
                1.644854 * math.sqrt(2 * mean * (1 - mean))
                + 0.841621 * math.sqrt(share * (1 - share) + changed * (1 - changed))
            ) ** 2 / (share - changed) ** 2
            assert trials.need_share(share, ratio, runs=50).one_look == pytest.approx(2 * half, abs=2.0)

    @pytest.mark.parametrize(("spread", "ratio"), [(0.14, 0.9), (0.3, 0.8)])
    def test_one_look_at_a_number_is_the_librarys(self, spread: float, ratio: float) -> None:
        """statsmodels' NormalIndPower, one-sided 5 %, power 80 % (library run); two groups, rounded up to even numbers."""
        group = NormalIndPower().solve_power(
            -math.log(ratio) / spread, alpha=0.05, power=0.8, alternative="larger"
        )
        assert trials.need_number(spread, ratio, runs=50).one_look == 2 * math.ceil(group)

    def test_four_looks_of_obrien_and_fleming(self) -> None:
        # worked out here: the normal law of four looks, one-sided 5 %, power 80 % (scipy.stats.multivariate_normal)
        k = np.arange(1, 5)
        law = np.sqrt(np.minimum.outer(k, k) / np.maximum.outer(k, k))
        bound, drift = 1.7331, math.sqrt(RULES.four_looks) * (special.ndtri(0.95) + special.ndtri(0.8))
        stay = [
            stats.multivariate_normal.cdf(bound * np.sqrt(4 / k), mean=m * np.sqrt(k / 4), cov=law, rng=1)
            for m in (0.0, drift)
        ]
        assert stay == pytest.approx([0.95, 0.2], abs=0.001)

    def test_what_any_look_costs(self) -> None:
        needed = trials.need_share(0.2, 0.25, runs=400)
        assert needed.one_look < needed.four_looks < needed.most < 2 * needed.one_look
        assert needed.mean_without < needed.mean_with < needed.most
        assert needed.power_at(needed.most) == pytest.approx(0.8, abs=0.02)
        assert needed.power_at(0) == 0.0

    def test_what_can_hardly_be_found_has_no_number(self) -> None:
        needed = trials.need_share(0.02, 0.7, runs=50)
        assert needed.most is None and needed.mean_with is None and needed.mean_without is None

    def test_false_works_of_a_number(self) -> None:
        """Every look, no effect: at most 1 in 20 (2,000 trials of 300 ventings; the bound is far from what is seen)."""
        rng = np.random.default_rng(5)
        found = trials.weigh_pairs(rng.normal(0, 0.2, (2000, 150)), spread=0.14, planned=0.9)
        assert (found.works >= RULES.works).any(axis=1).mean() <= 0.05

    def test_bad_calls(self) -> None:
        for call in (
            lambda: trials.need_share(0.0, 0.5),
            lambda: trials.need_share(0.1, 1.5),
            lambda: trials.need_number(0, 0.5),
        ):
            with pytest.raises(ValueError, match="must"):
                call()
