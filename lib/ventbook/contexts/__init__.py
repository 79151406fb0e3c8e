"""Why do spongy lifters keep coming back: install context, how sure, and what to check next.

The venting is the unit; lifters are repeated readings inside it and engines that return are clusters. Nothing
here reads the store or plots.
"""

from .blanks import Blanks, test_blanks
from .cases import compare_cases, fit_conditional, match_cases
from .company import describe_pair, map_company, measure_association
from .factors import Coded, Factor, add_lifter_columns, code_factors, load_factors
from .fits import Effect, Fit, estimate_contrast, fit_binomial, fit_firth, fit_intervals, profile_firth
from .gauges import SHIFT_MM, add_gauge_evidence, compare_gauges
from .modes import Mode, ModeTable, Reading, choose_readings, count_modes, load_modes, match_modes
from .power import detect_share, inflate_for_clusters, need_ventings, size_two_shares
from .ranking import FAMILY, RULE, rank_causes, score_effects
from .recurrence import Recurrence, find_recurrent_engines
from .screening import screen_factors
from .signs import KEY, SIGNS, describe_findings, select_findings
from .strata import Stratified, check_trend, combine_strata, estimate_conditional_odds, estimate_stratified
from .table import settle_q

__all__ = [
    "FAMILY",
    "KEY",
    "RULE",
    "SHIFT_MM",
    "SIGNS",
    "Blanks",
    "Coded",
    "Effect",
    "Factor",
    "Fit",
    "Mode",
    "ModeTable",
    "Reading",
    "Recurrence",
    "Stratified",
    "add_gauge_evidence",
    "add_lifter_columns",
    "check_trend",
    "choose_readings",
    "code_factors",
    "combine_strata",
    "compare_cases",
    "compare_gauges",
    "count_modes",
    "describe_findings",
    "describe_pair",
    "detect_share",
    "estimate_conditional_odds",
    "estimate_contrast",
    "estimate_stratified",
    "find_recurrent_engines",
    "fit_binomial",
    "fit_conditional",
    "fit_firth",
    "fit_intervals",
    "inflate_for_clusters",
    "load_factors",
    "load_modes",
    "map_company",
    "match_cases",
    "match_modes",
    "measure_association",
    "need_ventings",
    "profile_firth",
    "rank_causes",
    "score_effects",
    "screen_factors",
    "select_findings",
    "settle_q",
    "size_two_shares",
    "test_blanks",
]
