"""Text cells to typed values, one guarded cast a column; required cells, plausible ranges, and units that would fit better.

What can't be read is marked, never guessed. A whole column is cast at once; only where that fails are its distinct texts
looked at one by one, so good rows never see per-row Python.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ventbook.records.intake.context import Fault
from ventbook.records.readers.mapping import date_pattern
from ventbook.records.readers.odd_cells import ERROR, MERGED, NO_VALUE
from ventbook.tables import Column, units

NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)
WHOLE = re.compile(r"([+-]?\d{1,15})(?:\.0*)?", re.ASCII)
VERDICT = re.compile(
    r"(?i)\s*(?:[<>≤≥~]=?.*|ok|o\.k\.|pass(?:ed)?|fail(?:ed)?|go|no[ -]?go|good|bad|i\.?o\.?|n\.?i\.?o\.?)\s*"
)
YES = frozenset({"yes", "true", "1", "1.0"})
NO = frozenset({"no", "false", "0", "0.0"})
LONGEST_TEXT = 10_000
LARGEST = 1e15  # of a number in a typed file; no quantity of a record comes near, and whole numbers stay exact below
LONGEST_CELL = (
    80  # no number, code or date is longer; longer ones are not matched at all, for that takes time
)
FREE_TEXT = ("remarks", "crank_rest")
DITTO_MARKS = pa.array(
    ['"', "''", "\u2033", "\u3003", "\u201e", "\u201c", "\u201d", '-"-', "do.", "dto.", "ditto", "Ditto"]
)
_EATEN = re.compile(r"\d(?:[.,]\d+)?E[+]?\d+", re.ASCII)
_CALENDAR = re.compile(r"(\d{4})-(\d{2})-(\d{2})", re.ASCII)
_BASIC = re.compile(r"((?:19|20|21)\d{2})(\d{2})(\d{2})", re.ASCII)
_WEEK = re.compile(r"(\d{4})-?W(\d{2})-?([1-7])", re.ASCII)
_ORDINAL = re.compile(r"(\d{4})-(\d{3})", re.ASCII)
_CLOCK = re.compile(r"(\d{2})(?::(\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?)?", re.ASCII)
_UNREADABLE = r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\x{fffd}]"

Found = tuple[pa.Array, list[Fault]]
USUAL_UNITS = {
    "length": ("mm", "in", "thou", "m", "cm", "ft", "um"),
    "volume": ("L", "cm3", "qt", "gal"),
    "time": ("s", "min", "h", "ms"),
    "pressure_gauge": ("bar", "psi", "kPa", "mbar"),
    "temperature": ("degC", "degF", "K"),
    "rotation_speed": ("rpm", "rev/s"),
    "force": ("N", "kgf", "lbf"),
    "spring_rate": ("N/mm", "N/m", "lbf/in"),
}


class RejectReason(str):
    """The reason code that a text is refused with."""

    __slots__ = ()


def convert_column(
    cells: pa.Array,
    column: Column,
    *,
    unit: str = "",
    decimal: str = ".",
    date_form: str = "",
    codes: Any = None,
) -> Found:
    """Typed values of one column (canonical unit) and the faults of its cells; a refused cell is None."""
    cells, odd = refuse_odd_cells(cells, column)
    form = {"unit": unit, "decimal": decimal, "date_form": date_form, "codes": codes}
    values, faults = _convert_kind(cells, column, **form)
    return values, odd + faults


def refuse_odd_cells(cells: pa.Array, column: Column) -> Found:
    """Cells without those that say why they hold no value: a spreadsheet's error, formula or merge."""
    if pa.types.is_dictionary(cells.type) and _has_bytes(cells.dictionary, b"#:"):
        cells = cells.cast(pa.string())
    if not pa.types.is_string(cells.type) or not _has_bytes(cells, b"#:"):
        return cells, []
    odd = pc.or_kleene(pc.starts_with(cells, "#"), pc.starts_with(cells, "Err:"))
    rows = _where(odd)
    faults = []
    for code, fits in (
        ("formula_without_value", lambda text: text.startswith(NO_VALUE)),
        ("merged_cells", lambda text: text.startswith(MERGED)),
        ("spreadsheet_error", lambda text: ERROR.fullmatch(text.strip()) is not None),
    ):
        texts = {int(row): cells[int(row)].as_py() for row in rows}
        own = np.array([row for row, text in texts.items() if fits(text)], dtype=np.int64)
        if len(own):
            shown = [texts[row].removeprefix(MERGED).removeprefix(NO_VALUE[:-1]) for row in own.tolist()]
            faults.append(Fault(code, column.name, own, shown))
    if not faults:
        return cells, []
    mask = np.zeros(len(cells), dtype=bool)
    mask[np.concatenate([fault.rows for fault in faults])] = True
    return pc.if_else(pa.array(mask), pa.scalar(None, pa.string()), cells), faults


def _convert_kind(
    cells: pa.Array, column: Column, *, unit: str, decimal: str, date_form: str, codes: Any
) -> Found:
    if column.kind in ("number", "quantity", "integer"):
        return convert_numbers(cells, column, unit, decimal)
    if column.kind == "code":
        return convert_codes(cells, column, codes or {})
    if column.kind == "yes_no":
        return convert_yes_no(cells, column, codes or {})
    if column.kind == "date":
        return convert_dates(cells, column, date_form)
    if column.kind == "datetime":
        return convert_times(cells, column, date_form)
    return convert_text(cells, column)


# ---- numbers -----------------------------------------------------------------------------------------------


def convert_numbers(cells: pa.Array, column: Column, unit: str, decimal: str) -> Found:
    whole = column.kind == "integer"
    kind = pa.int64() if whole else pa.float64()
    faults: list[Fault] = []
    if pa.types.is_floating(cells.type) or pa.types.is_integer(cells.type):
        values, faults = _cast_typed(cells, column, kind)
    elif pa.types.is_string(cells.type):
        values = _cast_text(cells, kind) if decimal == "." else None
        if values is None:
            values, faults = _by_distinct_text(cells, column, kind, lambda t: read_number(t, whole, decimal))
    else:
        values, faults = _by_distinct_text(
            cells.cast(pa.string()), column, kind, lambda t: read_number(t, whole, ".")
        )
    if column.unit and unit and units.known(unit) != units.known(column.unit):
        values = pa.array(convert_unit(_numbers(values), unit, column.unit), pa.float64(), from_pandas=True)
    return values, faults


def _cast_typed(cells: pa.Array, column: Column, kind: pa.DataType) -> Found:
    """Typed numbers; not a number is an empty cell, and what no record can hold (endless, beyond all counting, broken where
    it has to be whole) is refused.
    """
    if pa.types.is_floating(cells.type):
        numbers = np.asarray(cells.to_numpy(zero_copy_only=False), dtype=float)
        known = ~np.isnan(numbers)
        huge = known & ~(np.abs(numbers) < LARGEST)
        odd = (
            known & ~huge & (numbers != np.trunc(numbers))
            if pa.types.is_integer(kind)
            else np.zeros_like(huge)
        )
    else:
        numbers = np.asarray(cells.fill_null(0).to_numpy(zero_copy_only=False))
        known = np.asarray(cells.is_valid())
        huge = known & ((numbers >= LARGEST) | (numbers <= -LARGEST))
        odd = np.zeros_like(huge)
    faults = []
    for code, mask in (("not_a_number", huge), ("not_whole", odd)):
        rows = np.flatnonzero(mask)
        if len(rows):
            faults.append(Fault(code, column.name, rows, [repr(numbers[row].item()) for row in rows]))
    good = known & ~huge & ~odd
    if pa.types.is_integer(kind):
        return pa.array(np.where(good, numbers, 0).astype(np.int64), pa.int64(), mask=~good), faults
    return pa.array(np.where(good, numbers, 0).astype(float), pa.float64(), mask=~good), faults


def _cast_text(cells: pa.Array, kind: pa.DataType) -> pa.Array | None:
    """The whole column cast at once, None when some cell needs a closer look."""
    try:
        values = cells.cast(kind)
    except pa.ArrowInvalid:
        return None
    if pa.types.is_integer(kind):
        hexadecimal = pc.any(pc.match_substring(cells, "x", ignore_case=True)).as_py()
        return None if hexadecimal else values
    finite = pc.all(pc.is_finite(values)).as_py()
    return None if finite is False else values


def read_number(text: str, whole: bool, decimal: str) -> float | int | RejectReason | None:
    """One text as a number. ``1e3`` and ``+4`` are numbers; ``1,5`` in a file with decimal points is not.

    ``decimal`` with a question mark behind it ("," or "." first) also takes the other mark where it can't be a mark
    of thousands: rows mended by hand are typed on any keyboard.
    """
    if decimal.endswith("?"):
        own = read_number(text, whole, decimal[0])
        if own != RejectReason("decimal_mark") or THOUSANDS.fullmatch(text.strip()):
            return own
        return read_number(text, whole, "," if decimal[0] == "." else ".")
    text = text.strip()
    if not text:
        return None
    if len(text) > LONGEST_CELL:
        return RejectReason("not_a_number")
    plain = text
    if decimal == ",":
        if "." in text and NUMBER.fullmatch(text):
            return RejectReason("decimal_mark")
        plain = text.replace(",", ".") if "." not in text else text
    if whole and (found := WHOLE.fullmatch(plain)):
        return int(found[1])
    if not whole and NUMBER.fullmatch(plain):
        number = float(plain)
        return number if np.isfinite(number) else RejectReason("not_a_number")
    if NUMBER.fullmatch(plain):
        return RejectReason("not_whole")
    if decimal == "." and NUMBER.fullmatch(text.replace(",", ".", 1)):
        return RejectReason("decimal_mark")
    return RejectReason("limit_not_reading" if VERDICT.fullmatch(text) else "not_a_number")


def convert_unit(values: np.ndarray, unit: str, canonical: str) -> np.ndarray:
    """Values in the canonical unit, to nine decimals: 0.020 in and 0.508 mm are the same number. What no float can
    hold in that unit becomes infinite, which no range allows.
    """
    with np.errstate(over="ignore"):
        found: np.ndarray = np.rint(np.asarray(units.convert(values, unit, canonical)) * 1e9) / 1e9
    return found


def _numbers(values: pa.Array) -> np.ndarray:
    return np.asarray(values.to_numpy(zero_copy_only=False), dtype=float)


def _by_distinct_text(
    cells: pa.Array, column: Column, kind: pa.DataType, read: Callable[[str], Any]
) -> Found:
    """Read every distinct text once; those refused are grouped by reason code."""
    encoded = cells if pa.types.is_dictionary(cells.type) else cells.dictionary_encode()
    texts = encoded.dictionary.to_pylist()
    answers = [None if text is None else read(text) for text in texts]
    good = pa.array([None if isinstance(a, RejectReason) else a for a in answers], kind)
    indices = encoded.indices
    faults = []
    bad = {n: answer for n, answer in enumerate(answers) if isinstance(answer, RejectReason)}
    if bad:
        positions = np.asarray(indices.fill_null(-1))
        for code in dict.fromkeys(bad.values()):
            rows = np.flatnonzero(np.isin(positions, [n for n, c in bad.items() if c == code]))
            faults.append(Fault(str(code), column.name, rows, [texts[positions[row]] for row in rows]))
    return good.take(indices), faults


# ---- codes and yes/no --------------------------------------------------------------------------------------


def convert_codes(cells: pa.Array, column: Column, codes: dict[str, str]) -> Found:
    own = {key.strip().casefold(): value for key, value in codes.items()}
    allowed = {code: code for code in column.codes}

    def read(text: str) -> str | RejectReason | None:
        plain = text.strip().casefold()
        if not plain:
            return None
        answer = own.get(plain) or allowed.get(re.sub(r"[\s-]+", "_", plain))
        return answer or RejectReason("unknown_code")

    values, faults = _by_distinct_text(_as_text(cells), column, pa.string(), read)
    for fault in faults:
        fault.common["codes"] = ", ".join(column.codes)
    return values, faults


def convert_yes_no(cells: pa.Array, column: Column, codes: dict[str, str]) -> Found:
    if pa.types.is_boolean(cells.type):
        return cells, []
    own = {key.strip().casefold(): value for key, value in codes.items()}

    def read(text: str) -> bool | RejectReason | None:
        plain = text.strip().casefold()
        if not plain:
            return None
        plain = own.get(plain, plain)
        if plain in YES:
            return True
        return False if plain in NO else RejectReason("not_yes_no")

    return _by_distinct_text(_as_text(cells), column, pa.bool_(), read)


# ---- dates -------------------------------------------------------------------------------------------------


def convert_dates(cells: pa.Array, column: Column, form: str) -> Found:
    if pa.types.is_date32(cells.type) or pa.types.is_timestamp(cells.type):
        return cells.cast(pa.date32(), safe=False), []
    if not _is_text(cells):
        return _refuse_numbers(cells, column, pa.date32())
    pattern = date_pattern(form.partition(" ")[0]) if form else ""
    return _by_distinct_text(cells, column, pa.date32(), lambda text: read_date(text, pattern))


def convert_times(cells: pa.Array, column: Column, form: str) -> Found:
    kind = pa.timestamp("us")
    if pa.types.is_date32(cells.type) or pa.types.is_timestamp(cells.type):
        return cells.cast(kind, safe=False), []
    if not pa.types.is_string(cells.type):
        return _refuse_numbers(cells, column, kind)
    pattern = date_pattern(form.partition(" ")[0]) if form else ""
    if not pattern:
        try:
            return cells.cast(kind), []
        except pa.ArrowInvalid:
            pass
    return _by_distinct_text(cells, column, kind, lambda text: read_time(text, pattern))


def _refuse_numbers(cells: pa.Array, column: Column, kind: pa.DataType) -> Found:
    """A typed number or truth value is no date: nobody can tell days from seconds, nor where they count from."""
    texts = _as_text(cells)
    rows = _where(texts.is_valid())
    faults = [Fault("date_is_number", column.name, rows, texts.take(pa.array(rows)).to_pylist())]
    return pa.nulls(len(cells), kind), faults if len(rows) else []


@lru_cache(maxsize=65_536)
def read_date(text: str, pattern: str = "") -> dt.date | RejectReason | None:
    """A date in a form of ISO 8601 (2026-07-31, 20260731, 2026-W31-5, 2026-212) or in the declared form."""
    text = text.strip()
    if not text:
        return None
    if len(text) > LONGEST_CELL:
        return RejectReason("not_a_date")
    day, _, clock = text.partition("T") if "T" in text else text.partition(" ")
    if clock and not _CLOCK.fullmatch(clock.strip()):
        return RejectReason("time_with_zone" if _CLOCK.match(clock.strip()) else "not_a_date")
    try:
        if found := _CALENDAR.fullmatch(day) or _BASIC.fullmatch(day):
            return dt.date(int(found[1]), int(found[2]), int(found[3]))
        if found := _WEEK.fullmatch(day):
            return dt.date.fromisocalendar(int(found[1]), int(found[2]), int(found[3]))
        if found := _ORDINAL.fullmatch(day):
            answer = dt.date(int(found[1]), 1, 1) + dt.timedelta(int(found[2]) - 1)
            return answer if answer.year == int(found[1]) and int(found[2]) else RejectReason("no_such_day")
        if pattern and re.search(r"\d{4}", day):
            return dt.datetime.strptime(day, pattern).date()
    except ValueError:
        pattern_fits = pattern and re.fullmatch(r"\D*\d+\D+\d+\D+\d+\D*", day)
        is_iso = _CALENDAR.fullmatch(day) or _BASIC.fullmatch(day) or _WEEK.fullmatch(day)
        return RejectReason("no_such_day" if is_iso or pattern_fits else "not_a_date")
    if re.fullmatch(r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}", day):
        return RejectReason("date_form_unknown")
    if re.fullmatch(r"[2-6]\d{4}(?:[.,]\d+)?", day):
        return RejectReason("date_is_serial")
    return RejectReason("not_a_date")


def read_time(text: str, pattern: str = "") -> dt.datetime | RejectReason | None:
    """A date with clock time: 2026-07-31T14:05, 2026-07-31 14:05:30."""
    text = text.strip()
    if not text:
        return None
    date = read_date(text, pattern)
    if date is None or isinstance(date, RejectReason):
        return date
    clock = re.split(r"[T ]", text, maxsplit=1)[1:]
    if not clock:
        return dt.datetime.combine(date, dt.time())
    found = _CLOCK.fullmatch(clock[0].strip())
    assert found is not None
    try:
        micro = int(((found[4] or "") + "000000")[:6])
        return dt.datetime.combine(
            date, dt.time(int(found[1]), int(found[2] or 0), int(found[3] or 0), micro)
        )
    except ValueError:
        return RejectReason("not_a_date")


# ---- text --------------------------------------------------------------------------------------------------


def convert_text(cells: pa.Array, column: Column) -> Found:
    """Text with outer spaces removed; unreadable, endless and eaten texts are refused."""
    cells = _as_text(cells)
    encoded = None
    if not column.key:
        encoded = cells if pa.types.is_dictionary(cells.type) else cells.dictionary_encode()
    texts = encoded.dictionary if encoded is not None else cells
    texts = pc.utf8_trim_whitespace(texts) if _has_outer_space(texts) else texts
    if pc.any(pc.equal(texts, "")).as_py():
        texts = pc.if_else(pc.equal(texts, ""), pa.scalar(None, pa.string()), texts)
    bad: dict[str, np.ndarray] = {}
    if _has_odd_bytes(texts):
        bad["unreadable_text"] = _where(pc.match_substring_regex(texts, _UNREADABLE))
    if (pc.max(pc.utf8_length(texts)).as_py() or 0) > LONGEST_TEXT:
        bad["text_too_long"] = _where(pc.greater(pc.utf8_length(texts), LONGEST_TEXT))
    if column.name not in FREE_TEXT:
        bad["ditto_mark"] = _where(pc.is_in(texts, value_set=DITTO_MARKS))
    if column.key or column.name.endswith("_id"):
        candidates = _where(pc.match_substring(texts, "E+"))
        eaten = [n for n in candidates if _EATEN.fullmatch(texts[int(n)].as_py()[:LONGEST_CELL])]
        bad["identifier_eaten"] = np.array(eaten, dtype=np.int64)
    faults = []
    for code, which in bad.items():
        if not len(which):
            continue
        if encoded is None:
            rows = which
            values = [str(texts[int(n)].as_py()) for n in which]
        else:
            positions = np.asarray(encoded.indices.fill_null(-1))
            rows = np.flatnonzero(np.isin(positions, which))
            values = [str(texts[int(positions[row])].as_py()) for row in rows]
        each = [{"n": len(value)} for value in values] if code == "text_too_long" else ()
        faults.append(Fault(code, column.name, rows, values, each=each))
        mask = np.zeros(len(texts), dtype=bool)
        mask[which] = True
        texts = pc.if_else(pa.array(mask), pa.scalar(None, pa.string()), texts)
    return (texts if encoded is None else texts.take(encoded.indices)), faults


def _has_outer_space(texts: pa.Array) -> bool:
    data = texts.buffers()[2]
    if data is None or not len(texts):
        return False
    codes = np.frombuffer(data, dtype=np.uint8)
    offsets = np.frombuffer(texts.buffers()[1], dtype=np.int32)[texts.offset : texts.offset + len(texts) + 1]
    filled = offsets[1:] > offsets[:-1]
    first, last = codes[offsets[:-1][filled]], codes[offsets[1:][filled] - 1]
    # spaces and controls, or the lead or trail byte of a wider character that may be a wide space
    return bool(((first <= 32) | (last <= 32) | (first >= 0xC2) | (last >= 0x80)).any())


def _bytes_of(texts: pa.Array) -> np.ndarray:
    """All bytes of a text column, one text after another."""
    data = texts.buffers()[2]
    if data is None or not len(texts):
        return np.zeros(0, dtype=np.uint8)
    offsets = np.frombuffer(texts.buffers()[1], dtype=np.int32)[texts.offset : texts.offset + len(texts) + 1]
    return np.frombuffer(data, dtype=np.uint8)[offsets[0] : offsets[-1]]


def _has_bytes(texts: pa.Array, some: bytes) -> bool:
    codes = _bytes_of(texts)
    return any(bool((codes == code).any()) for code in some)


def _has_odd_bytes(texts: pa.Array) -> bool:
    codes = _bytes_of(texts)
    return bool(((codes < 32) | (codes == 127) | (codes == 0xEF)).any())


def _where(mask: pa.Array) -> np.ndarray:
    return np.flatnonzero(np.asarray(mask.fill_null(False)))


def _is_text(cells: pa.Array) -> bool:
    """Whether cells are text, each written out or as a place in a dictionary."""
    kind = cells.type.value_type if pa.types.is_dictionary(cells.type) else cells.type
    return bool(pa.types.is_string(kind))


def _as_text(cells: pa.Array) -> pa.Array:
    if _is_text(cells):
        return cells
    if pa.types.is_floating(cells.type):  # 12.0 in a typed file says 12
        return pa.array(
            [
                None if v is None or v != v else str(int(v)) if float(v).is_integer() else repr(v)
                for v in cells.to_pylist()
            ],
            pa.string(),
        )
    return cells.cast(pa.string())


def check_required(values: pa.Array, column: Column, whole: np.ndarray, found: list[Fault]) -> list[Fault]:
    """Rows whose required cell is empty (not those whose cell was refused: they have their fault)."""
    if not values.null_count:
        return []
    empty = np.asarray(values.is_null()) & whole
    for fault in found:
        empty[fault.rows] = False
    rows = np.flatnonzero(empty)
    return [Fault("missing_required", column.name, rows)] if len(rows) else []


def check_range(values: pa.Array, cells: pa.Array, column: Column, unit: str, today: dt.date) -> list[Fault]:
    """Values outside the plausible range; apart, those that another unit would bring inside."""
    if column.kind == "date":
        return _check_dates(values, column, today)
    if column.kind not in ("integer", "number", "quantity") or column.low is None or column.high is None:
        return []
    low, high = float(column.low), float(column.high)
    numbers = np.asarray(values.to_numpy(zero_copy_only=False), dtype=float)
    with np.errstate(invalid="ignore"):
        outside = np.flatnonzero((numbers < low) | (numbers > high))
    if not len(outside):
        return []
    texts = [str(cells[int(row)].as_py()) for row in outside]
    shown = unit or column.unit
    words = {"low": f"{low:g}", "high": f"{high:g}", "unit": ""}
    if column.unit:
        words = {
            "low": f"{low:g}",
            "high": f"{high:g} {column.unit}",
            "unit": f" {shown}" if shown != column.unit else "",
        }
    suspects = [""] * len(outside)
    if column.kind == "quantity":
        raw = numbers[outside]
        if units.known(shown) != units.known(column.unit):
            raw = np.asarray(units.convert(raw, column.unit, shown))
        suspects = suspect_units(raw, column, shown)
    answer = []
    for code, which in (
        ("unit_suspected", [n for n, s in enumerate(suspects) if s]),
        ("out_of_range", [n for n, s in enumerate(suspects) if not s]),
    ):
        if which:
            each: Sequence[dict[str, Any]] = [{"suspects": suspects[n]} for n in which]
            answer.append(Fault(code, column.name, outside[which], [texts[n] for n in which], words, each))
    return answer


def suspect_units(values: np.ndarray, column: Column, unit: str) -> list[str]:
    """``it fits in (0.508 mm)`` for values that one of the usual units would bring inside the range, else ""."""
    fits: list[list[str]] = [[] for _ in values]
    for other in USUAL_UNITS.get(column.dimension, ()):
        if units.known(other) == units.known(unit):
            continue
        numbers = convert_unit(values, other, column.unit)
        inside = (numbers >= float(column.low or 0)) & (numbers <= float(column.high or 0)) & (numbers != 0)
        for n in np.flatnonzero(inside):
            fits[n].append(f"{other} ({numbers[n]:.3g} {column.unit})")
    return [f"it fits {' or '.join(own[:3])}" if own else "" for own in fits]


def _check_dates(values: pa.Array, column: Column, today: dt.date) -> list[Fault]:
    low = dt.date.fromisoformat(str(column.low)) if column.low else dt.date.min
    high = today if column.high == "today" else dt.date.fromisoformat(str(column.high or "9999-12-31"))
    days = values.cast(pa.int32())
    answer = []
    late = np.flatnonzero(np.asarray(pc.greater(days, (high - dt.date(1970, 1, 1)).days).fill_null(False)))
    early = np.flatnonzero(np.asarray(pc.less(days, (low - dt.date(1970, 1, 1)).days).fill_null(False)))
    words = {"low": low.isoformat(), "high": high.isoformat(), "unit": ""}
    if len(late):
        code = "date_in_future" if column.high == "today" else "out_of_range"
        answer.append(Fault(code, column.name, late, [str(values[int(r)].as_py()) for r in late], words))
    if len(early):
        answer.append(
            Fault("out_of_range", column.name, early, [str(values[int(r)].as_py()) for r in early], words)
        )
    return answer
