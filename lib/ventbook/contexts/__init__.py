"""Why do spongy lifters keep coming back: install context, how sure, and what to check next.

The venting is the unit; lifters are repeated readings inside it and engines that return are clusters. Nothing
here reads the store or plots.
"""

from .factors import Coded, Factor, add_lifter_columns, code_factors, load_factors
from .fits import Effect, Fit, estimate_contrast, fit_binomial, fit_firth, fit_intervals, profile_firth
from .screening import screen_factors
from .strata import Stratified, check_trend, combine_strata, estimate_conditional_odds, estimate_stratified

__all__ = [
    "Coded",
    "Effect",
    "Factor",
    "Fit",
    "Stratified",
    "add_lifter_columns",
    "check_trend",
    "code_factors",
    "combine_strata",
    "estimate_conditional_odds",
    "estimate_contrast",
    "estimate_stratified",
    "fit_binomial",
    "fit_firth",
    "fit_intervals",
    "load_factors",
    "profile_firth",
    "screen_factors",
]
