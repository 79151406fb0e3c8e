"""The look of figures: same bytes every time, readable without colour."""

from __future__ import annotations

import numpy as np
import pytest

from ventbook.document import plotting


def drawing() -> bytes:
    figure, ax = plotting.new_figure()
    for index in range(3):
        ax.plot([0, 1, 2], [index, 1, 2], label=f"series {index}", **plotting.series_style(index))
    ax.bar([0, 1], [1, 2], hatch=plotting.HATCHES[1])
    plotting.mark_limit(ax, 1.5, "limit 0.50 mm", placeholder=True)
    plotting.mark_limit(ax, 1.5, "5 s", axis="x")
    plotting.mark_break(ax, 1, "form 3")
    ax.set_title("µ ≤ 0.5 °C é")
    ax.legend()
    return plotting.svg_bytes(figure)


def test_svg_is_the_same_every_time_and_asks_for_nothing() -> None:
    first = drawing()
    assert first == drawing()
    assert b"DOCTYPE" not in first and b"<script" not in first and b"<text" not in first
    assert b"dc:date" not in first


def test_series_differ_by_more_than_colour() -> None:
    cues = [plotting.series_style(index) for index in range(6)]
    assert len({cue["marker"] for cue in cues}) == 6
    assert len({str(cue["linestyle"]) for cue in cues}) == 6


@pytest.mark.parametrize("color", [*plotting.COLORS, plotting.LIMIT_COLOR])
def test_colours_stand_out_from_white(color: str) -> None:
    # contrast ratio by WCAG 2.2, section 1.4.3 (relative luminance of sRGB)
    channels = [int(color[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    assert 1.05 / (luminance + 0.05) >= 4.5


def test_thinned_curve_keeps_its_extremes() -> None:
    x = np.arange(100_000)
    y = np.sin(x / 500)
    y[54_321] = 9.0
    y[77_777] = -9.0
    thin_x, thin_y = plotting.thin_curve(x, y)
    assert len(thin_x) <= 2002
    assert thin_y.max() == 9.0 and thin_y.min() == -9.0
    assert np.all(np.diff(thin_x) > 0)
    same_x, _ = plotting.thin_curve(x[:50], y[:50])
    assert len(same_x) == 50
    with pytest.raises(ValueError, match="equal length"):
        plotting.thin_curve(x, y[:5])


def test_unknown_axis_is_refused() -> None:
    _, ax = plotting.new_figure()
    with pytest.raises(ValueError, match="axis must be x or y"):
        plotting.mark_limit(ax, 1, "x", axis="z")


def test_a_cloud_of_marks_is_drawn_as_one_image() -> None:
    def draw(points: int) -> bytes:
        figure, ax = plotting.new_figure()
        rng = np.random.default_rng(1)
        for _ in range(3):
            ax.plot(*rng.random((2, points)), linestyle="none", marker="o")
        ax.plot([0, 1], [0, 1])
        return plotting.svg_bytes(figure)

    few, many = draw(300), draw(20_000)
    assert b"<image" not in few
    assert many.count(b"<image") >= 1
    assert len(many) < 3 * len(few)
    assert many == draw(20_000)
