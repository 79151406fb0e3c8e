"""Terms of the formula for rotations that a fleet's counts can speak of, from ``data/priming.toml``."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from ventbook.shipped import DATA
from ventbook.tables.reader import make_row, read_rows, read_toml

_FILE = DATA / "priming.toml"


@dataclass(frozen=True)
class Term:
    """A constant at the level of engine types. ``spread`` 0: as the engine types' table gives it, ``usual`` where it gives none."""

    name: str
    unit: str
    spread: float
    between: float
    decimals: int
    text: str
    usual: float | None = None


@dataclass(frozen=True)
class ScatterTerm:
    """What adds to the logarithm of one venting's scatter: usual ``value`` and its sigma."""

    name: str
    value: float
    spread: float
    text: str


@dataclass(frozen=True)
class PrimingRules:
    """Thresholds of the fit and of what is said of it; the table explains each."""

    thick_Pa_s: float
    least_scatter: float
    engine_through: float
    wetted_through: float
    faulty: float
    faulty_spread: float
    stall_chance: float
    mention_chance: float
    seen_share: float
    seen_slip: float
    thin_hand_Pa: float
    seen_narrower: float
    most_ventings: int
    fewest_ventings: int
    fewest_engines: int


@dataclass(frozen=True)
class RecordValue:
    """Ventings that it takes to tell pumps that let air through, by what is written down; simulated, None where more than was tried."""

    text: str
    row: str
    ventings: int | None = None


@cache
def load_record_values() -> tuple[RecordValue, ...]:
    """What records of the time under pressure, of the pump and of the galleries are worth."""
    return read_rows(_FILE, "record", RecordValue)


@cache
def load_priming_terms() -> tuple[Term, ...]:
    """The constants of the formula, in the order of the fit."""
    return read_rows(_FILE, "term", Term)


@cache
def load_scatter_terms() -> tuple[ScatterTerm, ...]:
    """What a venting's scatter hangs on."""
    return read_rows(_FILE, "scatter", ScatterTerm)


@cache
def load_priming_rules() -> PrimingRules:
    """The thresholds."""
    return make_row(read_toml(_FILE)["rules"], PrimingRules, where=f"{_FILE.name}: rules")
