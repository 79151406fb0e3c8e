"""Patterns over many rows of a site or file: heaped counts, copies, stuck gauges, odd tachometers. All are notes.

Nothing here says that anyone did wrong: each note says what stands out and what to look at. Digit preference is
judged by an exact one-sided binomial test of the share of round values against chance.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa

from ventbook import dictionary
from ventbook.store import to_frame

from .across import Context
from .copies import MEASURED, copied_days, copied_rows, no_spread, stuck_gauge
from .faults import Fault, Pattern, note_site, thresholds
from .keys import Outcome
from .load import Loaded


def find_patterns(loaded: Loaded, outcome: Outcome, context: Context) -> list[Fault]:
    """All patterns of one table's good rows in this intake."""
    rules = PATTERNS.get(loaded.table.name, ())
    good = np.flatnonzero(outcome.good)
    if not rules or not len(good):
        return []
    wanted = NEEDED if loaded.table.name != "ventings" else [n for n in NEEDED if n != "venting_id"]
    columns = [name for name in wanted if name in loaded.rows.column_names]
    frame = to_frame(loaded.rows.select(columns).filter(pa.array(outcome.good)))
    frame["row"] = good
    if "site" not in frame:
        site = context.of_venting(loaded.rows.column("venting_id").take(pa.array(good)), "site")
        frame["site"] = site.to_numpy()
    if frame["site"].isna().any():
        frame = frame[frame["site"].notna()]
    frame["site"] = pd.Categorical(frame["site"])
    return [fault for rule in rules for fault in rule(frame, context)]


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


# ---- heaping -----------------------------------------------------------------------------------------------


def share_p_value(hits: int, n: int, chance: float) -> float:
    """One-sided exact p that a share this high comes by chance (binomial)."""
    from scipy import special

    return float(special.bdtrc(hits - 1, n, chance)) if hits else 1.0


def heaped(column: str, stored: str, step: float, many: int) -> Pattern:
    """Values of a column that are multiples of ``many`` steps more often than chance allows, by site."""

    def rule(frame: pd.DataFrame, context: Context) -> list[Fault]:
        limits = thresholds()["heaping"]
        answer = []
        for site, part in frame[["site", stored, "row"]].groupby("site", sort=True, observed=True):
            values = part[stored].to_numpy(dtype=float, na_value=np.nan)
            part, values = part[values > 0], values[values > 0]
            if len(values) < limits["min_values"]:
                continue
            counts = np.rint(values / step).astype(np.int64)
            hits, n = int((counts % many == 0).sum()), len(counts)
            chance = 1 / many
            p = share_p_value(hits, n, chance)
            if p < limits["p"] and hits / n >= chance + limits["excess"]:
                ends = "0" if many == 10 else "0 or 5"
                answer.append(
                    note_site(
                        "heaped_values",
                        column,
                        part["row"],
                        value=ends,
                        site=site,
                        share=_percent(hits / n),
                        expected=_percent(chance),
                        n=n,
                    )
                )
        return answer

    return rule


def at_one_value(column: str, stored: str) -> Pattern:
    """Most values of a measured column are one and the same, by site."""

    def rule(frame: pd.DataFrame, context: Context) -> list[Fault]:
        limits = thresholds()["heaping"]
        answer = []
        for site, part in frame[["site", stored, "row"]].groupby("site", sort=True, observed=True):
            part = part[part[stored].notna() & (part[stored] != 0)]
            if len(part) < limits["at_value_min_values"]:
                continue
            counts = part[stored].value_counts()
            share = counts.iloc[0] / len(part)
            if share >= limits["at_value_share"]:
                answer.append(
                    note_site(
                        "heaped_at_value",
                        column,
                        part["row"],
                        value=f"{counts.index[0]:g}",
                        site=site,
                        share=_percent(share),
                        n=len(part),
                    )
                )
        return answer

    return rule


def near_limit(column: str, stored: str, step: str) -> Pattern:
    """Many readings just under the limit and few just over it, by site."""

    def rule(frame: pd.DataFrame, context: Context) -> list[Fault]:
        limit = dictionary.limit(step, "*", context.today.date())
        if limit is None or limit.high is None:
            return []
        rules = thresholds()["near_limit"]
        answer = []
        for site, part in frame[["site", stored, "row"]].groupby("site", sort=True, observed=True):
            values = part[stored].to_numpy(dtype=float, na_value=np.nan)
            width = limit.high * rules["width"]
            with np.errstate(invalid="ignore"):
                under = int(((values > limit.high - width) & (values <= limit.high)).sum())
                over = int(((values > limit.high) & (values <= limit.high + width)).sum())
            if under + over < rules["min_values"]:
                continue
            if share_p_value(under, under + over, 0.5) < rules["p"]:
                answer.append(
                    note_site(
                        "few_above_limit",
                        column,
                        part["row"],
                        value=f"{limit.high:g} {limit.unit}",
                        site=site,
                        low=under,
                        high=over,
                    )
                )
        return answer

    return rule


# ---- copies ------------------------------------------------------------------------------------------------


# ---- instruments and habits --------------------------------------------------------------------------------


def speed_multiple(column: str, stored: str) -> Pattern:
    """A site whose speeds are a fixed multiple of the other sites': a tachometer's pulses, propeller for crank."""

    def rule(frame: pd.DataFrame, context: Context) -> list[Fault]:
        rules = thresholds()["speed"]
        part = frame.loc[frame[stored].notna(), ["site", stored, "row"]]
        middle = part.groupby("site", sort=True, observed=True)[stored].agg(["median", "size"])
        middle = middle[middle["size"] >= rules["min_values"]]
        answer = []
        for site in middle.index if len(middle) >= 3 else []:
            others = float(middle["median"].drop(site).median())
            ratio = float(middle.loc[site, "median"]) / others
            near = [f for f in rules["factors"] if abs(ratio / f - 1) <= rules["tolerance"]]
            if near:
                rows = part.loc[part["site"] == site, "row"]
                words = {"value": f"{middle.loc[site, 'median']:.0f}", "share": f"{near[0]:.2g}"}
                answer.append(note_site("speed_multiple", column, rows, site=site, **words))
        return answer

    return rule


def ambient_for_oil(frame: pd.DataFrame, context: Context) -> list[Fault]:
    """Oil temperature always equal to ambient: read off the wrong thermometer, or not at all."""
    rules = thresholds()["ambient"]
    part = frame[["site", "oil_temperature_degC", "ambient_temperature_degC", "row"]].dropna()
    answer = []
    for site, own in part.groupby("site", sort=True, observed=True):
        share = float((own["oil_temperature_degC"] == own["ambient_temperature_degC"]).mean())
        if len(own) >= rules["min_values"] and share >= rules["share"]:
            answer.append(
                note_site(
                    "temperature_is_ambient",
                    "oil_temperature",
                    own["row"],
                    site=site,
                    share=_percent(share),
                    n=len(own),
                )
            )
    return answer


def cold_checks(frame: pd.DataFrame, context: Context) -> list[Fault]:
    """Lifter checks that are meant to be warm and never are."""
    rules = thresholds()["check_temperature"]
    answer = []
    for site, own in frame[frame["oil_temperature_degC"].notna()].groupby("site", sort=True, observed=True):
        if len(own) >= rules["min_values"] and own["oil_temperature_degC"].max() < rules["limit"]:
            answer.append(
                note_site(
                    "check_temperature_cold",
                    "oil_temperature",
                    own["row"],
                    site=site,
                    value=rules["limit"],
                    n=len(own),
                )
            )
    return answer


def only_findings(frame: pd.DataFrame, context: Context) -> list[Fault]:
    """A site and quarter where every venting has a gap over the limit: probably only findings were recorded."""
    limit = dictionary.limit("lifter_gap", "*", context.today.date())
    if limit is None or limit.high is None:
        return []
    first = frame[frame["check_no"] == 1]
    over = (first["gap_mm"] > limit.high).groupby(first["venting_id"], sort=True).any()
    where = first.drop_duplicates("venting_id").set_index("venting_id").loc[over.index]
    at = context.ventings.index.get_indexer(pd.Index(over.index.astype(object)))
    date = pd.to_datetime(context.ventings["date"].iloc[at]).to_numpy()
    table = pd.DataFrame(
        {
            "site": where["site"].to_numpy(),
            "over": over.to_numpy(),
            "row": where["row"].to_numpy(),
            "date": date,
        }
    )
    table["quarter"] = table["date"].dt.year.astype(str) + "Q" + table["date"].dt.quarter.astype(str)
    answer = []
    for (site, quarter), own in table.groupby(["site", "quarter"], sort=True):
        if len(own) >= thresholds()["selection"]["min_ventings"] and own["over"].all():
            answer.append(
                note_site("every_job_a_finding", "gap", own["row"], site=site, value=quarter, n=len(own))
            )
    return answer


def revisions(frame: pd.DataFrame, context: Context) -> list[Fault]:
    """A change of the procedure's or the form's revision at a site."""
    answer = []
    for column in ("procedure_revision", "form_revision"):
        part = frame.loc[frame[column].notna(), ["site", "date", column, "row"]]
        if part[column].nunique() < 2:
            continue
        part = part.sort_values(["date", "row"])
        for site, own in part.groupby("site", sort=True, observed=True):
            before = own[column].shift()
            for n in np.flatnonzero((before.notna() & (own[column] != before)).to_numpy())[:3]:
                row = own.iloc[[n]]
                words = {
                    "low": before.iloc[n],
                    "value": own[column].iloc[n],
                    "high": str(own["date"].iloc[n].date()),
                }
                answer.append(note_site("revision_changed", column, row["row"], site=site, **words))
    return answer


def open_jobs(frame: pd.DataFrame, context: Context) -> list[Fault]:
    """Jobs that were never closed: what belongs to them may still come in."""
    days = thresholds()["open_jobs"]["days"]
    old = frame[frame["closed"].isna() & ((context.today - frame["date"]).dt.days > days)]
    if frame["closed"].notna().sum() == 0:
        return []  # the site doesn't record closing at all
    return [
        note_site("jobs_open", "closed", own["row"], site=site, n=len(own), high=days)
        for site, own in old.groupby("site", sort=True, observed=True)
    ]


NEEDED = (
    *("site", "date", "venting_id", "check_no", "gauge", "closed", "procedure_revision", "form_revision"),
    *("gap_mm", "time_to_pressure_s", "first_hold_speed_rpm", "extra_run_speed_rpm", *MEASURED),
)
PATTERNS: dict[str, tuple[Pattern, ...]] = {
    "ventings": (
        heaped("rotations", "rotations", 1, 10),
        heaped("rotations", "rotations", 1, 5),
        at_one_value("rotations", "rotations"),
        copied_days,
        copied_rows,
        no_spread("oil_temperature", "oil_temperature_degC"),
        no_spread("ambient_temperature", "ambient_temperature_degC"),
        no_spread("rotations", "rotations"),
        speed_multiple("turning_speed", "turning_speed_rpm"),
        ambient_for_oil,
        revisions,
        open_jobs,
    ),
    "starts": (
        heaped("time_to_pressure", "time_to_pressure_s", 1, 5),
        at_one_value("time_to_pressure", "time_to_pressure_s"),
        near_limit("time_to_pressure", "time_to_pressure_s", "time_to_pressure"),
        speed_multiple("first_hold_speed", "first_hold_speed_rpm"),
        speed_multiple("extra_run_speed", "extra_run_speed_rpm"),
    ),
    "lifter_checks": (
        at_one_value("gap", "gap_mm"),
        near_limit("gap", "gap_mm", "lifter_gap"),
        stuck_gauge,
        cold_checks,
        only_findings,
    ),
}
