"""Whether what was left blank goes with failing: records that are fuller where something was found mislead.

Where a circumstance is written down because a lifter was spongy, the sound jobs with the same circumstance are missing from
the comparison, and an innocent one looks guilty. So blanks are held against failing before anything is named.

Candidate causes in order: size, certainty and physical plausibility in one stated rule.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ventbook.numerics import BLANK_Z, Floats, factorize, shuffled_z
from ventbook.statistics.causes.factors import Factor, code_factors, load_factors, select_outcome
from ventbook.statistics.causes.table import SITE_LEFT, combine_evidence
from ventbook.tables import evidence

SHEET_Z = 3.1
"""Beyond this the whole sheet's blanks go with failing: .2 in 100 do where they have nothing to do with it."""
SHEET_BLANK = 0.05
"""With fewer blank cells than this the whole sheet is not asked."""


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


def warn_of_blanks(ranked: pd.DataFrame, blanks: Blanks | None) -> list[str]:
    """The warning beside each candidate: "fewer" or "more" blanks of it on failing ventings, "sheet", or nothing.

    What rests on other evidence than the comparison (a gauge that lifts sound lifters too) needs no warning.
    """
    if blanks is None:
        return [""] * len(ranked)
    related = blanks.related
    return [_warn(row, related, sheet=blanks.sheet) for row in ranked.to_dict("records")]


def _warn(row: Mapping[Any, Any], related: Mapping[str, float], *, sheet: bool) -> str:
    own = row["adjusted_p"] if row["basis"] == "adjusted" else row["crude_p"]
    if row["evidence_p"] == row["evidence_p"] and row["evidence_p"] < own:
        return ""
    z = related.get(str(row["factor"]), 0.0)
    if z:
        return "fewer" if z < 0 else "more"
    return "sheet" if sheet else ""


PLAUSIBILITY = {"high": 1.0, "moderate": 0.85, "low": 0.6}
AGAINST_EXPECTATION = 0.3
FAMILY = "named_causes.circumstances"
EVIDENCE_P = 0.05

RULE = (
    "Points = certainty x size x plausibility. Certainty is -log10 of p, after allowing for the levels looked at. "
    "Size is the effect over the smallest one that matters (on the log scale, a number's effect over the middle 80 % "
    "of its values), at most 1. Plausibility is 1, 0.85 or 0.6 for high, moderate and low, times 0.3 where the effect "
    "goes against what the trade expects. The order is by points; what is listed is decided by the chance that any of "
    "all circumstances looked at would look so clear where none acts: under the share of the quarter's allowance that "
    "belongs to circumstances it stands out, under the share of questions it is a hint. Nothing else is listed. What can't "
    "be told apart, goes against expectation, or rests on records that are blank more or less often on failing ventings is a "
    "hint at most."
)

RANKING_COLUMNS = (
    "rank", "factor", "title", "kind", "level", "reference", "mechanism", "standing", "points", "effect", "low", "high", "p",
    "q", "p_any", "basis", "adjusted_for", "overlap", "overlap_with", "expected", "ventings", "exposed", "exposed_failing",
    "together", "evidence", "blanks", "refute", "check", "cost",
)  # fmt: skip


def score_effects(effects: pd.DataFrame) -> pd.DataFrame:
    """``effects`` of :func:`~ventbook.statistics.causes.screen_factors` with columns points, expected, p; unranked rows too.

    ``expected`` is "as expected", "against expectation" or "either way". For lots, gauges and other levels without a
    natural reference a level that lowers the odds is not a cause: against expectation.
    """
    out = effects.copy()
    log = out["log_effect"].to_numpy(dtype=np.float64)
    p = combine_evidence(out).mask(out["site_left"] < SITE_LEFT).to_numpy(dtype=np.float64)
    looked = out.assign(p=p).groupby("factor")["p"].transform("count").clip(lower=1).to_numpy()
    with np.errstate(invalid="ignore"):
        raised = 1 - (1 - p) ** looked
        certainty = -np.log10(np.clip(raised, 1e-12, 1.0))
        reach = np.abs(log) * out["spread"].to_numpy(dtype=np.float64)
        size = np.minimum(reach / np.log(out["matters"].to_numpy(dtype=np.float64)), 1.0)
        size = np.where(
            out["evidence_p"].notna() & ~np.isnan(log), 1.0, size
        )  # only evidence of a size that matters
        lowers = log < 0
    direction = out["direction"].to_numpy(dtype=object)
    grouped = out["kind"].isin(["group", "code"]).to_numpy()
    against = np.where(
        direction == "raises", lowers, np.where(direction == "lowers", ~lowers, grouped & lowers)
    )
    against = np.asarray(against, dtype=bool) & ~(out["evidence_p"] < EVIDENCE_P).to_numpy()
    free = (direction == "either") & ~grouped
    out["expected"] = np.where(free, "either way", np.where(against, "against expectation", "as expected"))
    weight = out["plausibility"].map(PLAUSIBILITY).to_numpy() * np.where(against, AGAINST_EXPECTATION, 1.0)
    out["p"] = p
    out["points"] = certainty * size * weight
    return out


def rank_causes(
    effects: pd.DataFrame,
    *,
    factors: tuple | None = None,
    listed: bool = True,
    blanks: Blanks | None = None,
) -> pd.DataFrame:
    """Candidate causes of one outcome, best first; a factor stands once, at its strongest level.

    Parameters
    ----------
    effects : DataFrame
        As :func:`screen_factors` gives them.
    factors : tuple of Factor, optional
        The same table; adds what would refute each and what to check.
    listed : bool
        False gives every factor with a number, with standing "not listed" where it would not reach the list.
    blanks : Blanks, optional
        Which records are blank more or less often on failing ventings (:func:`test_blanks`); the column
        ``blanks`` then holds the warning.

    Returns
    -------
    DataFrame
        One row a factor, ordered by RULE, with its standing; ``together`` names factors that it can't be told
        apart from on these ventings.

    Notes
    -----
    Standing is never more than "hint" where there is no overlap, where the effect goes against expectation,
    or where there is a warning about blanks.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.statistics import causes
    >>> jobs = causes.add_lifter_columns(
    ...     ventbook.read_ventings("data/demo/store"), ventbook.read_lifters("data/demo/store")
    ... )
    >>> ranked = causes.rank_causes(causes.screen_factors(jobs), listed=False)
    >>> bool(ranked["factor"].is_unique)
    True
    """
    scored = score_effects(effects).dropna(subset=["points"])
    scored = scored.sort_values(["points", "factor", "level"], ascending=[False, True, True], kind="stable")
    best = scored.drop_duplicates("factor").copy()
    best["blanks"] = warn_of_blanks(best, blanks)
    allowed = evidence.judge_family(best["p_any"], FAMILY, adjusted=True)
    held = (best["overlap"] == "none") | (best["expected"] == "against expectation") | (best["blanks"] != "")
    best["standing"] = np.where(
        (allowed == evidence.NAMED) & ~held,
        "cause",
        np.where(allowed == evidence.NOTHING, "not listed", "hint"),
    )
    adjusted = best["basis"] == "adjusted"
    for name, suffix in (("effect", ""), ("low", "_low"), ("high", "_high")):
        best[name] = best[f"adjusted{suffix}"].where(adjusted, best[f"crude{suffix}"])
    best["together"] = best["overlap_with"].where(best["overlap"] == "none", "")
    by_name = {factor.name: factor for factor in factors or ()}
    for name, blank in (("refute", ""), ("check", ""), ("cost", 0)):
        best[name] = [getattr(by_name[f], name) if f in by_name else blank for f in best["factor"]]
    best["rank"] = np.arange(1, len(best) + 1)
    if listed:
        best = best[best["standing"] != "not listed"]
        best["rank"] = np.arange(1, len(best) + 1)
    return best[list(RANKING_COLUMNS)].reset_index(drop=True)
