"""Rules and outcomes of trials of a change, from ``data/trials.toml``."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Annotated

from ventbook.errors import InputError
from ventbook.shipped import DATA
from ventbook.tables.reader import OneOf, make_row, read_rows, read_toml


@dataclass(frozen=True)
class TrialRules:
    """How the evidence of a trial is read; the file's head says what each stands for."""

    psi: tuple[float, ...]
    weights: tuple[float, ...]
    works: float
    harm: float
    no_use: float
    block: int
    rho: float
    overdue_d: int
    missing: float
    power: float
    four_looks: float

    def __post_init__(self) -> None:
        if len(self.psi) != len(self.weights) or not math.isclose(sum(self.weights), 1.0):
            raise ValueError("weights must be as many as psi and sum to 1")
        if not all(0 < psi < 1 for psi in self.psi):
            raise ValueError("psi must lie between 0 and 1")
        if self.block < 2 or self.block % 2:
            raise ValueError("block must be even")


@dataclass(frozen=True)
class TrialOutcome:
    """What a trial can be about: a share of failing ventings, or a number of which less is better."""

    name: str
    title: str
    kind: Annotated[str, OneOf("share", "number")]
    column: str
    planned: float
    unit: str = ""
    shown: str = ""
    least: float = 0.0
    spread: float = 0.0
    not_with: tuple[str, ...] = ()
    proposed: bool = False

    def __post_init__(self) -> None:
        if not 0 < self.planned < 1:
            raise ValueError("planned must lie between 0 and 1")
        if self.kind == "number" and (self.least <= 0 or self.spread <= 0):
            raise ValueError("a number needs least and spread over 0")


@cache
def load_trial_rules() -> TrialRules:
    """The rules by which the evidence of a trial is read.

    Returns
    -------
    TrialRules

    Examples
    --------
    >>> from ventbook.tables import load_trial_rules
    >>> load_trial_rules().works
    20.0
    """
    return make_row(read_toml(DATA / "trials.toml")["rules"], TrialRules, where="trials.toml: rules")


@cache
def load_trial_outcomes() -> dict[str, TrialOutcome]:
    """What a trial can be about, by name.

    Returns
    -------
    dict of str to TrialOutcome

    Examples
    --------
    >>> from ventbook.tables import load_trial_outcomes
    >>> load_trial_outcomes()["seconds"].column
    'time_to_pressure_s'
    """
    rows = read_rows(DATA / "trials.toml", "outcome", TrialOutcome, word="outcome", unique=True)
    return {row.name: row for row in rows}


def find_trial_outcome(name: str) -> TrialOutcome:
    """The outcome of that name.

    Parameters
    ----------
    name : str

    Returns
    -------
    TrialOutcome

    Raises
    ------
    InputError
        With one line that names all outcomes.

    Examples
    --------
    >>> from ventbook.tables import find_trial_outcome
    >>> find_trial_outcome("gap").unit
    'mm'
    """
    known = load_trial_outcomes()
    if name not in known:
        raise InputError(f"outcome must be one of {', '.join(known)}; got {name!r}")
    return known[name]
