"""Why do spongy lifters keep coming back: install context, how sure, and what to check next.

The venting is the unit; lifters are repeated readings inside it and engines that return are clusters. Nothing
here reads the store or plots.
"""

from ventbook.statistics.causes.account import (
    DRAWS,
    FAMILY,
    GAUGE_COLUMNS,
    Account,
    Chance,
    explain_failures,
    list_gauge_biases,
)
from ventbook.statistics.causes.account_forecast import chance_for, predict_failing, widen_chance
from ventbook.statistics.causes.account_sensitivity import Sensitivity, try_changes
from ventbook.statistics.causes.account_shares import FEWER_DRAWS, MANY_VENTINGS
from ventbook.statistics.causes.account_sums import (
    compare_causes,
    cured_by_cause,
    label_shares,
    list_chronic,
    name_causes,
    sum_causes,
)
from ventbook.statistics.causes.blanks import Blanks, Unchecked, find_unchecked, test_blanks
from ventbook.statistics.causes.confounding import describe_pair, map_confounding, measure_association
from ventbook.statistics.causes.factors import Coded, Factor, add_lifter_columns, code_factors, load_factors
from ventbook.statistics.causes.fits import (
    Effect,
    Fit,
    estimate_contrast,
    fit_binomial,
    fit_firth,
    fit_intervals,
    profile_firth,
)
from ventbook.statistics.causes.modes import (
    KEY,
    SIGNS,
    Mode,
    ModeTable,
    Reading,
    Recurrence,
    choose_readings,
    count_modes,
    describe_findings,
    find_recurrent_engines,
    load_modes,
    match_modes,
    select_findings,
)
from ventbook.statistics.causes.power import (
    detect_share,
    need_ventings,
    plan_ventings,
    size_two_shares,
)
from ventbook.statistics.causes.screening import screen_factors
from ventbook.statistics.causes.strata import (
    compare_cases,
    compare_strata,
    estimate_stratified,
    fit_conditional,
    match_cases,
)
from ventbook.statistics.causes.table import settle_q

__all__ = [
    "DRAWS",
    "FAMILY",
    "FEWER_DRAWS",
    "GAUGE_COLUMNS",
    "KEY",
    "MANY_VENTINGS",
    "SIGNS",
    "Account",
    "Blanks",
    "Chance",
    "Coded",
    "Effect",
    "Factor",
    "Fit",
    "Mode",
    "ModeTable",
    "Reading",
    "Recurrence",
    "Sensitivity",
    "Unchecked",
    "add_lifter_columns",
    "chance_for",
    "choose_readings",
    "code_factors",
    "compare_cases",
    "compare_causes",
    "compare_strata",
    "count_modes",
    "cured_by_cause",
    "describe_findings",
    "describe_pair",
    "detect_share",
    "estimate_contrast",
    "estimate_stratified",
    "explain_failures",
    "find_recurrent_engines",
    "find_unchecked",
    "fit_binomial",
    "fit_conditional",
    "fit_firth",
    "fit_intervals",
    "label_shares",
    "list_chronic",
    "list_gauge_biases",
    "load_factors",
    "load_modes",
    "map_confounding",
    "match_cases",
    "match_modes",
    "measure_association",
    "name_causes",
    "need_ventings",
    "plan_ventings",
    "predict_failing",
    "profile_firth",
    "screen_factors",
    "select_findings",
    "settle_q",
    "size_two_shares",
    "sum_causes",
    "test_blanks",
    "try_changes",
    "widen_chance",
]
