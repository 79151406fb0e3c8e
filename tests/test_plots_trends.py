"""Figures of the review: they take what they are given, and say what matters without colour."""

import numpy as np
import pandas as pd
import pytest

from ventbook.document import plotting
from ventbook.reports.quarterly_review import figures
from ventbook.statistics import trends


def labels_of(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()] if ax.get_legend() else []


def test_share_chart_marks_what_lies_outside_by_shape():
    chart = trends.chart_shares(
        [2, 3, 2, 30], [50] * 4, labels=["2025Q4", "2026Q1", "2026Q2", "2026Q3"], between_period=False
    )
    before = chart.copy()
    _, ax = plotting.new_figure()
    assert (
        figures.draw_share_chart(ax, chart, title="one outside", breaks={"2026Q2": "form 3", "2020Q1": "old"})
        is ax
    )
    pd.testing.assert_frame_equal(chart, before)
    assert "outside the band" in labels_of(ax) and "provisional" not in labels_of(ax)
    assert [t.get_text() for t in ax.get_xticklabels()] == ["2025Q4", "2026Q1", "2026Q2", "2026Q3"]
    assert ax.get_title(loc="left") == "one outside"
    assert ax.get_ylim()[1] > 60
    assert [t.get_text() for t in ax.texts] == ["form 3"]


def test_share_chart_of_an_empty_and_provisional_period():
    chart = trends.chart_shares([2, 3, 0], [50, 50, 0], labels=["a", "b", "c"])
    _, ax = plotting.new_figure()
    figures.draw_share_chart(ax, chart, title="", provisional=True)
    assert "provisional" in labels_of(ax)


def test_ratios_are_drawn_to_the_edge_where_the_low_end_is_nought():
    table = pd.DataFrame(
        {
            "label": ["x", "y", "z"],
            "estimate": [0.0, 1.5, np.nan],
            "low": [0, 0.8, np.nan],
            "high": [2, 2.9, np.nan],
        }
    )
    _, ax = plotting.new_figure()
    figures.draw_ratios(ax, table, title="")
    assert [t.get_text() for t in ax.get_yticklabels()] == ["x", "y"]
    assert ax.get_xlim()[0] > 0


def test_funnel_names_the_sites():
    funnel = trends.funnel_by_site([3, 9, 0], [30, 30, 0], sites=["Harbour", "Ridge", "Lake"])
    shrunk = trends.shrink_shares([3, 9, 0], [30, 30, 0], sites=["Harbour", "Ridge", "Lake"])
    n = np.arange(3.0, 40)
    limits = pd.DataFrame({"n": n})
    for name, tail in (("inner", 0.025), ("outer", 0.001)):
        limits[f"low_{name}"], limits[f"high_{name}"] = (
            trends.funnel_limit(0.2, n, tail=t) for t in (tail, 1 - tail)
        )
    _, ax = plotting.new_figure()
    figures.draw_funnel(ax, funnel, limits, shrunk, title="")
    assert [t.get_text() for t in ax.texts] == ["Harbour", "Ridge"]


@pytest.mark.parametrize("groups", [(), ("Harbour", "Ridge")])
def test_levels_tell_groups_apart_by_marker_and_line(groups):
    table = pd.DataFrame(
        [
            (q, s, v, v - 1, v + 1)
            for q in ("2026Q2", "2026Q3")
            for s, v in (("Harbour", 2.0), ("Ridge", 3.0))
        ],
        columns=["label", "site", "estimate", "low", "high"],
    )
    _, ax = plotting.new_figure()
    figures.draw_levels(ax, table, title="", unit="seconds", groups=groups)
    looks = {(line.get_marker(), line.get_linestyle()) for line in ax.get_lines()}
    assert len(looks) == max(1, len(groups))


def test_many_periods_are_labelled_twelve_times_at_most():
    chart = trends.chart_shares(
        np.full(40, 3), np.full(40, 30), labels=[f"20{y}Q{q}" for y in range(16, 26) for q in range(1, 5)]
    )
    _, ax = plotting.new_figure()
    figures.draw_share_chart(ax, chart, title="")
    assert len(ax.get_xticks()) <= 12 and ax.get_xticklabels()[-1].get_text() == "2025Q4"
