"""How far a gap reading can be trusted: gauge studies, uncertainty of a reading, risk of a wrong verdict."""

from ventbook.gauge.bias import Line, fit_line, measure_bias
from ventbook.gauge.components import (
    CrossedAnova,
    RemlFit,
    analyse_crossed,
    fit_reml,
    interval_of_sum,
    one_way_f,
    pool_repeats,
)
from ventbook.gauge.conformance import (
    ASSUMED_U_MM,
    guard_band,
    over_limit_probability,
    worst_false_accept,
)
from ventbook.gauge.fleet import FAMILY, compare_gauges, count_on_the_gauge
from ventbook.gauge.planning import choose_size, plan_study
from ventbook.gauge.spread import GapDistribution, deconvolve_gaps, gap_density, reading_step
from ventbook.gauge.studies import GaugeStudy, analyse_study, interval_of_gauge, list_studies
from ventbook.gauge.uncertainty import (
    Agreement,
    Combined,
    agree_fleiss,
    agree_kappa,
    combine_uncertainties,
    compare_pairs,
    repeatability_from_rechecks,
    resolution_uncertainty,
    uncertainties_from_records,
    uncertainty_by_gauge,
)
from ventbook.gauge.wrong_verdicts import (
    LongRun,
    WrongVerdicts,
    estimate_wrong_verdicts,
    expect_wrong_verdicts,
)

__all__ = [
    "ASSUMED_U_MM",
    "FAMILY",
    "Agreement",
    "Combined",
    "CrossedAnova",
    "GapDistribution",
    "GaugeStudy",
    "Line",
    "LongRun",
    "RemlFit",
    "WrongVerdicts",
    "agree_fleiss",
    "agree_kappa",
    "analyse_crossed",
    "analyse_study",
    "choose_size",
    "combine_uncertainties",
    "compare_gauges",
    "compare_pairs",
    "count_on_the_gauge",
    "deconvolve_gaps",
    "estimate_wrong_verdicts",
    "expect_wrong_verdicts",
    "fit_line",
    "fit_reml",
    "gap_density",
    "guard_band",
    "interval_of_gauge",
    "interval_of_sum",
    "list_studies",
    "measure_bias",
    "one_way_f",
    "over_limit_probability",
    "plan_study",
    "pool_repeats",
    "reading_step",
    "repeatability_from_rechecks",
    "resolution_uncertainty",
    "uncertainties_from_records",
    "uncertainty_by_gauge",
    "worst_false_accept",
]
