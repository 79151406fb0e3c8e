"""Failure rates of lifters that share an engine.

The venting is the unit; lifters are repeated readings inside it, except for questions about position, where
each engine is its own control.
"""

from ventbook.statistics.rates.clusters import design_effect, intra_engine_correlation
from ventbook.statistics.rates.gaps import (
    DEFAULT_STEP_MM,
    CensoredFit,
    compare_gaps,
    find_recurring_zeros,
    fit_left_censored,
)
from ventbook.statistics.rates.intervals import (
    METHODS,
    binomial_interval,
    difference_interval,
)
from ventbook.statistics.rates.positions import PositionTest, rates_by_position, test_positions
from ventbook.statistics.rates.rechecks import (
    Check,
    CureAnswer,
    Of,
    SecondLook,
    chance_of_at_least,
    compare_cure,
    cured_lifters,
    cured_share,
    estimate_of,
    expect_second_look,
    failing_by,
    failing_share,
    failing_tier,
    paired_changes,
    second_look_share,
)
from ventbook.statistics.rates.shares import (
    BlankBounds,
    bound_blanks,
    clustered_interval,
    effective_interval,
    lifter_share,
    shares_by,
    steps_within_share,
    venting_share,
)
from ventbook.statistics.rates.steps_by_site import (
    COUNTS,
    STEPS_FAMILY,
    SiteStep,
    StateCount,
    compare_steps,
    count_steps,
    find_left_out,
    name_states,
    share_outside,
    tell_steps,
)

__all__ = [
    "COUNTS",
    "DEFAULT_STEP_MM",
    "METHODS",
    "STEPS_FAMILY",
    "BlankBounds",
    "CensoredFit",
    "Check",
    "CureAnswer",
    "Of",
    "PositionTest",
    "SecondLook",
    "SiteStep",
    "StateCount",
    "binomial_interval",
    "bound_blanks",
    "chance_of_at_least",
    "clustered_interval",
    "compare_cure",
    "compare_gaps",
    "compare_steps",
    "count_steps",
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
    "find_left_out",
    "find_recurring_zeros",
    "fit_left_censored",
    "intra_engine_correlation",
    "lifter_share",
    "name_states",
    "paired_changes",
    "rates_by_position",
    "second_look_share",
    "share_outside",
    "shares_by",
    "steps_within_share",
    "tell_steps",
    "test_positions",
    "venting_share",
]
