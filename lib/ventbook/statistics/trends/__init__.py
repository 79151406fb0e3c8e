"""Is this period different from the ones before, where, and since when?"""

from ventbook.statistics.trends.attribution import GaugeShift, compare_gauges, compare_mix, mean_lower_half
from ventbook.statistics.trends.charts import (
    RUN_RULES,
    chart_between,
    chart_shares,
    count_between,
    cusum_weights,
    find_runs,
    reflect_at_zero,
)
from ventbook.statistics.trends.drift import (
    ChangePoint,
    Drift,
    chance_of_change,
    compare_estimates,
    compare_failing,
    find_change_in_counts,
    shift_of_means,
    test_change_rank,
    test_drift,
)
from ventbook.statistics.trends.mix import ShareModel, code_columns
from ventbook.statistics.trends.series import FAILING
from ventbook.statistics.trends.sites import (
    count_interval,
    funnel_by_site,
    funnel_limit,
    level_chances,
    observed_over_expected,
    shrink_shares,
    standardise_share,
)
from ventbook.statistics.trends.watch import (
    PageWatch,
    WatchRule,
    expect_by_mix,
    expect_failing,
    set_limits,
    split_periods,
    watch_page,
)

__all__ = [
    "FAILING",
    "RUN_RULES",
    "ChangePoint",
    "Drift",
    "GaugeShift",
    "PageWatch",
    "ShareModel",
    "WatchRule",
    "chance_of_change",
    "chart_between",
    "chart_shares",
    "code_columns",
    "compare_estimates",
    "compare_failing",
    "compare_gauges",
    "compare_mix",
    "count_between",
    "count_interval",
    "cusum_weights",
    "expect_by_mix",
    "expect_failing",
    "find_change_in_counts",
    "find_runs",
    "funnel_by_site",
    "funnel_limit",
    "level_chances",
    "mean_lower_half",
    "observed_over_expected",
    "reflect_at_zero",
    "set_limits",
    "shift_of_means",
    "shrink_shares",
    "split_periods",
    "standardise_share",
    "test_change_rank",
    "test_drift",
    "watch_page",
]
