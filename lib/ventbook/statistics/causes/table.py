"""The table of effects: its columns, an empty row, and q over its factors."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.numerics import adjust_bh
from ventbook.statistics.causes.factors import Factor
from ventbook.statistics.causes.fits import Effect

COLUMNS = (
    "outcome", "factor", "title", "kind", "level", "reference", "mechanism", "plausibility", "direction",
    "ventings", "exposed", "failing", "exposed_failing", "lifters", "lifters_over", "engines",
    "crude", "crude_low", "crude_high", "crude_p",
    "adjusted", "adjusted_low", "adjusted_high", "adjusted_p", "adjusted_for",
    "stratified", "stratified_low", "stratified_high", "homogeneity_p",
    "q", "overlap", "overlap_share", "overlap_with", "site_left", "matters", "against_matters",
    "log_effect", "log_se", "df", "spread", "basis", "state", "method", "note",
)  # fmt: skip

SITE_LEFT = 0.03
"""With less than this share of its variation left inside the sites, a factor is not looked at."""

COUNTS = ("ventings", "exposed", "failing", "exposed_failing", "lifters", "lifters_over", "engines")
TEXTS = (
    "outcome", "factor", "title", "kind", "level", "reference", "mechanism", "plausibility", "direction",
    "adjusted_for", "overlap", "overlap_with", "against_matters", "basis", "state", "method", "note",
)  # fmt: skip


def empty_row(factor: Factor, outcome: str) -> dict[str, object]:
    """A row without any number: the factor's own words, and "not recorded"."""
    numbers = dict.fromkeys(COLUMNS, np.nan)
    texts = dict.fromkeys(TEXTS, "")
    counts = dict.fromkeys(COUNTS, 0)
    return {
        **numbers,
        **texts,
        **counts,
        "outcome": outcome,
        "factor": factor.name,
        "title": factor.title,
        "kind": factor.kind,
        "mechanism": factor.mechanism,
        "plausibility": factor.plausibility,
        "direction": factor.direction,
        "matters": factor.matters(outcome),
        "state": "not_recorded",
        "note": "not recorded, or the same on all ventings",
    }


def effect_columns(name: str, effect: Effect | None, *, p: bool = True) -> dict[str, object]:
    """An effect and its interval as ratios, under ``name``, ``name_low`` and ``name_high``; nothing for None."""
    if effect is None:
        return {}
    with np.errstate(over="ignore"):
        values = np.exp([effect.log, effect.low, effect.high])
    out: dict[str, object] = dict(
        zip((name, f"{name}_low", f"{name}_high"), (float(v) for v in values), strict=True)
    )
    return out | ({f"{name}_p": effect.p} if p else {})


def settle_q(effects: pd.DataFrame) -> pd.DataFrame:
    """``effects`` with q worked out over its factors.

    A row's p is that of its adjusted effect (crude where there is none). A factor's p is the smallest of its levels',
    raised for the levels looked at (Sidak); q is Benjamini-Hochberg over the factors. A factor that is the same on nearly
    all ventings of each site (``site_left`` under SITE_LEFT) is not looked at: these records can't tell it from the site.
    """
    frame = effects.copy()
    p = frame["adjusted_p"].where(frame["basis"] == "adjusted", frame["crude_p"]).astype(float)
    p = p.mask(frame["site_left"] < SITE_LEFT)
    looked = frame.assign(p=p).dropna(subset=["p"]).groupby("factor")["p"]
    family = 1 - (1 - looked.min()) ** looked.size()
    tested = p.groupby(frame["factor"]).transform("count").to_numpy(dtype=np.float64)
    # a level other than the factor's strongest carries no smaller q than its own raised p
    raised = 1 - (1 - p.to_numpy(dtype=np.float64)) ** np.maximum(tested, 1.0)
    over_all = frame["factor"].map(dict(zip(family.index, adjust_bh(family.to_numpy()), strict=True)))
    frame["q"] = np.where(np.isnan(raised), np.nan, np.maximum(over_all.to_numpy(np.float64), raised))
    return frame
