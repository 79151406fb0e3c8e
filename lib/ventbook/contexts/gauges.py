"""A gauge that reads high lifts every lifter's reading; air or a leak lifts only some. So sound lifters tell."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.numerics import encode

from .fits import estimate_contrast, fit_linear
from .table import settle_q

SHIFT_MM = 0.03
"""A shift of the middle lifter under this is not taken as a gauge's fault."""
MINIMUM = 8

COLUMNS = ("gauge", "ventings", "others", "engines", "shift_mm", "low_mm", "high_mm", "p", "state", "note")


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
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _compare_one(ventings: pd.DataFrame, gauge: str, *, level: float) -> dict[str, object]:
    own = ventings["gauge"] == gauge
    here = ventings[ventings["site"].isin(ventings.loc[own, "site"].unique())]
    x = (here["gauge"] == gauge).to_numpy(dtype=np.float64)
    row: dict[str, object] = dict.fromkeys(COLUMNS, np.nan)
    row |= {"gauge": gauge, "ventings": int(x.sum()), "others": int(len(x) - x.sum()), "note": ""}
    cluster, engines = encode(here["engine_id"])
    row["engines"] = len(engines)
    if row["others"] == 0:
        return row | {"state": "no_overlap", "note": "no other gauge was used at its sites"}
    if min(x.sum(), len(x) - x.sum()) < MINIMUM:
        return row | {"state": "too_few", "note": f"fewer than {MINIMUM} ventings on one side"}
    site, _ = encode(here["site"])
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
