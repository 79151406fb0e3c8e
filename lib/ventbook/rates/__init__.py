"""Failure rates of lifters that share an engine.

The venting is the unit; lifters are repeated readings inside it, except for questions about position, where
each venting is its own control.
"""

from ventbook.rates.betabinomial import BetaBinomialFit, fit_beta_binomial
from ventbook.rates.clusters import design_effect, intra_engine_correlation, ratio_design_effect
from ventbook.rates.gee import GeeFit, fit_gee
from ventbook.rates.intervals import (
    METHODS,
    binomial_interval,
    difference_interval,
    trials_without_failure,
    zero_failure_bound,
)
from ventbook.rates.shares import (
    clustered_interval,
    effective_interval,
    lifter_share,
    shares_by,
    venting_share,
)

__all__ = [
    "METHODS",
    "BetaBinomialFit",
    "GeeFit",
    "binomial_interval",
    "clustered_interval",
    "design_effect",
    "difference_interval",
    "effective_interval",
    "fit_beta_binomial",
    "fit_gee",
    "intra_engine_correlation",
    "lifter_share",
    "ratio_design_effect",
    "shares_by",
    "trials_without_failure",
    "venting_share",
    "zero_failure_bound",
]
