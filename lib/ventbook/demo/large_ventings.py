"""Engines, ventings and starts of a large invented fleet, by columns. ``job`` holds a piece's columns, one value a venting."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from ventbook.demo.settings import (
    ambient_pressure,
    kinematic_viscosity,
    list_quarters,
    quarter_bounds,
    read_settings,
    rotations_to_pressure,
)
from ventbook.demo.ventings import ENGINE_COLUMNS, FORM_3, name_engine

PLACES = 12  # lifters of the largest engine
Array = Any  # of numpy, one value a venting or one row
Rng = np.random.Generator


class Engines:
    """The fleet's engines by column, and what each carries from venting to venting."""

    def __init__(self, ventings: int, rng: Rng) -> None:
        settings = read_settings()
        types, sites, physics = settings["engine_type"], settings["site"], settings["physics"]
        n = max(len(sites), round(ventings / settings["fleet"]["ventings_per_engine"]))
        self.kind = rng.choice(len(types), size=n, p=_shares(types))
        drawn = rng.choice(len(sites), size=n - len(sites), p=_shares(sites))
        self.site = np.concatenate([np.arange(len(sites)), drawn])
        names = [site["name"] for site in sites]
        self.id = np.array([name_engine(names[s], i) for i, s in enumerate(self.site, 1)], dtype=object)
        self.line_length = np.round(
            of_each(types, "suction_line_length_m")[self.kind] + rng.uniform(-0.5, 0.4, n), 1
        )
        self.line_bore = of_each(types, "suction_line_bore_mm")[self.kind] + rng.choice(
            [-1.0, 0.0, 1.0], n, p=[0.2, 0.6, 0.2]
        )
        near = rng.choice([-0.05, 0.0, 0.05], (2, n))
        cooler = np.round(of_each(types, "cooler_volume_L")[self.kind] + near[0], 2)
        self.cooler = np.where(rng.random(n) < 0.22, 0.0, cooler)
        self.filter = np.round(of_each(types, "filter_volume_L")[self.kind] + near[1], 2)
        self.head = np.round(rng.uniform(-0.45, 0.25, n), 2)
        spread = {part: np.exp(rng.normal(0, physics[f"{part}_efficiency_sd"], n)) for part in ("air", "oil")}
        self.air_efficiency = physics["air_efficiency"] * spread["air"]
        self.oil_efficiency = physics["oil_efficiency"] * spread["oil"]
        self.air = rng.normal(0, settings["air"]["engine_sd"], n)
        blades = [rng.choice(kind["propeller_blades"], n) for kind in types]
        self.blades = np.choose(self.kind, blades)
        self.hours = rng.uniform(0, 900, n)
        self.lots = np.array(
            [*settings["lots"]["before"], *settings["lots"]["good"], settings["plant"]["leaking_lot"]["lot"]],
            dtype=object,
        )
        self.lot = rng.integers(0, len(settings["lots"]["before"]), n)
        self.leak = np.full((n, PLACES), np.nan)
        self.serial = rng.integers(1000, 9999, n)
        self.told = np.zeros(n, dtype=bool)
        amount = physics["let_through"] * np.exp(rng.normal(0, physics["let_through_sd"], n))
        self.let_through = np.where(rng.random(n) < physics["letting_share"], amount, 0.0)

    def frame(self, rows: Array) -> pd.DataFrame:
        """The engines of these rows as a record table."""
        types = read_settings()["engine_type"]
        kind = self.kind[rows]
        columns = {c: np.array([t[c] for t in types])[kind] for c in ENGINE_COLUMNS}
        named = np.array([t["name"] for t in types], dtype=object)[kind]
        own = {"engine_id": self.id[rows], "engine_type": named, "propeller_blades": self.blades[rows]}
        return pd.DataFrame({**own, **columns, "valves_per_cylinder": 2})


def of_each(rows: list[dict[str, Any]], name: str, default: Any = None) -> Array:
    """A setting of every row, as an array."""
    return np.array([row.get(name, default) if default is not None else row[name] for row in rows])


def _shares(rows: list[dict[str, Any]]) -> Array:
    shares = of_each(rows, "share").astype(float)
    return np.asarray(shares / shares.sum())


def number_ventings(job: dict[str, Array], numbers: dict[tuple[int, int], int]) -> Array:
    """Numbers that each workshop counts up within a year."""
    sites = read_settings()["site"]
    year = job["date"].astype("datetime64[Y]").astype(int) + 1970
    ids = np.empty(year.size, dtype=object)
    for site, number_of in ((s, y) for s in range(len(sites)) for y in np.unique(year).tolist()):
        rows = np.flatnonzero((job["site"] == site) & (year == number_of))
        begin = numbers.get((site, number_of), 0)
        numbers[site, number_of] = begin + rows.size
        head = f"{sites[site]['prefix']}{number_of % 100}-"
        ids[rows] = [f"{head}{n:03d}" for n in range(begin + 1, begin + rows.size + 1)]
    return ids


def describe_state(job: dict[str, Array], engines: Engines, plant: tuple[str, ...], rng: Rng) -> None:
    settings = read_settings()
    reasons, sites, types = settings["reason"], settings["site"], settings["engine_type"]
    n, owner = job["date"].size, job["owner"]
    reason = rng.choice(len(reasons), n, p=_shares(reasons))
    names = of_each(reasons, "name")
    new = of_each(reasons, "new_lifters", False)[reason]
    bad, physics = settings["plant"]["leaking_lot"], settings["physics"]
    leaking = rng.random((n, PLACES)) < bad["leaking_share"]
    speed = np.exp(rng.normal(math.log(bad["leak_um_per_s"]), bad["leak_sd"], (n, PLACES)))
    lot, step = _choose_lots(job["date"], engines, rng), rng.gamma(2.0, 40.0, n)
    reset = np.isin(names, ["new_engine", "overhauled_engine"])[reason]
    bad_lot = len(engines.lots) - 1
    job["hours"], job["lot"] = np.zeros(n), np.zeros(n, dtype=np.int64)
    job["leak"], job["serial"] = np.zeros((n, PLACES)), np.zeros(n, dtype=np.int64)
    for rows in _turns(owner):  # an engine's second venting of a piece after its first
        own = owner[rows]
        engines.hours[own] = np.where(reset[rows], 0.0, engines.hours[own] + step[rows])
        engines.lot[own] = np.where(new[rows], lot[rows], engines.lot[own])
        fitted = rows[new[rows] | np.isnan(engines.leak[own, 0])]
        into = owner[fitted]
        leaks = leaking[fitted] & ((engines.lot[into] == bad_lot) & ("leaking_lot" in plant))[:, None]
        engines.leak[into] = np.where(leaks, speed[fitted], physics["wall_leak_um_per_s"])
        engines.serial[into] = rng.integers(1000, 9999, into.size)
        job["hours"][rows], job["lot"][rows] = engines.hours[own], engines.lot[own]
        job["leak"][rows], job["serial"][rows] = engines.leak[own], engines.serial[own]
    day = job["date"]
    of_year = (day - day.astype("datetime64[Y]")).astype(int) + 1
    warmth = np.sin(2 * np.pi * (of_year - 105) / 365.25)
    lake = of_each(sites, "name")[job["site"]] == "Lake"
    ambient = np.round(np.where(lake, 12 + 9 * warmth, 18 + 4 * warmth) + rng.normal(0, 2, n))
    usual = of_each(types, "oil_grade")[job["kind"]].astype(object)
    job |= {
        "reason": names.astype(object)[reason],
        "drained": rng.random(n) < of_each(reasons, "gallery_drained")[reason],
        "wetted": rng.random(n) < of_each(reasons, "pump_wetted")[reason],
        "new_lifters": new,
        "lines_empty": rng.random(n) < of_each(reasons, "lines_empty")[reason],
        "cooler_empty": (engines.cooler[owner] > 0)
        & (rng.random(n) < of_each(reasons, "cooler_empty")[reason]),
        "filter_new": rng.random(n) < of_each(reasons, "filter_new")[reason],
        "oil_grade": np.where(
            rng.random(n) < 0.85, usual, rng.choice(np.array(["15W-40", "20W-50"], object), n)
        ),
        "ambient_temperature_degC": ambient,
        "oil_temperature_degC": np.round(ambient + rng.uniform(0, 4, n)),
        "elevation_m": of_each(sites, "elevation_m").astype(float)[job["site"]],
        "tank_head_m": np.round(engines.head[owner] + rng.normal(0, 0.03, n), 2),
        "suction_line_length_m": engines.line_length[owner],
        "suction_line_bore_mm": engines.line_bore[owner],
        "cooler_volume_L": engines.cooler[owner],
        "filter_volume_L": engines.filter[owner],
        "lake": lake,
    }


def _turns(owner: Array) -> list[Array]:
    """Rows of the first venting of each engine, of the second, ..."""
    turn = pd.Series(owner).groupby(owner).cumcount().to_numpy()
    return [np.flatnonzero(turn == k) for k in range(int(turn.max(initial=-1)) + 1)]


def _choose_lots(day: Array, engines: Engines, rng: Rng) -> Array:
    """The lot that is fitted on a day, as a place in ``engines.lots``."""
    settings = read_settings()
    bad, lots = settings["plant"]["leaking_lot"], settings["lots"]
    month = day.astype("datetime64[M]").astype(int)
    month -= np.datetime64(quarter_bounds(list_quarters()[0])[0], "M").astype(int)
    good = len(lots["before"]) + np.minimum(month // lots["months"], len(lots["good"]) - 1)
    fits = (np.datetime64(bad["first"]) <= day) & (day < np.datetime64(bad["last"]))
    drawn = rng.random(day.size) < bad["share_of_fittings"]
    return np.where(fits & drawn, len(engines.lots) - 1, good)


def choose_pressure(job: dict[str, Array], plant: tuple[str, ...], rng: Rng) -> None:
    sites, habits = read_settings()["site"], read_settings()["habits"]
    when_empty = of_each(sites, "pressurises_when_empty")
    when_lines = np.array([s.get("pressurises_when_lines_empty", s["pressurises_when_empty"]) for s in sites])
    if "tank_not_pressurised" not in plant:
        when_empty = when_lines
    share = np.select(
        [job["cooler_empty"], job["lines_empty"]],
        [when_empty[job["site"]], when_lines[job["site"]]],
        of_each(sites, "pressurises_when_filled")[job["site"]],
    )
    n = share.size
    pressed = rng.random(n) < share
    job["tank_overpressure_bar"] = np.where(pressed, np.round(rng.choice(habits["tank_bar"], n), 2), 0.0)
    job["pressurised_before_turning_s"] = np.where(pressed, rng.choice(habits["tank_s"], n), np.nan)


def turn(job: dict[str, Array], engines: Engines, rng: Rng) -> None:
    settings = read_settings()
    sites, types, habits = settings["site"], settings["engine_type"], settings["habits"]
    physics = settings["physics"]
    n, site, kind, owner = job["date"].size, job["site"], job["kind"], job["owner"]
    starter = rng.random(n) < of_each(sites, "starter_share")[site]
    speed = np.where(starter, rng.uniform(80, 110, n), rng.uniform(24, 36, n))
    line_L = math.pi / 4 * job["suction_line_bore_mm"] ** 2 * job["suction_line_length_m"] * 1e-3
    needed = rotations_to_pressure(
        line_L=np.where(job["lines_empty"], line_L, 0.0),
        cooler_L=np.where(job["cooler_empty"], job["cooler_volume_L"], 0.0),
        behind_pump_L=of_each(types, "gallery_volume_cm3")[kind]
        * 1e-3
        * np.where(job["drained"], 1.0, physics["kept_gallery_share"])
        + np.where(job["filter_new"], job["filter_volume_L"], 0.0),
        let_through=engines.let_through[owner] * np.where(job["wetted"], physics["wetted_lets"], 1.0),
        under_pressure_s=np.nan_to_num(job["pressurised_before_turning_s"]),
        displacement_cm3=of_each(types, "pump_displacement_cm3")[kind],
        air_efficiency=engines.air_efficiency[owner],
        oil_efficiency=engines.oil_efficiency[owner],
        ambient_Pa=np.array([ambient_pressure(s["elevation_m"]) for s in sites])[site],
        overpressure_bar=job["tank_overpressure_bar"],
        head_m=job["tank_head_m"],
        line_length_m=job["suction_line_length_m"],
        line_bore_mm=job["suction_line_bore_mm"],
        viscosity_mm2_s=_viscosities(job["oil_grade"], job["oil_temperature_degC"]),
        speed_rpm=speed,
    ) * np.exp(rng.normal(0, physics["rotations_sd"], n))
    middle, spread = habits["patience_rotations"]
    patience = rng.normal(middle, spread, n)
    broken = (rng.random(n) < 0.02) * rng.uniform(0.4, 0.9, n)
    patience = np.where(broken > 0, np.minimum(patience, needed * np.where(broken > 0, broken, 1)), patience)
    shown = needed <= patience
    crank = np.where(shown, needed, patience)
    reduction = of_each(types, "propeller_reduction")[kind]
    counted = of_each(sites, "counted_at")[site]
    per_crank = np.select(
        [counted == "crankshaft", counted == "propeller"],
        [1.0, 1 / reduction],
        engines.blades[owner] / reduction,
    )
    count, heap = np.ceil(crank * per_crank), of_each(sites, "heap")[site]
    heaped = rng.random(n) < of_each(sites, "heap_share")[site]
    count = np.where(heaped, np.maximum(heap, np.round(count / heap) * heap), count)
    threshold = rng.choice(habits["threshold_bar"], n, p=habits["threshold_shares"])
    steady = rng.choice(np.array(["steady", "flickered", "lost_and_back"], object), n, p=[0.9, 0.08, 0.02])
    after = np.maximum(0, np.round(rng.normal(15, 6, n) * per_crank))
    job |= {
        "turned_by": np.where(starter, "starter", "hand").astype(object),
        "turning_speed_rpm": np.where(counted != "blade", np.round(speed * per_crank), np.nan),
        "plugs_removed": rng.random(n) < 0.97,
        "rotations": count,
        "rotations_counted_at": counted.astype(object),
        "rotations_after_pressure": np.where(shown, after, np.nan),
        "pressure_threshold_bar": threshold,
        "pressure_steady": np.where(shown, steady, None),
        "pressure_shown": shown,
        "pressure_at_stop_bar": np.where(shown, np.round(threshold + rng.uniform(0.2, 1.4, n), 1), 0.0),
        "tank_ran_low": rng.random(n) < 0.02,
        "turned_backwards": rng.random(n) < 0.02,
        "rest_before_start_h": np.round(rng.lognormal(math.log(4), 0.9, n), 1),
        "rotations_crank": crank,
        "per_crank": per_crank,
        "crank_speed": speed,
    }


def _viscosities(grade: Array, temperature_degC: Array) -> Array:
    """Temperatures are whole degrees, so there are few pairs."""
    oils = read_settings()["oil_kinematic"]
    pairs = pd.MultiIndex.from_arrays([grade, temperature_degC])
    code, found = pairs.factorize()
    return np.array([kinematic_viscosity(t, *oils[g]) for g, t in found])[code]


def note_papers(job: dict[str, Array], rng: Rng) -> None:
    n, day = job["date"].size, job["date"]
    people = [site["technicians"] for site in read_settings()["site"]]
    remarks = np.full(n, None, dtype=object)
    noted = rng.random(n) < 0.05
    texts = np.array(
        ["count checked by two", "gauge line bled first", '=filter dated 03/2025, "as new"'], object
    )
    remarks[noted] = rng.choice(texts, int(noted.sum()))
    remarks[job["tank_ran_low"]] = "oil level under the mark, topped up and went on"
    remarks[job["turned_backwards"]] = "propeller swung back once while turning"
    drawn = rng.random(n)
    technician = np.empty(n, dtype=object)
    for site, names in enumerate(people):
        rows = job["site"] == site
        technician[rows] = np.array(names, object)[(drawn[rows] * len(names)).astype(int)]
    for name, state in (("gallery_drained", "drained"), ("pump_wetted", "wetted")):
        forgotten = rng.random(n) < of_each(read_settings()["site"], "missing")[job["site"]]
        job[name] = pd.arrays.BooleanArray(job[state], forgotten | (day < np.datetime64(FORM_3)))
    job |= {
        "technician": technician,
        "crank_rest": rng.choice(np.array(["blade up", "blade level", "cylinder 1 at top"], object), n),
        "procedure_revision": np.where(day < np.datetime64("2025-07-01"), "C", "D").astype(object),
        "form_revision": np.where(day < np.datetime64(FORM_3), "2", "3").astype(object),
        "recorded_because": np.where(rng.random(n) < 0.97, "every_job", "not_known").astype(object),
        "remarks": remarks,
    }


def add_causes(job: dict[str, Array], quarter: int, plant: tuple[str, ...]) -> None:
    """Log-odds of air in a lifter that each planted cause adds to the base."""
    settings = read_settings()
    air, worse = settings["air"], settings["plant"]["worsening_site"]
    bare = job["tank_overpressure_bar"] == 0
    tank = np.select(
        [bare & job["cooler_empty"], bare & job["lines_empty"]],
        [air["tank_not_pressurised"], air["lines_not_pressurised"]],
        0.0,
    )
    here = of_each(settings["site"], "name")[job["site"]] == worse["site"]
    job["cause_tank_not_pressurised"] = tank * ("tank_not_pressurised" in plant)
    job["cause_worsening_site"] = here * (worse["per_quarter"] * quarter * ("worsening_site" in plant))
    job["fixed"] = job["cause_tank_not_pressurised"] + job["cause_worsening_site"]


def draw_first_starts(job: dict[str, Array], rng: Rng) -> pd.DataFrame:
    times, n = read_settings()["times"], job["date"].size
    spread = rng.normal(0, times["venting_sd"], n) + times["engine_sd"] * job["air"] / 0.45
    time = times["first_start_s"] * np.exp(spread + times["air_effect"] * job["fixed"])
    hours = rng.uniform(8, 15, n) + job["rest_before_start_h"]
    job["started"] = job["date"].astype("datetime64[m]") + (hours * 60).astype("timedelta64[m]")
    earliest, latest = times["gives_up_s"]
    gives_up = rng.uniform(earliest, latest, n)
    job["shown"] = time <= gives_up
    job["time_to_pressure"] = np.minimum(time, gives_up)
    return draw_starts(job, np.arange(n), 1, job["time_to_pressure"], job["shown"], rng)


def draw_starts(
    job: dict[str, Array],
    rows: Array,
    number: Array | int,
    time_s: Array,
    shown: Array,
    rng: Rng,
    *,
    extra: bool = False,
) -> pd.DataFrame:
    """One start of each of these ventings; ``extra`` makes it an extra run."""
    settings, n = read_settings(), rows.size
    times, habits = settings["times"], settings["habits"]
    number = np.broadcast_to(number, n)
    turbo = of_each(settings["engine_type"], "turbocharged")[job["kind"][rows]] & shown
    flow = times["return_flow_s"] * np.exp(
        rng.normal(0, times["return_flow_sd"], n) + 0.08 * job["fixed"][rows]
    )
    waited, lake = times["return_flow_waited_s"], job["lake"][rows]
    later = np.where(number > 1, rng.integers(50, 120, n), 0).astype("timedelta64[m]")
    job["started"][rows] += later
    hold = np.where(
        lake,
        rng.choice(habits["first_hold_s"], n, p=habits["first_hold_shares_short"]),
        rng.choice(habits["first_hold_s"], n, p=habits["first_hold_shares"]),
    )
    coldest, warmest = habits["warm_degC"]
    warm = np.round(rng.uniform(np.where(lake, habits["warm_short_degC"], coldest), warmest))
    ran = shown & (not extra)
    empty = np.full(n, np.nan)

    def speed(about: tuple[float, float]) -> Array:
        return np.round(rng.normal(*about, n) / 10) * 10

    return pd.DataFrame(
        {
            "venting_id": job["venting_id"][rows],
            "start_no": number,
            "started_at": job["started"][rows],
            "time_to_pressure_s": np.maximum(0.5, np.round(time_s / 0.5) * 0.5),
            "pressure_shown": shown,
            "reading_step_s": 0.5,
            "return_flow_time_s": np.where(turbo, np.round(np.minimum(flow, waited) / 0.5) * 0.5, np.nan),
            "return_flow_seen": pd.arrays.BooleanArray(flow < waited, ~turbo),
            "first_hold_speed_rpm": np.where(ran, speed(habits["first_hold_rpm"]), np.nan),
            "first_hold_s": np.where(ran, hold, np.nan),
            "warmup_speed_max_rpm": np.where(ran, speed(habits["warmup_rpm"]), np.nan),
            "warmup_end_oil_temperature_degC": np.where(ran, warm, np.nan),
            "extra_run_speed_rpm": speed(habits["extra_run_rpm"]) if extra else empty,
            "extra_run_s": rng.choice(np.array(habits["extra_run_s"], float), n, p=habits["extra_run_shares"])
            if extra
            else empty,
        }
    )
