"""Whether what was left blank goes with failing: records that are fuller where something was found mislead.

Where a circumstance is written down because a lifter was spongy, the sound jobs with the same circumstance are missing from
the comparison, and an innocent one looks guilty. So blanks are held against failing before anything is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ventbook.numerics import BLANK_Z, Floats, factorize, shuffled_z
from ventbook.results import Estimate
from ventbook.statistics import rates
from ventbook.statistics.causes.factors import Factor, code_factors, load_factors, select_outcome

SHEET_Z = 3.1
"""Beyond this the whole sheet's blanks go with failing: .2 in 100 do where they have nothing to do with it."""
SHEET_BLANK = 0.05
"""With fewer blank cells than this the whole sheet is not asked."""

UNCHECKED = 0.05
"""With fewer ventings without a result than this nothing is said of them."""


@dataclass(frozen=True)
class Blanks:
    """``columns``: a row a factor that is blank on some ventings (factor, blank, blank_failing, blank_sound, z).

    ``sheet_z`` is of each venting's share of blank cells, ``sheet_blank`` the share over all. z under 0: blank less often
    on failing ventings.
    """

    columns: pd.DataFrame
    sheet_z: float
    sheet_blank: float

    @property
    def sheet(self) -> bool:
        """Whether the sheets as a whole are fuller, or emptier, where a lifter was spongy."""
        return self.sheet_blank > SHEET_BLANK and abs(self.sheet_z) > SHEET_Z

    @property
    def related(self) -> dict[str, float]:
        """Factors whose blanks go with failing, and their z."""
        rows = self.columns[self.columns["z"].abs() > BLANK_Z]
        return dict(zip(rows["factor"], rows["z"], strict=True))

    @property
    def fuller(self) -> bool:
        """Whether the sheets as a whole are fuller where a lifter was spongy."""
        return self.sheet and self.sheet_z < 0


@dataclass(frozen=True)
class Unchecked:
    """Ventings without a result beside all of them, ``share`` failing had every one of them passed.

    ``told``: records are fuller on failing ventings and at least UNCHECKED of the ventings have no result, so that those with one
    are likely worse than all.
    """

    ventings: int
    without: int
    share: Estimate
    told: bool


def test_blanks(jobs: pd.DataFrame, *, factors: Sequence[Factor] | None = None) -> Blanks:
    """Holds what was left blank on each venting against whether a lifter was spongy, inside site and form revision.

    ``jobs`` has a row a venting with a known result (lifters_over_first, lifters_judged_first, engine_id, site); a form's revision
    (form_revision) is a stratum of its own, since a new form changes what is asked and comes at a date. z is the sum of
    blanks on failing ventings less its expectation, over the standard deviation that shuffling failing inside strata gives.
    """
    chosen = load_factors() if factors is None else tuple(factors)
    rows_of = select_outcome(jobs, "lifter_failure")
    known, failing = jobs.iloc[rows_of.rows], (rows_of.failures > 0).astype(np.float64)
    label = known["site"].astype("str").fillna("")
    if "form_revision" in known.columns:
        label = label + " / " + known["form_revision"].astype("str").fillna("")
    stratum, _ = factorize(label)
    coded = code_factors(known, chosen)
    rows, cells = [], []
    for factor in chosen:
        blank: Floats = np.asarray(~coded[factor.name].known, dtype=np.float64)
        if not 0 < blank.sum() < len(blank):
            continue
        shares = [float(blank[side].mean()) if side.any() else np.nan for side in (failing > 0, failing == 0)]
        rows.append((factor.name, int(blank.sum()), *shares, shuffled_z(blank, failing, stratum)))
        if factor.kind != "interaction":
            cells.append(blank)
    columns = pd.DataFrame(rows, columns=["factor", "blank", "blank_failing", "blank_sound", "z"])
    if not cells:
        return Blanks(columns, 0.0, 0.0)
    share = np.mean(cells, axis=0)
    return Blanks(columns, shuffled_z(share, failing, stratum), float(share.mean()))


def find_unchecked(jobs: pd.DataFrame, *, history: pd.DataFrame | None = None, level: float) -> Unchecked:
    """What ventings without a result can hide in the share of failing ones.

    Parameters
    ----------
    jobs : DataFrame
        Ventings that the share is of (:func:`ventbook.read_ventings`).
    history : DataFrame, optional
        Ventings that are asked whether records are fuller where failing; default ``jobs``.
    level : float
        Confidence level, 0.95 = 95 %.

    Returns
    -------
    Unchecked
        With the share of failing ventings had all those without a result passed, the least it can be.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import causes
    >>> found = causes.find_unchecked(ventbook.read_ventings("data/demo/store"), level=0.95)
    >>> found.told, found.without < found.ventings
    (False, True)
    """
    without = int(jobs["failed_first"].isna().sum())
    passed = rates.failing_share(jobs.assign(failed_first=jobs["failed_first"].fillna(False)), level=level)
    told = without >= UNCHECKED * len(jobs) > 0 and test_blanks(jobs if history is None else history).fuller
    return Unchecked(len(jobs), without, passed, told)
