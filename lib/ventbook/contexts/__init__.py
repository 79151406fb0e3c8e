"""Why do spongy lifters keep coming back: install context, how sure, and what to check next.

The venting is the unit; lifters are repeated readings inside it and engines that return are clusters. Nothing
here reads the store or plots.
"""

from .cases import compare_cases, fit_conditional, match_cases
from .factors import Coded, Factor, add_lifter_columns, code_factors, load_factors
from .fits import Effect, Fit, estimate_contrast, fit_binomial, fit_firth, fit_intervals, profile_firth
from .gauges import add_gauge_evidence, compare_gauges
from .power import detect_share, inflate_for_clusters, need_ventings, size_two_shares
from .ranking import CAUSE_Q, HINT_Q, RULE, rank_causes, score_effects
from .screening import screen_factors, settle_q
from .strata import Stratified, check_trend, combine_strata, estimate_conditional_odds, estimate_stratified

__all__ = [
    "CAUSE_Q",
    "HINT_Q",
    "RULE",
    "Coded",
    "Effect",
    "Factor",
    "Fit",
    "Stratified",
    "add_gauge_evidence",
    "add_lifter_columns",
    "check_trend",
    "code_factors",
    "combine_strata",
    "compare_cases",
    "compare_gauges",
    "detect_share",
    "estimate_conditional_odds",
    "estimate_contrast",
    "estimate_stratified",
    "fit_binomial",
    "fit_conditional",
    "fit_firth",
    "fit_intervals",
    "inflate_for_clusters",
    "load_factors",
    "match_cases",
    "need_ventings",
    "profile_firth",
    "rank_causes",
    "score_effects",
    "screen_factors",
    "settle_q",
    "size_two_shares",
]
