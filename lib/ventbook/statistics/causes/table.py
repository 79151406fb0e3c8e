"""The table of effects: its columns, an empty row, and q over its factors.

A gauge that reads high lifts every lifter's reading; air or a leak lifts only some. So sound lifters tell.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.numerics import adjust_bh, factorize
from ventbook.statistics.causes.factors import Factor
from ventbook.statistics.causes.fits import Effect, estimate_contrast, fit_linear
from ventbook.tables.evidence import adjust_holm

COLUMNS = (
    "outcome", "factor", "title", "kind", "level", "reference", "mechanism", "plausibility", "direction",
    "ventings", "exposed", "failing", "exposed_failing", "lifters", "lifters_over", "engines",
    "crude", "crude_low", "crude_high", "crude_p",
    "adjusted", "adjusted_low", "adjusted_high", "adjusted_p", "adjusted_for",
    "stratified", "stratified_low", "stratified_high", "homogeneity_p",
    "evidence_p", "evidence", "q", "p_any", "overlap", "overlap_share", "overlap_with", "site_left", "matters", "against_matters",
    "log_effect", "log_se", "df", "spread", "basis", "state", "method", "note",
)  # fmt: skip

SITE_LEFT = 0.03
"""With less than this share of its variation left inside the sites, a factor is not looked at."""

COUNTS = ("ventings", "exposed", "failing", "exposed_failing", "lifters", "lifters_over", "engines")
TEXTS = (
    "outcome", "factor", "title", "kind", "level", "reference", "mechanism", "plausibility", "direction",
    "adjusted_for", "evidence", "overlap", "overlap_with", "against_matters", "basis", "state", "method", "note",
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
    """``effects`` with q and p_any worked out over its factors.

    A row's p is that of its adjusted effect (crude where there is none); where other evidence stands beside it, twice the
    smaller of the two. A factor's p is the smallest of its levels', raised for the levels looked at (Sidak). q is
    Benjamini-Hochberg over the factors; p_any the chance that any factor looks so clear where none acts (Holm). A
    factor that is the same on nearly all ventings of each site (``site_left`` under SITE_LEFT) is not looked at: these
    records can't tell it from the site.
    """
    frame = effects.copy()
    best = combine_evidence(frame).mask(frame["site_left"] < SITE_LEFT)
    looked = frame.assign(p=best).dropna(subset=["p"]).groupby("factor")["p"]
    family = 1 - (1 - looked.min()) ** looked.size()
    tested = best.groupby(frame["factor"]).transform("count").to_numpy(dtype=np.float64)
    # a level other than the factor's strongest carries no smaller q than its own raised p
    raised = 1 - (1 - best.to_numpy(dtype=np.float64)) ** np.maximum(tested, 1.0)
    for name, adjust in (("q", adjust_bh), ("p_any", adjust_holm)):
        over_all = frame["factor"].map(dict(zip(family.index, adjust(family.to_numpy()), strict=True)))
        frame[name] = np.where(np.isnan(raised), np.nan, np.maximum(over_all.to_numpy(np.float64), raised))
    return frame


def combine_evidence(effects: pd.DataFrame) -> pd.Series:
    """The p of each row: adjusted, else crude; with other evidence, twice the smaller of the two."""
    p = effects["adjusted_p"].where(effects["basis"] == "adjusted", effects["crude_p"]).astype(float)
    other = effects["evidence_p"].astype(float)
    both = np.minimum(2 * np.minimum(p.fillna(1.0), other), 1.0)
    return p.where(other.isna() | effects["log_effect"].isna(), both)


SHIFT_MM = 0.03
"""A shift of the middle lifter under this is not taken as a gauge's fault."""
MINIMUM = 8

GAUGE_COLUMNS = (
    "gauge",
    "ventings",
    "others",
    "engines",
    "shift_mm",
    "low_mm",
    "high_mm",
    "p",
    "state",
    "note",
)


def compare_gauges(lifters: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    """How much higher the middle lifter of a venting reads with each gauge than with the others at the same sites.

    ``lifters`` has a row a lifter and venting (site, engine_id, venting_id, gauge, gap_first_mm or
    gap_first_corrected_mm). The middle lifter (median) of a venting is hardly moved by a few spongy ones. Least squares with
    a level for each site, interval summed by engine (CR3, t). One row a gauge: ventings read with it, ventings read
    with others at its sites, shift_mm with its interval, p; state "no_overlap" where its sites have no other gauge,
    "too_few" under eight ventings on a side.
    """
    column = "gap_first_corrected_mm" if "gap_first_corrected_mm" in lifters.columns else "gap_first_mm"
    missing = [c for c in ("venting_id", "engine_id", "site", "gauge", column) if c not in lifters.columns]
    if missing:
        raise ValueError(f"lifters lacks the columns {', '.join(missing)}")
    read = lifters[lifters["gauge"].notna() & lifters[column].notna()]
    ventings = (
        read.groupby(["venting_id", "engine_id", "site", "gauge"], sort=True)[column]
        .median()
        .rename("gap")
        .reset_index()
    )
    rows = [_compare_one(ventings, gauge, level=level) for gauge in sorted(ventings["gauge"].unique())]
    return pd.DataFrame(rows, columns=list(GAUGE_COLUMNS))


def _compare_one(ventings: pd.DataFrame, gauge: str, *, level: float) -> dict[str, object]:
    own = ventings["gauge"] == gauge
    here = ventings[ventings["site"].isin(ventings.loc[own, "site"].unique())]
    x = (here["gauge"] == gauge).to_numpy(dtype=np.float64)
    row: dict[str, object] = dict.fromkeys(GAUGE_COLUMNS, np.nan)
    row |= {"gauge": gauge, "ventings": int(x.sum()), "others": int(len(x) - x.sum()), "note": ""}
    cluster, engines = factorize(here["engine_id"])
    row["engines"] = len(engines)
    if row["others"] == 0:
        return row | {"state": "no_overlap", "note": "no other gauge was used at its sites"}
    if min(x.sum(), len(x) - x.sum()) < MINIMUM:
        return row | {"state": "too_few", "note": f"fewer than {MINIMUM} ventings on one side"}
    site, _ = factorize(here["site"])
    sites = [(site == i).astype(np.float64) for i in range(int(site.max()) + 1)]
    design = np.column_stack([x, *sites])
    fit = fit_linear(design, here["gap"].to_numpy(dtype=np.float64))
    contrast = np.eye(design.shape[1])[0]
    effect = estimate_contrast(fit, design, contrast, cluster=cluster, n_clusters=len(engines), level=level)
    if effect is None:
        return row | {"state": "too_few", "note": "readings without spread, or one engine only"}
    return row | {
        "shift_mm": effect.log,
        "low_mm": effect.low,
        "high_mm": effect.high,
        "p": effect.p,
        "state": "estimated",
    }


def add_gauge_evidence(effects: pd.DataFrame, gauges: pd.DataFrame) -> pd.DataFrame:
    """``effects`` with what :func:`compare_gauges` found beside the rows of factor "gauge", and q worked out anew.

    Only a shift upwards of at least .03 mm counts as evidence; anything else enters with p = 1, so that having looked
    twice is always paid for.
    """
    out = effects.copy()
    known = gauges[gauges["state"] == "estimated"].set_index("gauge")
    counts = known["p"].where(known["shift_mm"] >= SHIFT_MM, 1.0)
    words = {
        gauge: f"the middle lifter of a venting reads {row.shift_mm:+.2f} mm ({row.low_mm:+.2f} to {row.high_mm:+.2f}) "
        "against other gauges at the same site"
        for gauge, row in zip(known.index, known.itertuples(), strict=True)
    }
    gauge_rows = out["factor"] == "gauge"
    out["evidence_p"] = out["level"].map(counts).where(gauge_rows, out["evidence_p"]).astype("float64")
    out["evidence"] = out["level"].map(words).where(gauge_rows, out["evidence"]).fillna("").astype("str")
    return settle_q(out)
