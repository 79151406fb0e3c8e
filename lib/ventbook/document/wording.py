"""Numbers, intervals, counts and free text as a reader should meet them.

Every function takes canonical values and the canonical unit's name (``mm``, ``s``, ``bar``) or one of the unitless
kinds: ``share`` (0.21 is written 21 %), ``1`` or an empty unit (a plain number). ``units`` is the report's system,
``metric`` or ``us``. Conversion happens here, at the last moment, and nowhere in the analyses.

Each report keeps its own sentences in its room (``words``). Nothing here computes a result.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable
from typing import Any

from ventbook.results import DIGITS, Estimate
from ventbook.tables import units as unit_table
from ventbook.tables.units import System

SHARES = ("share", "probability")
PLAIN = ("", "1", "ratio", "count")

STATE_WORDS = {
    "estimated": "estimated",
    "not_reached": "not reached in these records",
    "too_few": "too few records for a number",
    "suppressed": "not shown, to protect persons",
    "not_recorded": "not recorded",
}
VERDICT_WORDS = {
    "within": "within the limit",
    "outside": "outside the limit",
    "near_limit": "too near the limit to tell",
    "not_comparable": "not comparable with the limit",
}
SEVERITY_WORDS = {"note": "noted, counted all the same", "set_aside": "quarantined"}

# Characters that steer the direction of text. Left in a table cell they would re-order the neighbouring cells'
# text, so they are taken out of free text; the letters themselves stay.
_STEERING = {*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F, 0x061C, 0xFEFF}


def as_kept(value: float) -> float:
    """The number as findings keep it, so that a sentence and a table round the same one."""
    return float(f"{value:.{DIGITS}g}")


def _missing(value: Any) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))


def unit_label(unit: str, units: System = "metric") -> str:
    """The unit as it stands in a header: ``°C``, ``in``, ``%`` for shares, nothing for plain numbers."""
    if unit in SHARES:
        return "%"
    if unit in PLAIN:
        return ""
    return unit_table.display(0.0, unit, units)[1].label


def _bare(value: float, unit: str, units: System, decimals: int | None) -> str:
    if unit in SHARES:
        percent = 100.0 * value
        if decimals is None:
            decimals = 0 if percent == 0 or abs(percent) >= 9.95 else 1
            if percent > 0 and round(percent, decimals) >= 100 > percent:
                decimals, percent = 1, min(percent, 99.9)  # only all of them read 100
        return _signed(f"{percent:.{decimals}f}")
    if unit in PLAIN and decimals is None and (unit == "count" or (value.is_integer() and abs(value) < 1e6)):
        decimals = 0
    shown, how = unit_table.display(float(value), unit, units)
    if decimals is None:
        decimals = _decimals(float(shown), how.decimals if unit in unit_table.shown_units() else None)
    return _signed(f"{float(shown):.{decimals}f}")


def _decimals(value: float, usual: int | None) -> int:
    """The unit's usual decimals (without a unit: three figures), and more where a value would read as nought."""
    size = abs(value)
    if usual is None:
        usual = 2 if size < 9.995 else 1 if size < 99.95 else 0
    if size == 0 or usual == 0 or size >= 10.0**-usual:
        return usual
    return min(1 - math.floor(math.log10(size)), usual + 4)


def _signed(text: str) -> str:
    """Nought has no sign."""
    return text.removeprefix("-") if not text.strip("-0.") else text


def number(
    value: float | None,
    unit: str = "",
    *,
    units: System = "metric",
    decimals: int | None = None,
    label: bool = True,
) -> str:
    """One value as text with its unit; ``not known`` where there is none.

    Infinity reads ``not reached``. ``decimals`` overrides the unit's own decimals.
    """
    if _missing(value):
        return "not known"
    assert value is not None
    if math.isinf(value):
        return "not reached"
    text = _bare(as_kept(value), unit, units, decimals)
    name = unit_label(unit, units) if label else ""
    return f"{text} {name}" if name else text


def more_in_hundred(share: float, odds_ratio: float) -> float:
    """How many more of 100 there are where a share has its odds multiplied."""
    odds = odds_ratio * share / (1 - share)
    return 100 * (odds / (1 + odds) - share)


def value_range(
    low: float | None,
    high: float | None,
    unit: str = "",
    *,
    units: System = "metric",
    decimals: int | None = None,
) -> str:
    """``8 to 48 %``; an end that the data do not reach reads ``8 % or more`` or ``up to 48 %``."""
    no_low = _missing(low) or (low is not None and math.isinf(low))
    no_high = _missing(high) or (high is not None and math.isinf(high))
    if no_low and no_high:
        return "not known"
    if no_high:
        return f"{number(low, unit, units=units, decimals=decimals)} or more"
    if no_low:
        return f"up to {number(high, unit, units=units, decimals=decimals)}"
    assert low is not None and high is not None
    low, high = as_kept(low), as_kept(high)
    if decimals is None and unit in SHARES and max(abs(low), abs(high)) >= 0.0995 and low != 0:
        decimals = 0 if min(abs(low), abs(high)) >= 0.00995 else None
    first = number(low, unit, units=units, decimals=decimals, label=False)
    return f"{first} to {number(high, unit, units=units, decimals=decimals)}"


def level_words(level: float) -> str:
    """0.95 as ``95 %``."""
    return f"{100 * level:g} %"


def state_words(estimate: Estimate) -> str:
    """Why an estimate has no number, with how many records there were."""
    words = STATE_WORDS[estimate.state]
    return f"{words} (n = {estimate.n})" if estimate.state == "too_few" else words


def interval(
    estimate: Estimate,
    *,
    units: System = "metric",
    decimals: int | None = None,
    words: str = "plausible range",
) -> str:
    """``0.42 mm (plausible range 0.31 to 0.55 mm)``, or the reason why there is no number."""
    if estimate.estimate is None:
        reason = state_words(estimate)
        if estimate.low is None and estimate.high is None:
            return reason
        return f"{reason} ({words} {value_range(estimate.low, estimate.high, estimate.unit, units=units, decimals=decimals)})"
    centre = number(estimate.estimate, estimate.unit, units=units, decimals=decimals)
    if estimate.low is None and estimate.high is None:
        return centre
    spread = value_range(estimate.low, estimate.high, estimate.unit, units=units, decimals=decimals)
    return f"{centre} ({words} {spread})"


def of_total(events: int, total: int, noun: str = "", plural: str | None = None) -> str:
    """``3 of 14 ventings``; the noun follows the total's number."""
    text = f"{events:,} of {total:,}".replace(",", "\u00a0") if total >= 10_000 else f"{events} of {total}"
    return f"{text} {_noun(total, noun, plural)}" if noun else text


def count_behind(estimate: Estimate) -> int | None:
    """The count that a share was made of; None where it is no plain count over n.

    A share read off a curve, or drawn towards others, has no count: rounding one out of it gives ``0 of 32 (1.6 %)``.
    """
    if estimate.estimate is None:
        return None
    events = estimate.estimate * estimate.n
    return round(events) if abs(events - round(events)) <= 1e-6 * max(estimate.n, 1) else None


def share(
    estimate: Estimate, *, events: int | None = None, noun: str = "", words: str = "plausible range"
) -> str:
    """A share with its count: ``3 of 14 ventings (21 %; plausible range 8 to 48 %)``.

    Without ``events`` the count is left out. Where there is no number, the count (if given) and the reason stand.
    """
    if estimate.estimate is None:
        reason = state_words(estimate)
        return reason if events is None else f"{of_total(events, estimate.n, noun)} ({reason})"
    centre = number(estimate.estimate, "share")
    if estimate.low is None and estimate.high is None:
        inner = centre
    else:
        inner = f"{centre}; {words} {value_range(estimate.low, estimate.high, 'share')}"
    if events is None:
        return f"{centre} ({inner.removeprefix(centre + '; ')})" if inner != centre else centre
    return f"{of_total(events, estimate.n, noun)} ({inner})"


def _noun(n: int, noun: str, plural: str | None) -> str:
    if n == 1:
        return noun
    return plural if plural is not None else f"{noun}s"


def count(n: int, noun: str, plural: str | None = None) -> str:
    """``1 venting``, ``14 ventings``, ``no venting``... the number is always written in digits except zero."""
    return f"no {noun}" if n == 0 else f"{n} {_noun(n, noun, plural)}"


def join_words(words: Iterable[str], last: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    items = [str(word) for word in words]
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def verdict_words(verdict: str | None, *, placeholder: bool = False) -> str:
    """A verdict in words; against a placeholder limit that is said, and nothing reads like a release."""
    if verdict is None:
        return ""
    words = VERDICT_WORDS[verdict]
    if not placeholder:
        return words
    return {
        "within": "within a placeholder limit",
        "outside": "outside a placeholder limit",
        "near_limit": "too near a placeholder limit to tell",
        "not_comparable": "not comparable with a placeholder limit",
    }[verdict]


def limit_text(limit: float, unit: str, *, units: System = "metric") -> str:
    """A limit with its unit; in US units the manual's own metric value stands beside it.

    A limit is the manual's number: its conversion is rounded, the number in brackets is what decides.
    """
    text = f"{unit_table.show_limit(float(limit), unit, units)} {unit_label(unit, units)}".strip()
    if units == "metric" or unit_label(unit, units) == unit_label(unit, "metric"):
        return text
    return f"{text} ({unit_table.show_limit(float(limit), unit, 'metric')} {unit_label(unit, 'metric')})"


def reading_and_limit(value: float, limit: float, unit: str, *, units: System = "metric") -> tuple[str, str]:
    """A reading and its limit as two texts of the same decimals, in the order that the exact values have.

    So many decimals are shown that rounding never makes a reading over the limit look like one at it or under it,
    nor the other way round: 0.5004 mm against 0.5 mm reads 0.5004 and 0.5000.
    """
    (shown, how), (bound, _) = (unit_table.display(float(number), unit, units) for number in (value, limit))
    least = len(unit_table.show_limit(float(limit), unit, units).partition(".")[2])
    for decimals in range(max(how.decimals, least), 17):
        texts = f"{float(shown):.{decimals}f}", f"{float(bound):.{decimals}f}"
        if _order(float(texts[0]), float(texts[1])) == _order(float(value), float(limit)):
            return texts
    return repr(float(shown)), repr(float(bound))


def _order(a: float, b: float) -> int:
    return (a > b) - (a < b)


def clean_text(text: Any, *, longest: int = 400) -> str:
    """Free text from a record made fit to show: still a reader's text, but unable to act.

    Control characters become spaces, characters that steer text direction go, unpaired surrogates become a
    replacement mark, runs of white space shrink to one space, and text beyond ``longest`` characters is cut with
    a note of how long it was. Escaping for HTML, spreadsheets and so on is left to each writer.
    """
    if _missing(text):
        return ""
    raw = str(text)
    if len(raw) <= longest and raw.isascii() and raw.isprintable():  # nothing in it can act
        return " ".join(raw.split())
    kept = []
    for character in raw[: 4 * longest]:
        code = ord(character)
        if code in _STEERING:
            continue
        category = unicodedata.category(character)
        if 0xD800 <= code <= 0xDFFF or category == "Cn":
            kept.append("\ufffd")
        elif category in ("Cc", "Zl", "Zp", "Co"):
            kept.append(" ")
        else:
            kept.append(character)
    words = " ".join("".join(kept).split())
    if len(words) > longest or len(raw) > 4 * longest:
        return f"{words[:longest].rstrip()} … [{len(raw)} characters]"
    return words
