"""Numbers in words: right digits, right order against a limit, honest about what is missing."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventbook.document import wording
from ventbook.document.xlsx import finding_format
from ventbook.reports.quarterly_review import words
from ventbook.results import Estimate, no_estimate


def made(value, low, high, unit="share", n=14):
    return Estimate(value, low, high, 0.95, unit, n, 9, "made up")


def test_share_reads_as_count_and_range() -> None:
    # 3 of 14: Wilson interval .076 to .476 (NIST/SEMATECH e-Handbook 7.2.4.1 formula, worked by hand)
    text = wording.share(made(3 / 14, 0.0757, 0.4759), events=3, noun="venting")
    assert text == "3 of 14 ventings (21 %; plausible range 8 to 48 %)"
    assert wording.share(made(3 / 14, 0.0757, 0.4759)) == "21 % (plausible range 8 to 48 %)"


def test_no_count_is_made_out_of_a_share_that_has_none() -> None:
    """Half of one reading over the limit is 1.6 % of 32 starts, and not "0 of 32 (1.6 %)"."""
    assert wording.count_behind(made(3 / 14, 0.1, 0.4)) == 3
    assert wording.count_behind(made(0.0, 0.0, 0.1, n=32)) == 0
    assert wording.count_behind(made(0.5 / 32, 0.0, 0.1, n=32)) is None
    assert wording.count_behind(no_estimate("too_few", level=0.95, unit="share", n=3)) is None
    assert words.short_share(made(0.5 / 32, 0.0, 0.1, n=32)) == "1.6 % of 32"
    assert words.short_share(made(11 / 84, 0.0, 0.1, n=84)) == "11 of 84 (13 %)"


def test_share_without_number_says_why() -> None:
    few = no_estimate("too_few", level=0.95, unit="share", n=3)
    assert wording.share(few) == "too few records for a number (n = 3)"
    assert wording.share(few, events=1, noun="venting").startswith("1 of 3 ventings (too few")


@pytest.mark.parametrize(
    ("value", "unit", "system", "text"),
    [
        (0.5, "mm", "metric", "0.50 mm"),
        (0.5, "mm", "us", "0.0197 in"),
        (50.0, "degC", "us", "122 °F"),
        (50.0, "degC", "metric", "50 °C"),
        (0.0, "share", "metric", "0 %"),
        (0.0042, "share", "metric", "0.4 %"),
        (0.999, "share", "metric", "99.9 %"),
        (0.9999, "share", "metric", "99.9 %"),
        (1.0, "share", "metric", "100 %"),
        (12.0, "1", "metric", "12"),
        (1.234, "1", "metric", "1.23"),
        (math.inf, "s", "metric", "not reached"),
        (None, "s", "metric", "not known"),
        (math.nan, "s", "metric", "not known"),
    ],
)
def test_number(value, unit, system, text) -> None:
    assert wording.number(value, unit, units=system) == text


def test_ranges_with_open_ends() -> None:
    assert wording.value_range(None, 0.48, "share") == "up to 48 %"
    assert wording.value_range(4.0, None, "s") == "4.0 s or more"
    assert wording.value_range(4.0, math.inf, "s") == "4.0 s or more"
    assert wording.value_range(0.3, 0.5, "mm", units="us") == "0.0118 to 0.0197 in"
    assert wording.value_range(0.0031, 0.042, "share") == "0.3 to 4.2 %"
    assert wording.value_range(None, None, "s") == "not known"


def test_interval_of_a_number_not_reached_keeps_its_bound() -> None:
    estimate = Estimate(None, 6.0, None, 0.95, "s", 12, 10, "x", "not_reached")
    assert wording.interval(estimate) == "not reached in these records (plausible range 6.0 s or more)"


def test_limit_in_us_units_keeps_the_manuals_number_beside_it() -> None:
    # 0.5 mm / 25.4 = 0.019685 in (exact factor: NIST SP 811, appendix B.8)
    assert wording.limit_text(0.5, "mm", units="us") == "0.0197 in (0.50 mm)"
    assert wording.limit_text(0.5, "mm") == "0.50 mm"
    assert wording.limit_text(5.0, "s", units="us") == "5.0 s"


@pytest.mark.parametrize("system", ["metric", "us"])
@pytest.mark.parametrize("offset", [-0.02, -1e-3, -1e-4, -1e-6, 0.0, 1e-6, 1e-4, 4e-4, 1e-3, 0.02])
def test_rounding_never_turns_a_fail_into_a_pass_at_the_edges(system, offset) -> None:
    reading, limit = wording.reading_and_limit(0.5 + offset, 0.5, "mm", units=system)
    assert (float(reading) > float(limit)) == (0.5 + offset > 0.5)
    assert (float(reading) < float(limit)) == (0.5 + offset < 0.5)


@given(
    value=st.floats(0, 10, allow_nan=False),
    limit=st.floats(0.01, 5),
    unit=st.sampled_from(["mm", "bar", "degC", "N", "s", "L"]),
    system=st.sampled_from(["metric", "us"]),
)
def test_shown_reading_is_over_the_shown_limit_only_if_it_is(value, limit, unit, system) -> None:
    limit = round(limit, 3)
    value = round(value, 6)
    reading, bound = wording.reading_and_limit(value, limit, unit, units=system)
    assert (float(reading) > float(bound)) == (value > limit)


def test_words_for_counts_and_lists() -> None:
    assert wording.count(1, "venting") == "1 venting"
    assert wording.count(0, "venting") == "no venting"
    assert wording.count(3, "inch", "inches") == "3 inches"
    assert wording.join_words([]) == ""
    assert wording.join_words(["a", "b", "c"]) == "a, b and c"


def test_verdict_against_a_placeholder_says_so() -> None:
    for verdict in wording.VERDICT_WORDS:
        assert "placeholder" in wording.verdict_words(verdict, placeholder=True)
        assert "placeholder" not in wording.verdict_words(verdict)
    assert wording.verdict_words(None) == ""


def test_free_text_can_not_act() -> None:
    text = wording.clean_text("a\x00b\x1b[31m\u202egnp\u2066.exe\ud800 \r\n \U0001f527 עברית")
    assert text == "a b [31mgnp.exe\ufffd \U0001f527 עברית"
    assert (
        wording.clean_text("  plain \t text  ") == wording.clean_text("  plain text \u200e ") == "plain text"
    )
    long = wording.clean_text("x" * 10_000)
    assert long.startswith("x" * 400 + " …") and long.endswith("[10000 characters]")
    assert wording.clean_text(None) == "" and wording.clean_text(math.nan) == ""


@given(st.text(max_size=300))
def test_cleaned_text_is_printable_in_xml(text) -> None:
    import xml.etree.ElementTree as ET
    from html import escape

    ET.fromstring(f"<a>{escape(wording.clean_text(text))}</a>")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.0042, "mm", "0.0042 mm"),
        (-0.0021, "mm", "-0.0021 mm"),
        (-0.0, "mm", "0.00 mm"),
        (0.0, "s", "0.0 s"),
        (0.019, "mm", "0.02 mm"),
        (117.42, "rotations", "117 rotations"),
        (12.68, "1", "12.7"),
        (0.0042, "1", "0.0042"),
        (60.0, "1", "60"),
        (0.4, "degC", "0 °C"),
    ],
)
def test_small_numbers_do_not_read_as_nought_and_nought_has_no_sign(value, unit, text) -> None:
    assert wording.number(value, unit) == text


@pytest.mark.parametrize(
    ("estimate", "unit", "form"),
    [
        (28.0547, "count", "0"), (1.0237, "ratio", "0.00"), (12.34, "ratio", "0.0"), (0.0123, "1", "0.00"), (3.0, "1", "0"), (0.00412, "1", "0.0000"),
        (None, "ratio", "General"), (0.2841, "share", "0.0"), (0.4512, "mm", "0.00"),
    ],
)  # fmt: skip
def test_a_workbook_shows_a_finding_with_the_page_s_decimals(estimate, unit, form):
    assert finding_format(estimate, unit, "metric") == form
