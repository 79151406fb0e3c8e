"""What a report may be asked: ``data/parameters.toml``, a call held against it before anything runs, and periods.

A notebook runner would run on with its defaults when a name is misspelt; here an unknown name or a wrong value stops the run
first, with one line that names every fault at once and the nearest known name. A period says which ventings, by the date the site
wrote, a page is about. It is written as a quarter ``2026Q3``, a month ``2026-07``, a year ``2026``, months from and to
``2026-07/2026-09``, or so many months up to and with a month ``12m/2026-09``. Inside, a period is half open: ``start`` belongs to
it, ``end`` does not. The default is the last complete quarter before the snapshot's own date, never the clock, so that a rerun of
an old snapshot asks for the same period.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

from ventbook.errors import InputError
from ventbook.model.verdicts import quarter_of
from ventbook.tables import DATA, Parameter, load_parameters
from ventbook.tables.reader import read_rows

FORMS = "2026Q3, 2026-07, 2026, 2026-07/2026-09 or 12m/2026-09"
EARLIEST = dt.date(1980, 1, 1)


@dataclass(frozen=True)
class Period:
    """A span of days ``[start, end)``; ``provisional`` while it was not over on the snapshot's date."""

    label: str
    start: dt.date
    end: dt.date
    provisional: bool = False

    @property
    def words(self) -> str:
        """How the period reads in a sentence."""
        last = self.end - dt.timedelta(days=1)
        span = f"{self.start.isoformat()} to {last.isoformat()}"
        return f"{self.label} ({span})" if self.label != span else span

    def months(self) -> int | None:
        """Whole calendar months in the period, or None when it does not begin and end on a first."""
        if self.start.day != 1 or self.end.day != 1:
            return None
        return (self.end.year - self.start.year) * 12 + self.end.month - self.start.month

    def before(self) -> Period:
        """The period of the same length just before this one."""
        months = self.months()
        if months is None:
            start = self.start - (self.end - self.start)
            return Period(_span_label(start, self.start), start, self.start)
        start = _add_months(self.start, -months)
        return Period(_month_label(start, months), start, self.start)

    def year_earlier(self) -> Period:
        """The same span one year earlier (29 February reads 28 February)."""
        months = self.months()
        start, end = _add_months(self.start, -12), _add_months(self.end, -12)
        label = _span_label(start, end) if months is None else _month_label(start, months)
        return Period(label, start, end)


def _add_months(day: dt.date, months: int) -> dt.date:
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    try:
        return day.replace(year=year, month=month + 1)
    except ValueError:
        return dt.date(year, month + 1, 28)


def _span_label(start: dt.date, end: dt.date) -> str:
    return f"{start.isoformat()} to {(end - dt.timedelta(days=1)).isoformat()}"


def _month_label(start: dt.date, months: int) -> str:
    if months == 1:
        return f"{start:%Y-%m}"
    if months == 3 and start.month % 3 == 1:
        return quarter_of(start)
    if months == 12 and start.month == 1:
        return f"{start:%Y}"
    return f"{start:%Y-%m}/{_add_months(start, months - 1):%Y-%m}"


def name_span(start: dt.date, end: dt.date) -> str:
    """The shortest name of a span of days: ``2026Q3``, ``2026-07``, else first and last day."""
    months = Period("", start, end).months()
    return _span_label(start, end) if months is None or months < 1 else _month_label(start, months)


def _month(text: str) -> dt.date:
    year, month = int(text[:4]), int(text[5:7])
    if not (EARLIEST.year <= year <= 9000 and 1 <= month <= 12):
        raise ValueError(text)
    return dt.date(year, month, 1)


def _read_day(text: str, name: str) -> dt.date:
    try:
        return dt.datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        raise ValueError(f"{name} must be a date like 2026-07-01; got {text!r}") from None


def read_period(text: str) -> tuple[str, dt.date, dt.date]:
    """Label, first day and day after the last day of a period as written.

    Raises ValueError naming the forms that are understood.
    """
    wrong = ValueError(f"period must be like {FORMS}; got {text!r}")
    clean = text.strip().upper().replace(" ", "")
    try:
        if match := re.fullmatch(r"(\d{4})-?Q([1-4])", clean):
            start = _month(f"{match[1]}-{3 * int(match[2]) - 2:02d}")
            return f"{match[1]}Q{match[2]}", start, _add_months(start, 3)
        if re.fullmatch(r"\d{4}", clean):
            start = _month(f"{clean}-01")
            return clean, start, _add_months(start, 12)
        if re.fullmatch(r"\d{4}-\d{2}", clean):
            start = _month(clean)
            return clean, start, _add_months(start, 1)
        if match := re.fullmatch(r"(\d{4}-\d{2})/(\d{4}-\d{2})", clean):
            start, last = _month(match[1]), _month(match[2])
            if last < start:
                raise ValueError(f"period {text!r} ends before it begins")
            return clean, start, _add_months(last, 1)
        if match := re.fullmatch(r"(\d{1,3})M/(\d{4}-\d{2})", clean):
            months, last = int(match[1]), _month(match[2])
            if not 1 <= months <= 240:
                raise ValueError(f"period must cover 1 to 240 months; got {text!r}")
            return clean.replace("M/", "m/"), _add_months(last, 1 - months), _add_months(last, 1)
    except ValueError as error:
        raise (error if "period" in str(error) else wrong) from None
    raise wrong


def last_complete_quarter(today: dt.date) -> Period:
    """The last calendar quarter that was over on ``today``."""
    this = dt.date(today.year, 3 * ((today.month - 1) // 3) + 1, 1)
    start = _add_months(this, -3)
    return Period(quarter_of(start), start, this)


def choose_period(period: str, since: str, until: str, *, today: dt.date) -> Period:
    """The period asked for: ``period``, or ``since`` (inclusive) and ``until`` (exclusive), or the default.

    Empty text means not given. ``since`` alone runs to the day after ``today``; ``until`` alone begins with the
    earliest date a record may carry. Raises ValueError for unreadable text, for ``period`` together with the
    others, and for an empty span.
    """
    if period and (since or until):
        raise ValueError("give either period or since/until, not both")
    if period:
        label, start, end = read_period(period)
    elif since or until:
        start = _read_day(since, "since") if since else EARLIEST
        end = _read_day(until, "until") if until else today + dt.timedelta(days=1)
        if end <= start:
            raise ValueError(f"until ({end}) must be after since ({start})")
        label = _span_label(start, end)
    else:
        return last_complete_quarter(today)
    return Period(label, start, end, provisional=end > today)


def choose_against(text: str, period: Period) -> Period:
    """The earlier period that ``period`` is held against: as written, or where nothing is the one just before it.

    Raises ValueError for unreadable text and where it doesn't end before ``period`` begins.
    """
    if not text:
        return period.before()
    try:
        label, start, end = read_period(text)
    except ValueError as error:
        raise ValueError(str(error).replace("period", "against", 1)) from None
    if end > period.start:
        raise ValueError(
            f"against must end before the period begins; got {label} against {period.label}: ask for the later one as period"
        )
    return Period(label, start, end)


class ParameterError(InputError):
    """A call that can't be run; its message is one line and names every fault."""


@dataclass(frozen=True)
class ReportSpec:
    """One report: its name on the command line, its notebook, titles, and the parameters that it takes.

    ``quiet_periods``: a period without ventings is stated where it lies between the first record and the last.
    ``weight`` says how long it takes, roughly: heavier ones start first when several are made side by side.
    """

    name: str
    notebook: str
    title: str
    short: str
    needs_ventings: bool = True
    quiet_periods: bool = False
    weight: int = 1
    parameters: Mapping[str, Parameter] = field(default_factory=dict)


@cache
def report_specs(path: Path = DATA / "parameters.toml") -> Mapping[str, ReportSpec]:
    """All reports by name, in reading order.

    Raises TableError naming file and row when the table itself is wrong.
    """
    rows = read_rows(path, "report", ReportSpec, word="report", unique=True)
    return {row.name: replace(row, parameters=load_parameters(row.name)) for row in rows}


def find_report(name: str) -> ReportSpec:
    """The report of that name; raises ParameterError with the nearest names."""
    specs = report_specs()
    if name in specs:
        return specs[name]
    raise ParameterError(f"report {name!r} is not known{nearest(name, specs)}; known: {', '.join(specs)}")


def nearest(name: str, known: Iterable[str]) -> str:
    """`` (did you mean harbour?)`` where a known name is near, else an empty text."""
    names = {item.casefold().replace("_", "-"): item for item in known}
    near = difflib.get_close_matches(name.casefold().replace("_", "-"), list(names), n=1, cutoff=0.5)
    return f" (did you mean {names[near[0]]}?)" if near else ""


def check_value(parameter: Parameter, value: Any) -> str:
    """What is wrong with a value for this parameter, or an empty text."""
    name = parameter.name
    if parameter.type == "bool":
        return "" if isinstance(value, bool) else f"{name} must be true or false; got {value!r}"
    if parameter.type in ("int", "float"):
        wanted = "a whole number" if parameter.type == "int" else "a number"
        right = isinstance(value, int) or (parameter.type == "float" and isinstance(value, float))
        if isinstance(value, bool) or not right:
            return f"{name} must be {wanted}; got {value!r}"
        low, high = parameter.low, parameter.high
        if (low is not None and not value >= low) or (high is not None and not value <= high):
            span = f"from {low:.10g} to {high:.10g}" if low is not None and high is not None else ""
            span = span or (f"{low:.10g} or more" if low is not None else f"{high:.10g} or less")
            return f"{name} must be {wanted} {span}; got {value!r}"
    elif not isinstance(value, str):
        return f"{name} must be text; got {value!r}"
    elif "\0" in value:
        return f"{name} must be text without control characters; got {value!r}"
    if parameter.allowed and value not in parameter.allowed:
        return f"{name} must be {' or '.join(map(str, parameter.allowed))}; got {value!r}"
    return _check_dates(name, value)


def _check_dates(name: str, value: Any) -> str:
    if not value or name not in ("period", "against", "since", "until"):
        return ""
    try:
        if name in ("period", "against"):
            read_period(value)
        else:
            dt.datetime.strptime(value, "%Y-%m-%d")
    except ValueError as error:
        if name in ("period", "against"):
            return str(error).replace("period", name, 1)
        return f"{name} must be a date like 2026-07-01; got {value!r}"
    return ""


def pick_parameters(spec: ReportSpec, given: Mapping[str, Any]) -> Mapping[str, Any]:
    """Of a notebook's whole namespace, which holds much else, what the report declares; any other mapping as it is.

    A namespace is told by its ``__builtins__``, so that a misspelt name in a mapping written by hand is still found.
    """
    if "__builtins__" not in given:
        return given
    return {name: given[name] for name in spec.parameters if name in given}


def check_parameters(spec: ReportSpec, given: Mapping[str, Any]) -> dict[str, Any]:
    """All parameters of a report: the given values, checked, and the defaults of the others.

    Raises ParameterError that lists every unknown name (with the nearest known one) and every wrong value.
    """
    faults = []
    for name, value in given.items():
        if name in spec.parameters:
            faults.append(check_value(spec.parameters[name], value))
        else:
            faults.append(f"unknown parameter {name!r}{nearest(name, spec.parameters)}")
    faults = [fault for fault in faults if fault]
    if not faults and given.get("period") and (given.get("since") or given.get("until")):
        faults.append("give either period or since/until, not both")
    if faults:
        raise ParameterError(f"{spec.name}: {'; '.join(faults)}")
    checked = {name: given.get(name, parameter.default) for name, parameter in spec.parameters.items()}
    return {n: float(v) if spec.parameters[n].type == "float" else v for n, v in checked.items()}
