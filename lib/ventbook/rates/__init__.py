"""Failure rates of lifters that share an engine.

The venting is the unit; lifters are repeated readings inside it, except for questions about position, where
each engine is its own control.
"""

from ventbook.rates.betabinomial import BetaBinomialFit, fit_beta_binomial
from ventbook.rates.bounds import BlankBounds, bound_blanks
from ventbook.rates.clusters import design_effect, intra_engine_correlation, ratio_design_effect
from ventbook.rates.failing import (
    Check,
    Of,
    cured_lifters,
    estimate_of,
    failing_by,
    failing_share,
    failing_tier,
)
from ventbook.rates.gaps import (
    DEFAULT_STEP_MM,
    CensoredFit,
    compare_gaps,
    fit_left_censored,
    median_gap,
)
from ventbook.rates.gee import GeeFit, fit_gee
from ventbook.rates.intervals import (
    METHODS,
    binomial_interval,
    difference_interval,
    trials_without_failure,
    zero_failure_bound,
)
from ventbook.rates.positions import PositionTest, rates_by_position, test_positions
from ventbook.rates.rechecks import (
    CureAnswer,
    SecondLook,
    chance_of_at_least,
    compare_cure,
    cured_share,
    expect_second_look,
    paired_changes,
    second_look_share,
)
from ventbook.rates.shares import (
    clustered_interval,
    effective_interval,
    lifter_share,
    shares_by,
    venting_share,
)

__all__ = [
    "DEFAULT_STEP_MM",
    "METHODS",
    "BetaBinomialFit",
    "BlankBounds",
    "CensoredFit",
    "Check",
    "CureAnswer",
    "GeeFit",
    "Of",
    "PositionTest",
    "SecondLook",
    "binomial_interval",
    "bound_blanks",
    "chance_of_at_least",
    "clustered_interval",
    "compare_cure",
    "compare_gaps",
    "cured_lifters",
    "cured_share",
    "design_effect",
    "difference_interval",
    "effective_interval",
    "estimate_of",
    "expect_second_look",
    "failing_by",
    "failing_share",
    "failing_tier",
    "fit_beta_binomial",
    "fit_gee",
    "fit_left_censored",
    "intra_engine_correlation",
    "lifter_share",
    "median_gap",
    "paired_changes",
    "rates_by_position",
    "ratio_design_effect",
    "second_look_share",
    "shares_by",
    "test_positions",
    "trials_without_failure",
    "venting_share",
    "zero_failure_bound",
]
