"""Patterns over many rows of a site or file: what stands out and what to look at (``PATTERNS``).

A pattern is a note: heaped counts, days and rows that repeat, gauges stuck at a value, columns that never vary, odd tachometers.
It doesn't say that anyone did wrong; digit preference is judged by an exact one-sided binomial test of the share of round values
against chance.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa

from ventbook.model import verdicts
from ventbook.records.intake.context import (
    MEASURED,
    Context,
    Fault,
    Pattern,
    SiteRows,
    group_rows,
    note_site,
    thresholds,
)
from ventbook.records.intake.keys import Outcome
from ventbook.records.intake.load import Loaded
from ventbook.records.store import to_frame

NEEDED = (
    *("site", "date", "venting_id", "check_no", "gauge", "closed", "procedure_revision", "form_revision"),
    *("gap_mm", "time_to_pressure_s", "first_hold_speed_rpm", "extra_run_speed_rpm", *MEASURED),
)


def copied_days(rows: SiteRows, context: Context) -> list[Fault]:
    """A day of ventings whose measured values all equal another day's."""
    rules = thresholds()["copies"]
    at, hashed = rows.measured
    if not len(at):
        return []
    site, day = rows.site[at], rows.day[at]
    order, starts = group_rows(site, day)
    # the sum of the rows' hashes is the same in any order of rows
    days = pd.DataFrame(
        {
            "site": site[order[starts]],
            "day": day[order[starts]],
            "n": np.diff(starts, append=len(order)),
            "set": np.add.reduceat(hashed[order], starts),
            "row": rows.row[at[order[starts]]],
        }
    )
    days = days[days["n"] >= rules["min_rows"]]
    answer = []
    for _, same in days[days.duplicated(["site", "set"], keep=False)].groupby(["site", "set"], sort=True):
        name, first = rows.site_names[same["site"].iloc[0]], np.datetime64(int(same["day"].iloc[0]), "D")
        for again, n, row in zip(same["day"].iloc[1:], same["n"].iloc[1:], same["row"].iloc[1:], strict=True):
            words = {"value": str(np.datetime64(int(again), "D")), "low": str(first), "n": int(n)}
            answer.append(note_site("copied_day", "date", int(row), site=name, **words))
    return answer


def copied_rows(rows: SiteRows, context: Context) -> list[Fault]:
    """The same set of measured values on several ventings of a site."""
    least = int(thresholds()["copies"]["vector_rows"])
    at, hashed = rows.measured
    ordered = np.sort(hashed)
    often = np.unique(ordered[least - 1 :][ordered[least - 1 :] == ordered[: len(ordered) - least + 1]])
    answer = []
    if len(often):
        own = np.isin(hashed, often)
        part = pd.DataFrame({"site": rows.site[at][own], "hash": hashed[own], "row": rows.row[at][own]})
        for _, same in part.groupby(["site", "hash"], sort=True):
            if len(same) >= least:
                site = rows.site_names[same["site"].iloc[0]]
                words = {"site": site, "n": len(same), "table": "ventings"}
                answer.append(note_site("copied_rows", "", int(same["row"].iloc[0]), **words))
    return answer


def stuck_gauge(rows: SiteRows, context: Context) -> list[Fault]:
    """One gauge reading the same gap on many lifters in a row, as the file has them."""
    run = thresholds()["copies"]["stuck_run"]
    frame = rows.frame
    answer = []
    part = frame[frame["gauge"].notna() & frame["gap_mm"].notna() & (frame["gap_mm"] > 0)]
    for (site, gauge), own in part.groupby(["site", "gauge"], sort=True, observed=True):
        change = (own["gap_mm"] != own["gap_mm"].shift()).cumsum()
        sizes = own.groupby(change)["gap_mm"].agg(["size", "first"])
        long = sizes[sizes["size"] >= run]
        if len(long):
            first = own[change == long.index[0]]["row"]
            words = {"value": gauge, "low": f"{long['first'].iloc[0]:g}", "n": int(long["size"].iloc[0])}
            answer.append(note_site("value_stuck", "gap", int(first.iloc[0]), site=site, **words))
    return answer


def no_spread(column: str, stored: str) -> Pattern:
    """A measured column that never varies at a site within a month (never by person)."""

    def rule(rows: SiteRows, context: Context) -> list[Fault]:
        least = thresholds()["spread"]["min_values"]
        order, starts = rows.by_month
        values = rows.numbers(stored)[order]
        count = np.add.reduceat(~np.isnan(values), starts, dtype=np.int64)
        lowest, highest = np.fmin.reduceat(values, starts), np.fmax.reduceat(values, starts)
        answer = []
        for group in np.flatnonzero((count >= least) & (lowest == highest)):
            end = starts[group + 1] if group + 1 < len(starts) else len(order)
            own = order[starts[group] : end]
            first = own[~np.isnan(rows.numbers(stored)[own])][0]
            words = {
                "value": str(rows.frame["date"].iloc[first])[:7],
                "low": f"{lowest[group]:g}",
                "n": int(count[group]),
                "site": rows.site_names[rows.site[first]],
            }
            answer.append(note_site("no_spread", column, int(rows.row[first]), **words))
        return answer

    return rule


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
    if frame.empty:
        return []
    frame["site"] = pd.Categorical(frame["site"])
    rows = SiteRows(frame)
    return [fault for rule in rules for fault in rule(rows, context)]


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


# ---- heaping -----------------------------------------------------------------------------------------------


def share_p_value(hits: int, n: int, chance: float) -> float:
    """One-sided exact p that a share this high comes by chance (binomial)."""
    from scipy import special

    return float(special.bdtrc(hits - 1, n, chance)) if hits else 1.0


def heaped(column: str, stored: str, step: float, many: int) -> Pattern:
    """Values of a column that are multiples of ``many`` steps more often than chance allows, by site."""

    def rule(rows: SiteRows, context: Context) -> list[Fault]:
        limits = thresholds()["heaping"]
        answer = []
        for site, own in rows.by_site:
            values = rows.numbers(stored)[own]
            own = own[values > 0]
            if len(own) < limits["min_values"]:
                continue
            counts = np.rint(values[values > 0] / step).astype(np.int64)
            hits, n = int((counts % many == 0).sum()), len(counts)
            chance = 1 / many
            if hits / n >= chance + limits["excess"] and share_p_value(hits, n, chance) < limits["p"]:
                words = {
                    "value": "0" if many == 10 else "0 or 5",
                    "site": site,
                    "share": _percent(hits / n),
                    "expected": _percent(chance),
                    "n": n,
                }
                answer.append(note_site("heaped_values", column, int(rows.row[own[0]]), **words))
        return answer

    return rule


def at_one_value(column: str, stored: str) -> Pattern:
    """Most values of a measured column are one and the same, by site."""

    def rule(rows: SiteRows, context: Context) -> list[Fault]:
        limits = thresholds()["heaping"]
        answer = []
        for site, own in rows.by_site:
            values = rows.numbers(stored)[own]
            used = ~np.isnan(values) & (values != 0)
            own, values = own[used], values[used]
            if len(values) < limits["at_value_min_values"]:
                continue
            found, counts = np.unique(values, return_counts=True)
            share = float(counts.max() / len(values))
            if share >= limits["at_value_share"]:
                words = {
                    "value": f"{found[counts.argmax()]:g}",
                    "site": site,
                    "share": _percent(share),
                    "n": len(values),
                }
                answer.append(note_site("heaped_at_value", column, int(rows.row[own[0]]), **words))
        return answer

    return rule


def near_limit(column: str, stored: str, step: str) -> Pattern:
    """Many readings just under the limit and few just over it, by site."""

    def rule(rows: SiteRows, context: Context) -> list[Fault]:
        limit = context.limits.find(step, "*", context.today.date())
        if limit is None or limit.high is None:
            return []
        rules = thresholds()["near_limit"]
        width = limit.high * rules["width"]
        answer = []
        for site, own in rows.by_site:
            values = rows.numbers(stored)[own]
            with np.errstate(invalid="ignore"):
                under = int(((values > limit.high - width) & (values <= limit.high)).sum())
                over = int(((values > limit.high) & (values <= limit.high + width)).sum())
            if under + over < rules["min_values"]:
                continue
            if share_p_value(under, under + over, 0.5) < rules["p"]:
                words = {"value": f"{limit.high:g} {limit.unit}", "site": site, "low": under, "high": over}
                answer.append(note_site("few_above_limit", column, int(rows.row[own[0]]), **words))
        return answer

    return rule


# ---- instruments and habits --------------------------------------------------------------------------------


def speed_multiple(column: str, stored: str) -> Pattern:
    """A site whose speeds are a fixed multiple of the other sites': a tachometer's pulses, propeller for crank."""

    def rule(rows: SiteRows, context: Context) -> list[Fault]:
        rules = thresholds()["speed"]
        known = [(site, own[~np.isnan(rows.numbers(stored)[own])]) for site, own in rows.by_site]
        known = [(site, own) for site, own in known if len(own) >= rules["min_values"]]
        middle = np.array([np.median(rows.numbers(stored)[own]) for _, own in known])
        answer = []
        for n, (site, own) in enumerate(known) if len(known) >= 3 else ():
            ratio = float(middle[n]) / float(np.median(np.delete(middle, n)))
            near = [f for f in rules["factors"] if abs(ratio / f - 1) <= rules["tolerance"]]
            if near:
                words = {"value": f"{middle[n]:.0f}", "share": f"{near[0]:.2g}", "site": site}
                answer.append(note_site("speed_multiple", column, int(rows.row[own[0]]), **words))
        return answer

    return rule


def ambient_for_oil(rows: SiteRows, context: Context) -> list[Fault]:
    """Oil temperature always equal to ambient: read off the wrong thermometer, or not at all."""
    rules = thresholds()["ambient"]
    oil, ambient = rows.numbers("oil_temperature_degC"), rows.numbers("ambient_temperature_degC")
    both = ~np.isnan(oil) & ~np.isnan(ambient)
    answer = []
    for site, own in rows.by_site:
        own = own[both[own]]
        if len(own) < rules["min_values"]:
            continue
        share = float((oil[own] == ambient[own]).mean())
        if share >= rules["share"]:
            words = {"site": site, "share": _percent(share), "n": len(own)}
            answer.append(
                note_site("temperature_is_ambient", "oil_temperature", int(rows.row[own[0]]), **words)
            )
    return answer


def cold_checks(rows: SiteRows, context: Context) -> list[Fault]:
    """Lifter checks never as warm as the engine is to be after warm-up, where a limit says how warm that is."""
    limit = context.limits.find("warmup_end_oil_temperature", "*", context.today.date())
    if limit is None or limit.low is None:
        return []
    rules = thresholds()["check_temperature"]
    values = rows.numbers("oil_temperature_degC")
    answer = []
    for site, own in rows.by_site:
        own = own[~np.isnan(values[own])]
        if len(own) >= rules["min_values"] and values[own].max() < limit.low - rules["cooled"]:
            words = {"site": site, "value": f"{limit.low - rules['cooled']:g}", "n": len(own)}
            answer.append(
                note_site("check_temperature_cold", "oil_temperature", int(rows.row[own[0]]), **words)
            )
    return answer


def only_findings(rows: SiteRows, context: Context) -> list[Fault]:
    """A site and quarter where every venting has a gap over the limit: probably only findings were recorded."""
    frame = rows.frame
    limit = context.limits.find("lifter_gap", "*", context.today.date())
    if limit is None or limit.high is None:
        return []
    first = frame[frame["check_no"] == 1]
    found = pd.Series(verdicts.is_over(first["gap_mm"], limit.high), first.index)
    over = found.groupby(first["venting_id"], sort=True).any()
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
    table["quarter"] = verdicts.quarters_of(table["date"])
    answer = []
    for (site, quarter), own in table.groupby(["site", "quarter"], sort=True):
        if len(own) >= thresholds()["selection"]["min_ventings"] and own["over"].all():
            words = {"site": site, "value": quarter, "n": len(own)}
            answer.append(note_site("every_job_a_finding", "gap", int(own["row"].iloc[0]), **words))
    return answer


def revisions(rows: SiteRows, context: Context) -> list[Fault]:
    """A change of the procedure's or the form's revision at a site."""
    answer = []
    for column in ("procedure_revision", "form_revision"):
        codes, names = pd.factorize(rows.frame[column])
        if len(names) < 2:
            continue
        for site, own in rows.by_site:
            own = own[codes[own] >= 0]
            own = own[np.argsort(rows.day[own], kind="stable")]
            for n in np.flatnonzero(np.diff(codes[own]))[:3]:
                before, after = own[n], own[n + 1]
                words = {
                    "low": names[codes[before]],
                    "value": names[codes[after]],
                    "high": str(np.datetime64(int(rows.day[after]), "D")),
                    "site": site,
                }
                answer.append(note_site("revision_changed", column, int(rows.row[after]), **words))
    return answer


def open_jobs(rows: SiteRows, context: Context) -> list[Fault]:
    """Jobs that were never closed: what belongs to them may still come in."""
    limit = thresholds()["open_jobs"]["days"]
    still = verdicts.is_open(rows.frame["closed"], rows.frame["site"])
    open_still = still.fillna(False).to_numpy(bool)
    today = context.today.to_datetime64().astype("datetime64[D]").astype(np.int64)
    old = open_still & (today - rows.day > limit)
    return [
        note_site("jobs_open", "closed", int(rows.row[late[0]]), site=site, n=len(late), high=limit)
        for site, own in rows.by_site
        if len(late := own[old[own]])
    ]


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
