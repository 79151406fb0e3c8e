"""The factor table, the columns of the ventings coded by it, and outcomes and contrasts as arrays.

A contrast says what is asked of which rows, and what it may be adjusted for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook import tables
from ventbook.numerics import Floats, Ints
from ventbook.tables import suggestions
from ventbook.tables.reader import OneOf, make_rows

OUTCOMES = ("lifter_failure", "time_to_pressure", "rotations_to_prime")
KINDS = ("yes_no", "code", "group", "number", "interaction")
MECHANISMS = ("air left in", "air drawn in", "wear", "gauge", "procedure")
PLAUSIBILITIES = ("high", "moderate", "low")
DIRECTIONS = ("raises", "lowers", "either")
PACK = float(2**26)
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Factor:
    """One row of ``data/factors.toml``; the file's head explains the fields."""

    name: str
    title: str
    kind: Annotated[str, OneOf(*KINDS)]
    mechanism: Annotated[str, OneOf(*MECHANISMS)]
    plausibility: Annotated[str, OneOf(*PLAUSIBILITIES)]
    direction: Annotated[str, OneOf(*DIRECTIONS)]
    outcomes: Annotated[tuple[str, ...], OneOf(*OUTCOMES)]
    adjust: Annotated[tuple[str, ...], OneOf(*OUTCOMES)]
    column: str = ""
    reference: str = ""
    above: float | None = None
    under: float | None = None
    any_of: tuple[str, ...] = ()
    log: bool = False
    log_offset: float = 0.0
    step: float = 1.0
    unit: str = ""
    cut: float | None = None
    minimum: int = 8
    matters_odds: float = 1.5
    matters_ratio: float = 1.1
    parts: tuple[str, ...] = ()
    part_levels: tuple[str, ...] = ()
    refute: str = ""
    check: str = ""
    cost: int = 3
    countermeasure: str = ""
    sign: bool = False

    def __post_init__(self) -> None:
        if self.kind == "interaction" and (len(self.parts) != 2 or len(self.part_levels) != 2):
            raise ValueError("an interaction needs two parts and two part_levels")
        if self.kind != "interaction" and not self.column:
            raise ValueError("column is missing")

    def matters(self, outcome: str) -> float:
        """The smallest effect on ``outcome`` worth acting on: an odds ratio, or a ratio of times or rotations."""
        return self.matters_odds if outcome == "lifter_failure" else self.matters_ratio


@dataclass(frozen=True)
class Coded:
    """A factor's values on the rows of a table: level codes (-1 = not recorded), or numbers in steps."""

    factor: Factor
    codes: Ints
    levels: tuple[str, ...]
    numbers: Floats | None = None

    @property
    def known(self) -> np.ndarray:
        """Rows on which the factor is recorded."""
        return self.codes >= 0


def load_factors(path: Path | str | None = None) -> tuple[Factor, ...]:
    """The factor table: circumstances that may act on failing, times or rotations.

    Parameters
    ----------
    path : Path or str, optional
        TOML file in the form of ``data/factors.toml``, which is read where it is None.

    Returns
    -------
    tuple of Factor
        In the table's order: name, title, kind, reference, sensible step, outcomes, what it may be adjusted
        for.

    Raises
    ------
    TableError
        Naming file and rows; faults of all rows are told at once.

    Examples
    --------
    >>> from ventbook.statistics import causes
    >>> "cooler_empty" in {factor.name for factor in causes.load_factors()}
    True
    """
    path = Path(path) if path is not None else tables.DATA / "factors.toml"
    document = tables.read_toml(path)
    factors = make_rows(
        document.get("factor", ()), Factor, where=f"{path.name}: ", word="factor", unique=True,
        defaults=document.get("defaults"),
    )  # fmt: skip
    suggestions.check_names([factor.check for factor in factors], where=path.name)
    names = [factor.name for factor in factors]
    faults: list[str] = []
    for factor in factors:
        faults += [
            f"factor {factor.name}: part {part!r} is not a factor"
            for part in factor.parts
            if part not in names
        ]
        if factor.countermeasure and factor.countermeasure not in names:
            faults.append(f"factor {factor.name}: countermeasure {factor.countermeasure!r} is not a factor")
    if faults:
        raise tables.TableError(f"{path.name}: " + "; ".join(faults))
    return factors


def code_factor(jobs: pd.DataFrame, factor: Factor, *, coded: Mapping[str, Coded] | None = None) -> Coded:
    """One factor's values on the rows of ``jobs``; a column that is not there counts as not recorded.

    yes_no: codes 0 = no, 1 = yes. code: 0 = the reference. group: levels in alphabetical order. number: values
    divided by the step, codes 0 = at or under the cut, 1 = over it. interaction: 1 where both parts stand at
    their levels (``*`` = each level of that part in turn), 0 elsewhere; needs the ``coded`` parts.
    """
    n = len(jobs)
    if factor.kind == "interaction":
        return _code_interaction(factor, coded or {}, n)
    if factor.column not in jobs.columns:
        return Coded(factor, np.full(n, -1, dtype=np.int64), _level_names(factor))
    column = jobs[factor.column]
    if factor.kind == "yes_no":
        return Coded(factor, _code_yes_no(column, factor), _level_names(factor))
    if factor.kind == "number":
        values = pd.to_numeric(column, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
        if factor.log:
            with np.errstate(divide="ignore", invalid="ignore"):
                values = np.log2(values + factor.log_offset)
            values = np.where(np.isfinite(values), values, np.nan)
        cut = factor.cut
        if cut is not None and factor.log:
            cut = float(np.log2(cut + factor.log_offset))
        if cut is None:
            cut = float(np.nanmedian(values)) if np.isfinite(values).any() else 0.0
        codes = np.where(np.isnan(values), -1, values > cut).astype(np.int64)
        return Coded(factor, codes, _level_names(factor), numbers=values / factor.step)
    return _code_text(column, factor)


def _level_names(factor: Factor) -> tuple[str, ...]:
    if factor.kind == "yes_no":
        return (factor.reference or "no", "yes" if not factor.any_of else " or ".join(factor.any_of))
    if factor.kind == "number":
        return ("under", "over")
    return (factor.reference,) if factor.kind == "code" else ()


def _code_yes_no(column: pd.Series, factor: Factor) -> Ints:
    if factor.above is not None or factor.under is not None:
        values = pd.to_numeric(column, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
        yes = values > factor.above if factor.above is not None else values < (factor.under or 0.0)
        return np.where(np.isnan(values), -1, yes).astype(np.int64)
    missing = column.isna().to_numpy()
    if factor.any_of:
        yes = column.isin(list(factor.any_of)).to_numpy(dtype=bool)
    else:
        yes = column.astype("boolean").fillna(False).to_numpy(dtype=bool)
    return np.where(missing, -1, yes).astype(np.int64)


def _code_text(column: pd.Series, factor: Factor) -> Coded:
    codes, found = pd.factorize(column, sort=True)
    levels = [str(level) for level in found]
    codes = codes.astype(np.int64, copy=False)
    if factor.kind == "code":
        if factor.reference not in levels:
            levels.append(factor.reference)
        first = levels.index(factor.reference)
        order = [first, *(i for i in range(len(levels)) if i != first)]
        rank = np.empty(len(levels) + 1, dtype=np.int64)
        rank[order] = np.arange(len(levels))
        rank[-1] = -1
        codes, levels = rank[codes], [levels[i] for i in order]
    return Coded(factor, codes, tuple(levels))


def _code_interaction(factor: Factor, coded: Mapping[str, Coded], n: int) -> Coded:
    if any(part not in coded for part in factor.parts):
        return Coded(factor, np.full(n, -1, dtype=np.int64), ())
    one, two = (coded[part] for part in factor.parts)
    both_known = one.known & two.known
    sides = [
        np.ones(n, dtype=bool)
        if wanted == "*"
        else np.isin(part.codes, [i for i, level in enumerate(part.levels) if level == wanted])
        for part, wanted in zip((one, two), factor.part_levels, strict=True)
    ]
    at_levels = sides[0] & sides[1]
    varying = two if factor.part_levels[1] == "*" else one if factor.part_levels[0] == "*" else None
    if varying is None:
        return Coded(factor, np.where(both_known, at_levels, -1).astype(np.int64), ("no", "yes"))
    codes = np.where(both_known, np.where(at_levels, varying.codes + 1, 0), -1)
    return Coded(factor, codes.astype(np.int64), ("not both", *varying.levels))


def code_factors(jobs: pd.DataFrame, factors: Sequence[Factor]) -> dict[str, Coded]:
    """Every factor's values on the rows of ``jobs``, by name; interactions come after their parts."""
    coded: dict[str, Coded] = {}
    for factor in sorted(factors, key=lambda f: f.kind == "interaction"):
        coded[factor.name] = code_factor(jobs, factor, coded=coded)
    return coded


def add_lifter_columns(jobs: pd.DataFrame, lifters: pd.DataFrame) -> pd.DataFrame:
    """Ventings with what the factor table needs from their lifters' rows.

    Parameters
    ----------
    jobs : DataFrame
        One row a venting; it is not changed.
    lifters : DataFrame
        One row a lifter and venting.

    Returns
    -------
    DataFrame
        With ``gauge``, the instrument that most of the venting's gaps were read with at the first check (the
        first in the alphabet where two are level), and ``lifters_reused``, whether any lifter is written down
        as reused (missing where no history stands).

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import causes
    >>> ventings, lifters = ventbook.read_ventings("data/demo/store"), ventbook.read_lifters("data/demo/store")
    >>> jobs = causes.add_lifter_columns(ventings, lifters)
    >>> "gauge" in jobs and "gauge" not in ventings
    True
    """
    out = jobs.copy(deep=False)
    by = lifters["venting_id"]
    if "gauge" in lifters.columns and lifters["gauge"].notna().any():
        counts = lifters.dropna(subset=["gauge"]).groupby(["venting_id", "gauge"]).size()
        most = (
            counts.rename("n")
            .reset_index()
            .sort_values(["venting_id", "n", "gauge"], ascending=[True, False, True])
        )
        out["gauge"] = out["venting_id"].map(
            most.drop_duplicates("venting_id").set_index("venting_id")["gauge"]
        )
    if "lifter_history" in lifters.columns:
        told = lifters["lifter_history"].where(lifters["lifter_history"] != "unknown")
        reused = (told == "reused").where(told.notna()).astype("boolean").groupby(by).max()
        out["lifters_reused"] = out["venting_id"].map(reused).astype("boolean")
    return out


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


@dataclass(frozen=True)
class Block:
    """A factor as an adjuster: each row's level ``codes`` (n,), 0 the base, and for a number its centred ``values``.

    ``values`` is 0 where the number is not recorded; ``width`` counts the columns, which have no intercept.
    """

    codes: npt.NDArray[Any]
    levels: int
    values: Floats | None = None

    @property
    def width(self) -> int:
        """Columns of the design; 0 where the factor does not vary."""
        return self.levels - 1 + (self.values is not None)

    def columns(self, rows: Mask | slice) -> Floats:
        """Columns of some rows, (n, width): the number, then a 0/1 column a level but the base."""
        codes = self.codes[rows]
        own = [] if self.values is None else [self.values[rows]]
        own += [(codes == level).astype(np.float64) for level in range(1, self.levels)]
        return np.column_stack(own) if own else np.zeros((len(codes), 0))

    def indicators(self, rows: slice) -> Floats:
        """A row a level but the base, then a number and its square, (c, n): what :meth:`explain` needs the sums of."""
        out = (np.arange(1, self.levels)[:, None] == self.codes[rows]).astype(np.float64)
        return out if self.values is None else np.vstack([out, self.values[rows], self.values[rows] ** 2])

    def explain(self, sums: Floats, counts: Floats, n: int) -> float:
        """Sum of squares of a centred variable that the columns explain on the rows that take part.

        ``sums`` and ``counts`` are the indicators' products with the variable and with the 0/1 rows that take part, ``n``
        how many of them there are.
        """
        at, of = sums[: self.levels - 1], counts[: self.levels - 1]
        at, of = np.r_[-at.sum(), at], np.r_[n - of.sum(), of]
        found = float((at[of > 0] ** 2 / of[of > 0]).sum())
        if self.values is None or not of[0]:
            return found
        # what the number adds once its "not recorded" is given; it is 0 where not recorded
        value, square = counts[self.levels - 1 :]
        spread = square - value**2 / of[0]
        across = sums[self.levels - 1] - value / of[0] * at[0]
        return found + (float(across**2 / spread) if spread > 1e-12 * square else 0.0)


def build_block(coded: Coded, rows: Ints | slice, *, smallest: int = 5) -> Block:
    """A factor's columns as an adjuster; none where it does not vary.

    Levels with fewer than ``smallest`` rows go together with the largest one; "not recorded" is a level of its
    own, so that no row is lost.
    """
    codes = coded.codes[rows]
    known = codes >= 0
    place = np.zeros(len(coded.levels) + 2, dtype=np.int8 if len(coded.levels) < 120 else np.int64)
    levels, values = 1, None
    if coded.numbers is not None and known.any():
        numbers = coded.numbers[rows]
        if np.ptp(numbers[known]) > 0:
            values = np.where(known, numbers - numbers[known].mean(), 0.0)
    elif known.any():
        counts = np.bincount(codes[known], minlength=len(coded.levels))
        for code, count in enumerate(counts):
            if code != int(counts.argmax()) and smallest <= count < len(codes):
                place[code], levels = levels, levels + 1
    if smallest <= (~known).sum() < len(codes) and known.any():
        place[-1], levels = levels, levels + 1
    return Block(np.asarray(place[codes]), levels, values)


def list_adjusters(factors: Sequence[Factor], outcome: str, blocks: Mapping[str, Block]) -> list[str]:
    """Names of factors that may be adjusted for on ``outcome`` and that vary: never a consequence of the venting."""
    return [f.name for f in factors if outcome in f.adjust and f.name in blocks and blocks[f.name].width > 0]
