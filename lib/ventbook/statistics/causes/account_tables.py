"""The tables of an account: terms, shares of findings and ventings, the unexplained, and all that was looked
at.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from ventbook.numerics import Floats, Ints, find_places
from ventbook.statistics.causes.account_naming import RIVAL_LOGLIK, Named, Problem
from ventbook.statistics.causes.account_shares import Draw, GaugeReadings, list_causes
from ventbook.statistics.causes.account_terms import AIR, KINDS, LEAK, VentingRows
from ventbook.statistics.causes.factors import Factor
from ventbook.tables import evidence

UNEXPLAINED, READING = "unexplained", "reading"
TERM_COLUMNS = (
    "name", "title", "kind_of_term", "acts_on", "mechanism", "site", "standing", "p_any", "exposed", "exposed_failing",
    "rate", "rate_low", "rate_high", "rate_ratio",
    "findings", "findings_low", "findings_high", "ventings", "ventings_low", "ventings_high",
    "avoidable", "avoidable_low", "avoidable_high", "share", "rivals", "reason", "refute", "check", "cost",
)  # fmt: skip
TERM_TEXTS = (
    "name", "title", "kind_of_term", "acts_on", "mechanism", "site", "standing", "rivals", "reason", "refute", "check",
)  # fmt: skip
LOOKED_COLUMNS = ("name", "title", "kind_of_term", "acts_on", "p", "p_any", "standing", "reason")
SHARE_COLUMNS = ("venting_id", "engine_id", "lifter", "quarter", "site", "cause", "kind", "share")
VENTING_COLUMNS = ("venting_id", "engine_id", "quarter", "site", "cause", "kind", "share", "avoidable")
FORM_WORDS = {
    "yes_no": "yes or no",
    "step": "number",
    "ramp": "number",
    "level": "group",
    "combination": "combination",
    "product": "combination",
    "since": "site over time",
    "growing": "site over time",
    "growing ever faster": "site over time",
}
KIND_WORDS = {AIR: "air", LEAK: "leak-down", READING: "the reading"}
ROUTINE = "comparison in routine use"
ASK = {
    "refute": "equal readings of the same lifters with another gauge speak against it",
    "check": "read_both_gauges",
}
TOLD = {
    "refute": "a new study with known gaps that finds no bias speaks against it",
    "check": "gauge_set_right",
}


def list_shares(
    weights: Mapping[str, Floats], readings: GaugeReadings, over: pd.DataFrame, causes: Sequence[str]
) -> pd.DataFrame:
    """One row a finding, cause and kind with a share."""
    lifter = (
        over["position"]
        if "position" in over.columns
        else over["cylinder"].astype(str) + " " + over["valve"].astype(str)
    )
    quarter = over["quarter"] if "quarter" in over.columns else pd.Series("", index=over.index)
    frame = pd.DataFrame(
        {
            "venting_id": over["venting_id"].to_numpy(),
            "engine_id": over["engine_id"].to_numpy() if "engine_id" in over.columns else "",
            "lifter": lifter.astype(str).to_numpy(),
            "quarter": quarter.to_numpy(),
            "site": over["site"].to_numpy() if "site" in over.columns else "",
        }
    )
    parts = []
    for kind in KINDS:
        for number, cause in enumerate([*causes, UNEXPLAINED]):
            own = weights[kind][:, number]
            parts.append(frame[own > 0].assign(cause=cause, kind=kind, share=own[own > 0]))
    for number, name in enumerate(readings.names):
        own = np.where(readings.gauge == number, weights["gauge"], 0.0)
        parts.append(frame[own > 0].assign(cause=f"gauge {name}", kind=READING, share=own[own > 0]))
    out = pd.concat(parts) if parts else frame.assign(cause="", kind="", share=0.0)
    return out.sort_index(kind="stable").reset_index(drop=True)[list(SHARE_COLUMNS)]


def list_venting_shares(
    shares: pd.DataFrame, names: Sequence[str], passed: Floats, failing: Ints, rows: VentingRows
) -> pd.DataFrame:
    """One row a failing venting, cause and kind: the mean of its findings' shares; avoidable stands at the
    first kind's row.
    """
    keys = ["venting_id", "engine_id", "quarter", "site", "cause", "kind"]
    sizes = shares.drop_duplicates(["venting_id", "lifter"]).groupby("venting_id").size()
    out = shares.groupby(keys, sort=False, dropna=False, observed=True)["share"].sum().reset_index()
    out["share"] = out["share"] / out["venting_id"].map(sizes).to_numpy()
    # one number a venting and cause, at the first of its kinds' rows
    place = {name: number for number, name in enumerate(names)}
    row = find_places(out["venting_id"], pd.Series(rows.venting[failing]))
    column = out["cause"].map(place).fillna(-1).to_numpy(np.int64)
    counted = (column >= 0) & ~out.duplicated(["venting_id", "cause"]).to_numpy()
    out["avoidable"] = 0.0
    out.loc[counted, "avoidable"] = passed[row[counted], column[counted]]
    out.loc[out["cause"] == UNEXPLAINED, "avoidable"] = np.nan
    return out[list(VENTING_COLUMNS)]


def list_terms(
    problem: Problem,
    named: Named | None,
    readings: GaugeReadings,
    gauges: pd.DataFrame,
    shares: pd.DataFrame,
    venting_shares: pd.DataFrame,
    drawn: Sequence[Draw],
    level: float,
    factors: Sequence[Factor],
) -> pd.DataFrame:
    records: list[dict[str, object]] = []
    by_name = {f.name: f for f in factors}
    if named is not None:
        causes = list_causes(named.columns, named.chosen)
        ends = (0.5 - level / 2, 0.5 + level / 2)
        names = [*causes, *(f"gauge {name}" for name in readings.names)]
        for number, name in enumerate(names):
            own = shares[shares["cause"] == name]
            ventings = venting_shares[venting_shares["cause"] == name]
            record: dict[str, object] = {
                "name": name,
                "standing": evidence.NAMED,
                "findings": float(own["share"].sum()),
                "ventings": float(ventings["share"].sum()),
                "avoidable": float(ventings["avoidable"].sum()),
                "share": float(ventings["share"].sum()) / max(len(problem.failures.row), 1),
            }
            for column in ("findings", "ventings", "avoidable"):
                if drawn:
                    low, high = np.quantile([getattr(d, column)[number] for d in drawn], ends)
                    record[f"{column}_low"] = min(float(low), float(record[column]))  # type: ignore[arg-type]
                    record[f"{column}_high"] = max(float(high), float(record[column]))  # type: ignore[arg-type]
            if number < len(causes):
                record |= _describe_cause(
                    problem, named, name, [d.rate[number] for d in drawn], ends, by_name
                )
            else:
                record |= _describe_gauge(readings.names[number - len(causes)], gauges, own, by_name)
            records.append(record)
        for i, chance, why in named.hints:
            term = named.columns.terms[i]
            record = _describe_terms(problem, named, [i], by_name)
            reason = "its records are blank less often on failing ventings" if why else ""
            records.append(
                record | {"name": term.cause, "standing": evidence.HINT, "p_any": chance, "reason": reason}
            )
    return _order_terms(pd.DataFrame(records, columns=list(TERM_COLUMNS)))


def _order_terms(table: pd.DataFrame) -> pd.DataFrame:
    """Terms as texts and numbers, those with most ventings first, without hints of what is named."""
    for name in TERM_TEXTS:
        table[name] = table[name].astype("object").where(table[name].notna(), "").astype("str")
    numbers = [c for c in TERM_COLUMNS if c not in TERM_TEXTS]
    table[numbers] = table[numbers].astype(float)
    hint = table["standing"] == evidence.HINT
    # a hint of what is named already says nothing new
    table = table[~(hint & table["name"].isin(set(table.loc[~hint, "name"])))]
    return table.sort_values("ventings", ascending=False, kind="stable", na_position="last").reset_index(
        drop=True
    )


def _describe_terms(
    problem: Problem, named: Named, own: Sequence[int], by_name: Mapping[str, Factor]
) -> dict[str, object]:
    """Words and counts of one cause's terms."""
    columns = named.columns
    terms = [columns.terms[i] for i in own]
    on = np.zeros(len(problem.rows), dtype=bool)
    for i in own:
        on |= (columns.x[i] >= 0.5) & columns.known[i]
    real = np.zeros(len(problem.rows))
    real[problem.failures.row] = problem.failures.real
    factor = by_name.get(terms[0].cause.split("=")[0]) or by_name.get(
        terms[0].factors[0] if terms[0].parts else ""
    )
    return {
        "title": terms[0].title,
        "kind_of_term": FORM_WORDS[terms[0].form],
        "acts_on": " and ".join(dict.fromkeys(KIND_WORDS[t.kind] for t in terms)),
        "mechanism": factor.mechanism if factor else "not on record",
        "site": terms[0].site,
        "exposed": float(on.sum()),
        "exposed_failing": float(real[on].sum()),
        "refute": factor.refute
        if factor
        else "a new quarter at the level of the first ones speaks against it",
        "check": factor.check if factor else "ask_what_changed",
        "cost": float(factor.cost) if factor else 2.0,
    }


def _describe_cause(
    problem: Problem,
    named: Named,
    name: str,
    rates: Sequence[float],
    ends: tuple[float, float],
    by_name: Mapping[str, Factor],
) -> dict[str, object]:
    columns, fit = named.columns, named.fit
    own = [i for i in named.chosen if columns.terms[i].cause == name]
    record = _describe_terms(problem, named, own, by_name)
    added, total = 0.0, 0.0
    rate = 0.0
    for kind in KINDS:
        kept = [i for i in named.chosen if columns.terms[i].kind == kind]
        design = problem.designs(columns, named.chosen)[kind]
        theta = fit.kinds[kind].theta
        exposed = np.zeros(len(problem.rows), dtype=bool)
        for i in own:
            exposed |= columns.x[i] >= 0.5
        total += float(fit.kinds[kind].intensity[exposed].sum())
        for place, i in enumerate(kept):
            if i in own:
                value = theta[design.ground + place]
                rate += float(value)
                added += float((value * columns.x[i] * design.scale)[exposed].sum())
    record |= {
        "p_any": min(named.chance[i] for i in own),
        "rate": rate,
        "rate_ratio": total / (total - added) if total > added else np.inf,
        "rivals": "; ".join(
            dict.fromkeys(
                columns.terms[j].title
                for i in own
                for j, short in named.rivals[i]
                if short >= -RIVAL_LOGLIK and columns.terms[j].cause != name
            )
        ),
    }
    if record["rivals"]:
        record["reason"] = f"these records can't tell it from {record['rivals']}"
    if len(rates):
        low, high = np.nanquantile(rates, ends)
        record |= {"rate_low": min(float(low), rate), "rate_high": max(float(high), rate)}
    return record


def _describe_gauge(
    name: str, gauges: pd.DataFrame, own: pd.DataFrame, by_name: Mapping[str, Factor]
) -> dict[str, object]:
    rows = gauges[gauges["gauge"].astype(str) == name]
    row, most = rows.iloc[0], f"{rows['bias'].max():.2f}"
    up_to = "" if f"{rows['bias'].min():.2f}" == most else "up to "
    told = f"bias from {row['source']}"
    return {
        "title": f"gauge {name} reads {up_to}{most} mm high",
        "kind_of_term": "gauge",
        "acts_on": KIND_WORDS[READING],
        "mechanism": "gauge",
        "site": ", ".join(sorted(set(own["site"].dropna().astype(str)))),
        "p_any": float(row["p_any"]),
        "exposed_failing": float(own["venting_id"].nunique()),
        **(ASK if row["source"] == ROUTINE or row["rivals"] else TOLD),
        "cost": 1.0,
        "rivals": row["rivals"],
        "reason": f"{told}; these records can't tell it from {row['rivals']}" if row["rivals"] else told,
    }


def list_unexplained(
    problem: Problem, theta: Mapping[str, Floats], shares: pd.DataFrame, venting_shares: pd.DataFrame
) -> pd.DataFrame:
    """What has no name, by kind and site: findings, ventings, base rate of findings a lifter (the mean over the year).

    ``theta``: as :func:`ventbook.statistics.causes.season.fold_waves` gives it.
    """
    rows = []
    for kind in KINDS:
        for number, site in enumerate(problem.rows.site_names):
            own = [
                float(
                    f.loc[
                        (f["cause"] == UNEXPLAINED) & (f["kind"] == kind) & (f["site"] == site), "share"
                    ].sum()
                )
                for f in (shares, venting_shares)
            ]
            base = theta[kind][number if kind == AIR else 0] if len(theta[kind]) else np.nan
            here = problem.rows.site_code == number
            rows.append((kind, site, *own, float(base), int(here.sum())))
    return pd.DataFrame(rows, columns=["kind", "site", "findings", "ventings", "rate", "site_ventings"])


def list_looked(problem: Problem, named: Named | None) -> pd.DataFrame:
    """Every cause that was looked at: its smallest p and chance over its terms, standing, and why it is not
    named.
    """
    if named is None or not len(named.columns):
        return pd.DataFrame(columns=list(LOOKED_COLUMNS))
    rows, hints = [], {i for i, _, _ in named.hints}
    for i, term in enumerate(named.columns.terms):
        standing, reason = evidence.NOTHING, ""
        if i in named.chosen:
            standing = evidence.NAMED
        elif i in hints:
            standing = evidence.HINT
        p, chance = named.scores.p[i], named.scores.chance[i]
        if i in named.chance:
            chance = named.chance[i]
        if named.site_bound[i]:
            reason, p, chance = "these records can't tell it from the site", np.nan, np.nan
        elif not named.scores.looked[i] and i not in named.chosen:
            reason, p, chance = (
                "too few ventings with it or without it, or too few that failed",
                np.nan,
                np.nan,
            )
        elif any(name in problem.doubtful for name in term.factors):
            reason = "its records are blank less often on failing ventings"
        rows.append(
            (
                term.cause,
                term.title,
                FORM_WORDS[term.form],
                KIND_WORDS[term.kind],
                p,
                chance,
                standing,
                reason,
            )
        )
    table = pd.DataFrame(rows, columns=list(LOOKED_COLUMNS))
    rank = {evidence.NAMED: 0, evidence.HINT: 1, evidence.NOTHING: 2}
    table["rank"] = table["standing"].map(rank)
    table = table.sort_values(["rank", "p", "name"], kind="stable", na_position="last")
    return table.drop_duplicates(["name"]).drop(columns="rank").reset_index(drop=True)
