"""The terms of the account of every failure: what may have raised the rate of findings on which venting.

A term is one column x of numbers from 0 to 1, one a venting: 1 where the circumstance stood on its harmful
side, 0 where it did not, between for a number on its way, and the value to be expected where the record is
blank. Terms are made from ``data/factors.toml``:

yes/no          the harmful side by ``direction``; both sides, as two terms, where it is "either"
number          a step at ``cut``, and a ramp from the 10 to the 90 % quantile
group, code     each level against all others
interaction     both parts at their levels at once; each level of the part written ``*``
site over time  a site from some quarter on; a site that grows steadily from its first quarter on
product         a named yes/no circumstance together with another one (opened once it is named)

What wears lifters out (mechanism "wear") may leave air in them or make them leak, so it has a term for each
kind of finding; all else acts on air. A gauge is no term: what rests on a gauge's bias is known from the
readings themselves.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from ventbook.numerics import Floats, Ints
from ventbook.statistics.causes.factors import Coded, Factor, code_factors

AIR, LEAK = "air", "leak_down"
KINDS = (AIR, LEAK)
CIRCUMSTANCES, TIME = "circumstances", "time"
PLAUSIBLE = {"high": 1.0, "moderate": 0.7, "low": 0.5}
LESS_DIRECT = (
    0.7  # weight of a group's level, of a number and of steady growth: more ways to look at one thing
)
STEP_IN_TIME = 0.1  # weight of a site from some quarter on: as many terms as quarters
RAMP = (0.10, 0.90)  # quantiles between which a ramp climbs
PRIOR_VENTINGS = 4.0  # at the overall share, added to a site's own where a blank has to be filled
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Part:
    """One circumstance as it enters a term.

    ``form``: "level" (1 at level ``code``, or at any other one where ``other`` is True) or "ramp" (0 at
    ``start``, 1 at ``end``, in steps of the factor). ``fill``: the value taken where the record is blank, by
    site, and "" for any other site.
    """

    factor: str
    form: str
    level: str = ""
    other: bool = False
    start: float = 0.0
    end: float = 1.0
    fill: Mapping[str, float] | None = None

    def read(self, coded: Coded) -> tuple[Floats, Mask]:
        """Value on each row (0 where blank), and which rows have it on record."""
        known = coded.known
        if self.form == "ramp":
            numbers = np.zeros(len(known)) if coded.numbers is None else np.nan_to_num(coded.numbers)
            x = np.clip((numbers - self.start) / (self.end - self.start), 0.0, 1.0)
        else:
            at = coded.levels.index(self.level) if self.level in coded.levels else -2
            x = ((coded.codes == at) != self.other).astype(np.float64)
        return np.where(known, x, 0.0), known

    def fill_in(self, site: npt.NDArray[np.object_]) -> Floats:
        """What stands in for a blank, by the row's site."""
        fill = self.fill or {"": 0.0}
        which, names = pd.factorize(site)
        return np.array([fill.get(str(name), fill[""]) for name in names])[which]


@dataclass(frozen=True)
class AccountTerm:
    """One way in which something may raise the rate of findings of one kind.

    ``cause`` is what it is called where it is named: terms of several forms, or for both kinds of finding, of
    one circumstance share it. ``key`` is unique. ``log_weight``: log of how readily it is believed
    beforehand. ``nuisance``: cause that has to be allowed for when it is looked at (its countermeasure, not
    done), or "": a line found empty is mostly pressurised, and looks harmless by that.
    """

    key: str
    cause: str
    title: str
    form: str
    kind: str
    family: str
    log_weight: float
    parts: tuple[Part, ...] = ()
    site: str = ""
    since: int = 0
    until: int = 0
    power: float = 1.0
    nuisance: str = ""

    @property
    def factors(self) -> tuple[str, ...]:
        """Names of the factors it is made from; none for a site over time."""
        return tuple(part.factor for part in self.parts)

    def read(
        self, coded: Mapping[str, Coded], site: npt.NDArray[np.object_], quarter: Ints
    ) -> tuple[Floats, Mask]:
        """x on each row, and which rows it is known on; ``quarter`` counts quarters (-1: no date)."""
        if self.family == TIME:
            here = site == self.site
            if self.form == "since":
                x = (quarter >= self.since).astype(np.float64)
            else:
                # a site that grew is expected to stay where it stood at the end of the records
                x = np.clip((quarter - self.since) / max(self.until - self.since, 1), 0.0, 1.0) ** self.power
            return np.where(here & (quarter >= 0), x, 0.0), np.ones(len(site), dtype=bool)
        x, known = np.ones(len(site)), np.ones(len(site), dtype=bool)
        nothing = np.zeros(len(site), dtype=bool)
        for part in self.parts:
            value, on_record = part.read(coded[part.factor])
            nothing |= on_record & (value == 0)
            x = x * np.where(on_record, value, part.fill_in(site))
            known &= on_record
        # a product is a known no as soon as one of its parts is
        return np.where(nothing, 0.0, x), known | nothing


@dataclass(frozen=True)
class VentingRows:
    """The ventings with a judged lifter, in the order of their ids: what terms are made from and held
    against.

    ``site``, ``engine`` and ``venting`` are names, ``quarter`` counts quarters since year 0 (-1: no date),
    ``judged`` lifters.
    """

    venting: npt.NDArray[np.object_]
    engine: Ints
    site: npt.NDArray[np.object_]
    site_names: tuple[str, ...]
    site_code: Ints
    quarter: Ints
    judged: Floats
    coded: Mapping[str, Coded]
    factors: Mapping[str, Factor]

    def __len__(self) -> int:
        return len(self.venting)


def list_causes_factors(factors: Sequence[Factor]) -> tuple[Factor, ...]:
    """The factors that may be a cause of a finding: no signs, no gauges."""
    return tuple(
        f for f in factors if "lifter_failure" in f.outcomes and not f.sign and f.mechanism != "gauge"
    )


def count_quarters(labels: pd.Series) -> Ints:
    """Quarters as numbers that count on, from labels as "2026Q3"; -1 where there is none."""
    codes, names = pd.factorize(labels.astype("str").where(labels.notna()))
    numbers = [int(name[:4]) * 4 + int(name[-1]) - 1 for name in names]
    return np.array([*numbers, -1], dtype=np.int64)[codes]


def name_quarter(number: int) -> str:
    """The label of a counted quarter: 8106 is "2026Q3"."""
    return f"{number // 4}Q{number % 4 + 1}"


def code_rows(jobs: pd.DataFrame, factors: Sequence[Factor]) -> dict[str, Coded]:
    """Every factor's values, interactions left out (terms make their own products)."""
    return code_factors(jobs, [f for f in factors if f.kind != "interaction"])


def list_terms_of(rows: VentingRows) -> list[AccountTerm]:
    """Every term that the records could show, time included; those that never vary are left out."""
    terms: list[AccountTerm] = []
    for factor in rows.factors.values():
        if factor.kind == "interaction":
            terms += _interaction_terms(factor, rows)
            continue
        for part, title, form, cause in _sides(factor, rows):
            own = list(_of_kinds(factor, (part,), title, form, cause))
            terms += own
            if factor.countermeasure in rows.factors and rows.coded[factor.countermeasure].known.any():
                nuisance = name_side(factor.countermeasure, False)
                terms += [replace(t, key=f"{t.key}|beside {nuisance}", nuisance=nuisance) for t in own]
    return [*terms, *_time_terms(rows)]


def _of_kinds(
    factor: Factor, parts: tuple[Part, ...], title: str, form: str, cause: str
) -> Iterable[AccountTerm]:
    weight = PLAUSIBLE[factor.plausibility]
    if form in ("level", "step", "ramp") or any(
        p.factor != factor.name and "*" in factor.part_levels for p in parts
    ):
        weight *= LESS_DIRECT
    for kind in KINDS if factor.mechanism == "wear" else (AIR,):
        yield AccountTerm(
            key=f"{cause}|{form}|{kind}",
            cause=cause,
            title=title,
            form=form,
            kind=kind,
            family=CIRCUMSTANCES,
            log_weight=float(np.log(weight)),
            parts=parts,
        )


def _sides(factor: Factor, rows: VentingRows) -> Iterable[tuple[Part, str, str, str]]:
    """(part, title, form, cause) of each way in which one factor may harm."""
    coded = rows.coded[factor.name]
    if not coded.known.any():
        return
    harmful = {"raises": (True,), "lowers": (False,), "either": (True, False)}[factor.direction]
    if factor.kind == "yes_no":
        for yes in harmful:
            part = _fill(Part(factor.name, "level", coded.levels[1], other=not yes), coded, rows)
            yield part, factor.title if yes else f"not: {factor.title}", "yes_no", name_side(factor.name, yes)
    elif factor.kind == "number":
        yield from _number_sides(factor, coded, harmful, rows)
    else:
        present = np.bincount(coded.codes[coded.known], minlength=len(coded.levels))
        for level, count in zip(coded.levels, present, strict=True):
            if 0 < count < coded.known.sum():
                part = _fill(Part(factor.name, "level", level), coded, rows)
                yield part, f"{factor.title} {level}", "level", f"{factor.name}={level}"


def name_side(factor: str, yes: bool) -> str:
    """The name of a circumstance on one side: "tank_pressurised" or "not tank_pressurised"."""
    return factor if yes else f"not {factor}"


def _number_sides(
    factor: Factor, coded: Coded, harmful: tuple[bool, ...], rows: VentingRows
) -> Iterable[tuple[Part, str, str, str]]:
    assert coded.numbers is not None
    low, high = np.quantile(coded.numbers[coded.known], RAMP)
    for more in harmful:
        word, cause = ("over", f"{factor.name} high") if more else ("under", f"{factor.name} low")
        cut = f"{factor.cut:g} {factor.unit}".strip() if factor.cut is not None else "its middle value"
        step = _fill(Part(factor.name, "level", "over", other=not more), coded, rows)
        yield step, f"{factor.title} {word} {cut}", "step", cause
        if high > low:
            start, end = (low, high) if more else (high, low)
            ramp = _fill(Part(factor.name, "ramp", start=float(start), end=float(end)), coded, rows)
            yield ramp, f"{factor.title}, the {'higher' if more else 'lower'} the more", "ramp", cause


def _interaction_terms(factor: Factor, rows: VentingRows) -> Iterable[AccountTerm]:
    if any(part not in rows.coded or not rows.coded[part].known.any() for part in factor.parts):
        return
    sides: list[list[Part]] = []
    for name, wanted in zip(factor.parts, factor.part_levels, strict=True):
        coded = rows.coded[name]
        levels = coded.levels if wanted == "*" else (wanted,)
        sides.append(
            [_fill(Part(name, "level", level), coded, rows) for level in levels if level in coded.levels]
        )
    for one in sides[0]:
        for two in sides[1]:
            varying = [
                p.level for p, wanted in zip((one, two), factor.part_levels, strict=True) if wanted == "*"
            ]
            tail = f": {varying[0]}" if varying else ""
            cause = factor.name + (f"={varying[0]}" if varying else "")
            yield from _of_kinds(factor, (one, two), factor.title + tail, "combination", cause)


def open_products(named: AccountTerm, terms: Sequence[AccountTerm], rows: VentingRows) -> list[AccountTerm]:
    """A named yes/no circumstance together with each other one, as terms of their own."""
    if named.form != "yes_no":
        return []
    pairs = {frozenset(t.factors) for t in terms if len(t.parts) == 2}
    out = []
    for other in terms:
        if other.form != "yes_no" or other.kind != named.kind or other.factors == named.factors:
            continue
        if other.nuisance:
            continue  # the same circumstance once more
        if frozenset(named.factors + other.factors) in pairs and len(other.parts) == 1:
            # declared, or opened before: the same two circumstances are looked at once
            continue
        out.append(
            replace(
                named,
                key=f"{named.cause} & {other.cause}|product|{named.kind}",
                cause=f"{named.cause} & {other.cause}",
                title=f"{named.title} and {other.title}",
                form="product",
                log_weight=min(named.log_weight, other.log_weight) + float(np.log(LESS_DIRECT)),
                parts=named.parts + other.parts,
                nuisance="",
            )
        )
    return out


def _time_terms(rows: VentingRows) -> Iterable[AccountTerm]:
    dated = rows.quarter >= 0
    if not dated.any():
        return
    first, last = int(rows.quarter[dated].min()), int(rows.quarter[dated].max())
    for site in rows.site_names:
        common: dict[str, Any] = {"kind": AIR, "family": TIME, "site": site, "until": last}
        for power, form in ((1.0, "growing"), (2.0, "growing ever faster")) if last - first >= 2 else ():
            yield AccountTerm(
                key=f"{site} growing {power:g}",
                cause=f"{site} growing",
                title=f"{site} getting worse quarter by quarter",
                form=form,
                log_weight=float(np.log(LESS_DIRECT)),
                since=first,
                power=power,
                **common,
            )
        for quarter in range(first + 1, last + 1):
            yield AccountTerm(
                key=f"{site} since {name_quarter(quarter)}",
                cause=f"{site} since {name_quarter(quarter)}",
                title=f"{site} worse since {name_quarter(quarter)}",
                form="since",
                log_weight=float(np.log(STEP_IN_TIME)),
                since=quarter,
                **common,
            )


def _fill(part: Part, coded: Coded, rows: VentingRows) -> Part:
    """The part with what stands in for a blank: the site's recorded mean, drawn to the mean of all by four
    ventings.
    """
    value, known = part.read(coded)
    overall = float(value[known].mean()) if known.any() else 0.0
    count = np.bincount(rows.site_code[known], minlength=len(rows.site_names))
    total = np.bincount(rows.site_code[known], weights=value[known], minlength=len(rows.site_names))
    means = (total + PRIOR_VENTINGS * overall) / (count + PRIOR_VENTINGS)
    return replace(part, fill={"": overall, **dict(zip(rows.site_names, means.tolist(), strict=True))})
