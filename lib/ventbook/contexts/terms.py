"""Outcomes and contrasts as arrays: what is asked of which rows, and what may be adjusted for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.numerics import Floats, Ints

from .factors import OUTCOMES, Coded, Factor

PACK = float(2**26)
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class OutcomeRows:
    """One outcome on the rows that have it. ``rows`` are positions in the table of ventings.

    lifter_failure: ``failures`` of ``trials`` lifters over the limit at the first check. Times and rotations:
    ``low`` and ``high`` bound the log, (low, high]; ``failures`` marks what was never reached.
    """

    outcome: str
    rows: Ints
    failures: Floats
    trials: Floats
    low: Floats | None = None
    high: Floats | None = None
    note: str = ""

    @property
    def counted(self) -> bool:
        """True for lifters over the limit, False for times and rotations."""
        return self.low is None

    @cached_property
    def packed(self) -> Floats:
        """Lifters times 2^26 plus lifters over the limit, so that one sum carries both exactly."""
        return self.trials * PACK + self.failures

    @cached_property
    def failed(self) -> Ints:
        """Positions of the ventings with a finding."""
        return np.flatnonzero(self.failures > 0)

    @property
    def failing(self) -> int:
        """Ventings with a finding: a lifter over the limit, or pressure that never showed."""
        return int((self.failures > 0).sum())


@dataclass(frozen=True)
class Term:
    """One contrast of one factor on an outcome's rows, from the factor's level ``codes`` (n,) and ``numbers``.

    ``code`` is the level that is held against the reference, ``tests`` counts the levels looked at within the factor.
    """

    factor: Factor
    level: str
    reference: str
    code: int
    codes: Ints
    tests: int = 1
    numbers: Floats | None = None

    @cached_property
    def known(self) -> Mask:
        """Rows that take part; a code's other levels don't."""
        if self.factor.kind == "code":
            return (self.codes == self.code) | (self.codes == 0)
        return self.codes >= 0

    @cached_property
    def exposed(self) -> Mask:
        """Rows at the level; for a number those over its cut."""
        return self.codes == self.code

    @cached_property
    def x(self) -> Floats:
        """1 at the level and 0 elsewhere, or steps of the number (0 where not recorded)."""
        if self.numbers is not None:
            return np.where(self.codes >= 0, self.numbers, 0.0)
        return self.exposed.astype(np.float64)

    @property
    def number(self) -> bool:
        """True where ``x`` is in steps of a number."""
        return self.factor.kind == "number"


def select_outcome(jobs: pd.DataFrame, outcome: str) -> OutcomeRows:
    """The rows of ``jobs`` on which ``outcome`` is known.

    lifter_failure needs ``lifters_over_first`` and ``lifters_judged_first`` (a lifter pressed too lightly to be
    judged is no trial: it could not have been found); time_to_pressure ``time_low_s`` and
    ``time_high_s``; rotations_to_prime ``rotations_low`` and ``rotations_high``, divided by ``expected_rotations``
    where the physics gives one for any row (then only those rows count).
    """
    if outcome not in OUTCOMES:
        raise ValueError(f"outcome must be one of {', '.join(OUTCOMES)}; got {outcome!r}")
    need = {
        "lifter_failure": ("lifters_over_first", "lifters_judged_first"),
        "time_to_pressure": ("time_low_s", "time_high_s"),
        "rotations_to_prime": ("rotations_low", "rotations_high"),
    }[outcome]
    missing = [name for name in (*need, "engine_id", "site") if name not in jobs.columns]
    if missing:
        raise ValueError(f"jobs lacks the columns {', '.join(missing)}")
    first, second = (_floats(jobs[name]) for name in need)
    if outcome == "lifter_failure":
        rows = np.flatnonzero((second > 0) & ~np.isnan(first))
        return OutcomeRows(outcome, rows, first[rows], second[rows])
    note = ""
    low, high = first, second
    if outcome == "rotations_to_prime" and "expected_rotations" in jobs.columns:
        expected = _floats(jobs["expected_rotations"])
        if np.isfinite(expected).any():
            expected = np.where(expected > 0, expected, np.nan)
            low, high = low / expected, high / expected
            note = "rotations as a share of the rotations expected from the physics"
    rows = np.flatnonzero(~np.isnan(low) & ~np.isnan(high) & (high > low))
    low, high = low[rows], high[rows]
    with np.errstate(divide="ignore"):
        log_low = np.log(np.maximum(low, 0.0))
    never = np.isinf(high).astype(np.float64)
    return OutcomeRows(outcome, rows, never, np.ones(len(rows)), log_low, np.log(high), note)


def _floats(column: pd.Series) -> Floats:
    return pd.to_numeric(column, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)


def list_terms(coded: Coded, rows: Ints | slice) -> list[Term]:
    """The contrasts of one factor on ``rows``; levels that nothing stands at get none."""
    factor, codes = coded.factor, coded.codes[rows]
    if factor.kind == "number":
        label = f"per {factor.step:g} {factor.unit}".rstrip() if not factor.log else f"per step {factor.unit}"
        numbers = np.zeros(len(codes)) if coded.numbers is None else coded.numbers[rows]
        return [Term(factor, label, "", 1, codes, numbers=numbers)]
    if factor.kind == "yes_no":
        return [Term(factor, coded.levels[1], coded.levels[0], 1, codes)]
    present = np.bincount(codes + 1, minlength=len(coded.levels) + 1)[1:]
    levels = [i for i, count in enumerate(present) if count > 0]
    if factor.kind == "group":
        chosen = levels if len(levels) > 1 else []
        return [Term(factor, coded.levels[i], "all others", i, codes, len(chosen)) for i in chosen]
    chosen = [i for i in levels if i != 0]
    return [Term(factor, coded.levels[i], coded.levels[0], i, codes, len(chosen)) for i in chosen]


def build_block(coded: Coded, rows: Ints | slice, *, smallest: int = 5) -> Floats:
    """A factor's columns as an adjuster, (n, c), without intercept; no column where it does not vary.

    Levels with fewer than ``smallest`` rows go together with the largest one; "not recorded" is a level of its
    own, so that no row is lost.
    """
    codes = coded.codes[rows]
    columns: list[Floats] = []
    known = codes >= 0
    if coded.numbers is not None:
        values = coded.numbers[rows]
        if known.any() and np.ptp(values[known]) > 0:
            columns.append(np.where(known, values - values[known].mean(), 0.0))
    elif known.any():
        counts = np.bincount(codes[known], minlength=len(coded.levels))
        base = int(counts.argmax())
        columns += [
            (codes == i).astype(np.float64)
            for i, count in enumerate(counts)
            if i != base and smallest <= count < len(codes)
        ]
    if smallest <= (~known).sum() < len(codes) and known.any():
        columns.append((~known).astype(np.float64))
    return np.column_stack(columns) if columns else np.zeros((len(codes), 0))


def list_adjusters(
    factors: Sequence[Factor], outcome: str, blocks: Mapping[str, Floats], *, without: Sequence[str] = ()
) -> list[str]:
    """Names of factors that may be adjusted for on ``outcome`` and that vary: never a consequence of the venting."""
    return [
        f.name
        for f in factors
        if outcome in f.adjust and f.name not in without and f.name in blocks and blocks[f.name].shape[1] > 0
    ]
