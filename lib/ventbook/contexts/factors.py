"""The factor table and the columns of the ventings coded by it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ventbook import dictionary
from ventbook.numerics import Floats, Ints

OUTCOMES = ("lifter_failure", "time_to_pressure", "rotations_to_prime")
KINDS = ("yes_no", "code", "group", "number", "interaction")
MECHANISMS = ("air left in", "air drawn in", "wear", "gauge", "procedure")
PLAUSIBILITIES = ("high", "moderate", "low")
DIRECTIONS = ("raises", "lowers", "either")


@dataclass(frozen=True)
class Factor:
    """One row of ``data/factors.toml``; the file's head explains the fields."""

    name: str
    title: str
    kind: str
    mechanism: str
    plausibility: str
    direction: str
    outcomes: tuple[str, ...]
    adjust: tuple[str, ...]
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
    cuts: Ints | None = field(default=None, compare=False)

    @property
    def known(self) -> np.ndarray:
        """Rows on which the factor is recorded."""
        return self.codes >= 0


def load_factors(path: Path | str | None = None) -> tuple[Factor, ...]:
    """The factor table, checked; faults of all rows are told at once.

    ``path``: a TOML file in the form of ``data/factors.toml``, which is read where it is None.
    Raises :class:`ventbook.dictionary.TableError` naming file and rows.
    """
    path = Path(path) if path is not None else dictionary.DATA / "factors.toml"
    document = tomllib.loads(path.read_text(encoding="utf-8"))
    defaults = document.get("defaults", {})
    faults: list[str] = []
    factors: list[Factor] = []
    for number, row in enumerate(document.get("factor", []), start=1):
        where = f"factor {number} ({row.get('name', 'no name')})"
        found = _row_faults(row)
        if found:
            faults.extend(f"{where}: {fault}" for fault in found)
            continue
        values: dict[str, Any] = {
            k: tuple(v) if isinstance(v, list) else v for k, v in (defaults | row).items()
        }
        factors.append(Factor(**values))
    names = [factor.name for factor in factors]
    faults += [f"factor {name}: stands twice" for name in sorted({n for n in names if names.count(n) > 1})]
    for factor in factors:
        faults += [
            f"factor {factor.name}: part {part!r} is not a factor"
            for part in factor.parts
            if part not in names
        ]
    if faults:
        raise dictionary.TableError(f"{path.name}: " + "; ".join(faults))
    return tuple(factors)


def _row_faults(row: Mapping[str, Any]) -> list[str]:
    allowed = {
        "kind": KINDS,
        "mechanism": MECHANISMS,
        "plausibility": PLAUSIBILITIES,
        "direction": DIRECTIONS,
    }
    faults = [f"{key} is missing" for key in ("name", "title", "outcomes", "adjust") if key not in row]
    faults += [f"unknown key {key!r}" for key in row if key not in Factor.__dataclass_fields__]
    for key, values in allowed.items():
        if row.get(key) not in values:
            faults.append(f"{key} must be one of {', '.join(values)}; got {row.get(key)!r}")
    for key in ("outcomes", "adjust"):
        faults += [
            f"{key} must be among {', '.join(OUTCOMES)}; got {outcome!r}"
            for outcome in row.get(key, [])
            if outcome not in OUTCOMES
        ]
    if row.get("kind") == "interaction":
        if len(row.get("parts", [])) != 2 or len(row.get("part_levels", [])) != 2:
            faults.append("an interaction needs two parts and two part_levels")
    elif "column" not in row:
        faults.append("column is missing")
    return faults


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
    """``jobs`` with what the factor table needs from the lifters' rows.

    ``gauge``: the instrument that most of the venting's gaps were read with at the first check (the first in the
    alphabet where two are level); ``lifters_reused``: whether any lifter is written down as reused (missing
    where no history stands). The caller's frame is not changed.
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
