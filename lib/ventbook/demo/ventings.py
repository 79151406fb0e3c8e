"""Engines and ventings of the invented fleet, its engine starts, and the traces of workshops that have a logger."""

from __future__ import annotations

import math
from datetime import date, datetime, timedelta
from functools import partial
from typing import Any

import numpy as np

from ventbook.demo.settings import (
    ambient_pressure,
    kinematic_viscosity,
    list_quarters,
    quarter_bounds,
    read_settings,
    rotations_to_pressure,
)
from ventbook.model.verdicts import quarter_of

ENGINE_COLUMNS = (
    "cylinders",
    "turbocharged",
    "pump_displacement_cm3",
    "propeller_reduction",
    "rocker_ratio",
    "plunger_diameter_mm",
    "plunger_spring_force_N",
    "plunger_spring_rate_N_per_mm",
    "plunger_travel_mm",
    "feed_order",
)

FORM_3 = date(2025, 4, 1)
IDLE_RPM, COLD_BAR = 1050.0, 4.4


def draw_engines(ventings: int, rng: np.random.Generator) -> list[dict[str, Any]]:
    """The engines of the fleet, each with its hidden traits under keys that begin with an underscore."""
    settings = read_settings()
    count = max(len(settings["site"]), round(ventings / settings["fleet"]["ventings_per_engine"]))
    types, sites, physics = settings["engine_type"], settings["site"], settings["physics"]
    type_of = rng.choice(len(types), size=count, p=_shares(types))
    site_of = np.concatenate(
        [np.arange(len(sites)), rng.choice(len(sites), size=count - len(sites), p=_shares(sites))]
    )
    engines = []
    for number in range(count):
        kind, site = types[type_of[number]], sites[site_of[number]]
        engine = {"engine_id": name_engine(site["name"], number + 1), "engine_type": kind["name"]}
        engine |= {column: kind[column] for column in ENGINE_COLUMNS}
        engine |= {
            "valves_per_cylinder": 2,
            "propeller_blades": int(rng.choice(kind["propeller_blades"])),
            "_kind": kind,
            "_site": site,
            "_line_length": round(kind["suction_line_length_m"] + float(rng.uniform(-0.5, 0.4)), 1),
            "_line_bore": kind["suction_line_bore_mm"]
            + float(rng.choice([-1.0, 0.0, 1.0], p=[0.2, 0.6, 0.2])),
            "_cooler": 0.0
            if rng.random() < 0.22
            else round(kind["cooler_volume_L"] + float(rng.choice([-0.05, 0.0, 0.05])), 2),
            "_filter": round(kind["filter_volume_L"] + float(rng.choice([-0.05, 0.0, 0.05])), 2),
            "_head": round(float(rng.uniform(-0.45, 0.25)), 2),
            "_air_efficiency": physics["air_efficiency"]
            * math.exp(rng.normal(0, physics["air_efficiency_sd"])),
            "_oil_efficiency": physics["oil_efficiency"]
            * math.exp(rng.normal(0, physics["oil_efficiency_sd"])),
            "_air": float(rng.normal(0, settings["air"]["engine_sd"])),
            "_hours": float(rng.uniform(0, 900)),
            "_lot": str(rng.choice(settings["lots"]["before"])),
        }
        engines.append(engine)
    return engines


def draw_pumps(engines: list[dict[str, Any]], rng: np.random.Generator) -> None:
    """Which engines' pumps let air through, and how much: ``_let_through``, displacements a second and bar."""
    physics = read_settings()["physics"]
    for engine in engines:
        lets, amount = rng.random() < physics["letting_share"], rng.normal(0, physics["let_through_sd"])
        engine["_let_through"] = physics["let_through"] * math.exp(amount) if lets else 0.0


def draw_ventings(
    engines: list[dict[str, Any]],
    ventings: int,
    plant: tuple[str, ...],
    rng: np.random.Generator,
    pumps: np.random.Generator,
) -> list[dict[str, Any]]:
    """One dict a venting in order of date: its columns, and hidden truth under keys that begin with ``_``.

    ``pumps`` draws what is known of pump and galleries before turning.
    """
    settings = read_settings()
    quarters = list_quarters()
    first, last = quarter_bounds(quarters[0])[0], quarter_bounds(quarters[-1])[1]
    days = np.sort(rng.integers(0, (last - first).days, size=ventings))
    owner = np.concatenate(
        [np.arange(len(engines)), rng.integers(0, len(engines), size=max(0, ventings - len(engines)))]
    )
    owner = rng.permutation(owner[:ventings])
    numbers: dict[tuple[str, int], int] = {}
    rows = []
    for day, engine_no in zip(days, owner, strict=True):
        on = first + timedelta(days=int(day))
        engine = engines[engine_no]
        key = (engine["_site"]["prefix"], on.year)
        numbers[key] = numbers.get(key, 0) + 1
        row = {"venting_id": f"{key[0]}{on.year % 100}-{numbers[key]:03d}", "engine_id": engine["engine_id"]}
        row |= {"date": on, "site": engine["_site"]["name"], "_engine": engine, "_quarter": quarter_of(on)}
        _describe_state(row, engine, plant, rng, settings)
        _choose_pressure(row, engine, plant, rng)
        _describe_pump(row, pumps)
        _turn(row, engine, rng, pumps, settings)
        _note_papers(row, engine, rng)
        row["_causes"] = _fixed_causes(row, plant, settings)
        row["_fixed"] = sum(row["_causes"].values())
        rows.append(row)
    return rows


def _shares(rows: list[dict[str, Any]]) -> np.ndarray:
    shares = np.array([row["share"] for row in rows], dtype=float)
    return shares / shares.sum()


def name_engine(site: str, number: int) -> str:
    """Each workshop numbers in its own way; some numbers look like numbers and are not (007, 4.10)."""
    forms = {"Harbour": f"{number:03d}", "Ridge": f"R-{number:03d}", "Plain": f"P{number:03d}"}
    return forms.get(site, f"4.{number}")


def _describe_state(
    row: dict[str, Any],
    engine: dict[str, Any],
    plant: tuple[str, ...],
    rng: np.random.Generator,
    settings: dict[str, Any],
) -> None:
    reason = settings["reason"][rng.choice(len(settings["reason"]), p=_shares(settings["reason"]))]
    engine["_hours"] += float(rng.gamma(2.0, 40.0))
    if reason["name"] in ("new_engine", "overhauled_engine"):
        engine["_hours"] = 0.0
    if reason.get("new_lifters"):
        engine["_lot"] = _choose_lot(row["date"], rng, settings)
    warmth = math.sin(2 * math.pi * (row["date"].timetuple().tm_yday - 105) / 365.25)
    lake = row["site"] == "Lake"
    ambient = round(float((12 if lake else 18) + (9 if lake else 4) * warmth + rng.normal(0, 2)))
    row |= {
        "reason": reason["name"],
        "hours_since_overhaul_h": round(engine["_hours"]),
        "lifter_lot": engine["_lot"],
        "suction_line_length_m": engine["_line_length"],
        "suction_line_bore_mm": engine["_line_bore"],
        "cooler_volume_L": engine["_cooler"],
        "filter_volume_L": engine["_filter"],
        "lines_empty": bool(rng.random() < reason["lines_empty"]),
        "cooler_empty": bool(engine["_cooler"] > 0 and rng.random() < reason["cooler_empty"]),
        "filter_new": bool(rng.random() < reason["filter_new"]),
        "oil_grade": engine["_kind"]["oil_grade"]
        if rng.random() < 0.85
        else str(rng.choice(["15W-40", "20W-50"])),
        "ambient_temperature_degC": float(ambient),
        "oil_temperature_degC": float(round(ambient + rng.uniform(0, 4))),
        "elevation_m": float(engine["_site"]["elevation_m"]),
        "tank_head_m": round(engine["_head"] + float(rng.normal(0, 0.03)), 2),
        "_new_lifters": bool(reason.get("new_lifters")),
        "_reason": reason,
    }


def _choose_lot(on: date, rng: np.random.Generator, settings: dict[str, Any]) -> str:
    bad = settings["plant"]["leaking_lot"]
    drawn = rng.random()
    # The lot is fitted in an innocent fleet too; only its leak is planted.
    if (
        date.fromisoformat(bad["first"]) <= on < date.fromisoformat(bad["last"])
        and drawn < bad["share_of_fittings"]
    ):
        return str(bad["lot"])
    start = quarter_bounds(list_quarters()[0])[0]
    months = (on.year - start.year) * 12 + on.month - start.month
    good = settings["lots"]["good"]
    return str(good[min(months // settings["lots"]["months"], len(good) - 1)])


def _choose_pressure(
    row: dict[str, Any], engine: dict[str, Any], plant: tuple[str, ...], rng: np.random.Generator
) -> None:
    """Whether the tank is put under pressure: mostly where lines or cooler are empty."""
    site = engine["_site"]
    if row["cooler_empty"]:
        share = site["pressurises_when_empty"]
        if row["site"] == "Plain" and "tank_not_pressurised" not in plant:
            share = site["pressurises_when_lines_empty"]
    elif row["lines_empty"]:
        share = site.get("pressurises_when_lines_empty", site["pressurises_when_empty"])
    else:
        share = site["pressurises_when_filled"]
    pressed, habits = bool(rng.random() < share), read_settings()["habits"]
    row["tank_overpressure_bar"] = round(float(rng.choice(habits["tank_bar"])), 2) if pressed else 0.0
    row["pressurised_before_turning_s"] = float(rng.choice(habits["tank_s"])) if pressed else math.nan


def _describe_pump(row: dict[str, Any], rng: np.random.Generator) -> None:
    """Whether galleries had run empty and the pump held oil; asked for since the form's revision 3, and sometimes forgotten."""
    names = ("gallery_drained", "pump_wetted")
    state = {name: bool(rng.random() < row["_reason"][name]) for name in names}
    noted = rng.random(len(names)) >= row["_engine"]["_site"]["missing"]
    asked = row["date"] >= FORM_3
    row["_state"] = state
    row |= {name: state[name] if asked and kept else None for name, kept in zip(names, noted, strict=True)}


def _turn(
    row: dict[str, Any],
    engine: dict[str, Any],
    rng: np.random.Generator,
    pumps: np.random.Generator,
    settings: dict[str, Any],
) -> None:
    """Turning until pressure shows or patience ends; the count as the workshop writes it down."""
    site, kind, physics, state = engine["_site"], engine["_kind"], settings["physics"], row["_state"]
    pressed_s = row["pressurised_before_turning_s"]
    under_pressure_s = 0.0 if math.isnan(pressed_s) else pressed_s
    starter = bool(rng.random() < site["starter_share"])
    crank_speed = float(rng.uniform(80, 110) if starter else rng.uniform(24, 36))
    viscosity = kinematic_viscosity(row["oil_temperature_degC"], *settings["oil_kinematic"][row["oil_grade"]])
    line_L = math.pi / 4 * row["suction_line_bore_mm"] ** 2 * row["suction_line_length_m"] * 1e-3
    filter_L = row["filter_volume_L"] if row["filter_new"] else 0.0
    gallery_L = kind["gallery_volume_cm3"] * 1e-3
    turning = partial(
        rotations_to_pressure,
        line_L=line_L if row["lines_empty"] else 0.0,
        cooler_L=row["cooler_volume_L"] if row["cooler_empty"] else 0.0,
        displacement_cm3=engine["pump_displacement_cm3"],
        air_efficiency=engine["_air_efficiency"],
        oil_efficiency=engine["_oil_efficiency"],
        ambient_Pa=ambient_pressure(row["elevation_m"]),
        overpressure_bar=row["tank_overpressure_bar"],
        head_m=row["tank_head_m"],
        line_length_m=row["suction_line_length_m"],
        line_bore_mm=row["suction_line_bore_mm"],
        viscosity_mm2_s=viscosity,
        speed_rpm=crank_speed,
    )
    scatter = math.exp(rng.normal(0, physics["rotations_sd"]))
    sealed = turning(behind_pump_L=gallery_L + filter_L) * scatter
    needed = scatter * turning(
        behind_pump_L=gallery_L * (1.0 if state["gallery_drained"] else physics["kept_gallery_share"])
        + filter_L,
        let_through=engine["_let_through"] * (physics["wetted_lets"] if state["pump_wetted"] else 1.0),
        under_pressure_s=under_pressure_s,
    )
    habits = settings["habits"]
    patience_alone = float(rng.normal(*habits["patience_rotations"]))
    broken_off = float(rng.uniform(0.4, 0.9)) if rng.random() < 0.02 else math.inf  # something came between
    patience = min(patience_alone, needed * broken_off)
    shown = needed <= patience
    crank = needed if shown else patience
    per_crank = {"crankshaft": 1.0, "propeller": 1 / engine["propeller_reduction"]}.get(
        site["counted_at"], engine["propeller_blades"] / engine["propeller_reduction"]
    )
    count = math.ceil(crank * per_crank)
    if rng.random() < site["heap_share"]:
        count = max(site["heap"], round(count / site["heap"]) * site["heap"])
    threshold = float(rng.choice(habits["threshold_bar"], p=habits["threshold_shares"]))
    steadiness = rng.choice(["steady", "flickered", "lost_and_back"], p=[0.9, 0.08, 0.02])
    plugs_removed = bool(rng.random() < 0.97)
    # The rest of the fleet stays as it is, whichever pumps let air through.
    own = rng if sealed <= min(patience_alone, sealed * broken_off) else pumps
    after, above = own.normal(15, 6), float(own.uniform(0.2, 1.4))
    row |= {
        "turned_by": "starter" if starter else "hand",
        # Blade passes a minute would be read as revolutions: where blades are counted nobody writes a speed.
        "turning_speed_rpm": float(round(crank_speed * per_crank))
        if site["counted_at"] != "blade"
        else math.nan,
        "plugs_removed": plugs_removed,
        "rotations": count,
        "rotations_counted_at": site["counted_at"],
        "rotations_after_pressure": max(0, round(after * per_crank)) if shown else None,
        "pressure_threshold_bar": threshold,
        "pressure_steady": str(steadiness) if shown else None,
        "pressure_shown": shown,
        "pressure_at_stop_bar": round(threshold + above, 1) if shown else 0.0,
        "tank_ran_low": bool(rng.random() < 0.02),
        "turned_backwards": bool(rng.random() < 0.02),
        "rest_before_start_h": round(float(rng.lognormal(math.log(4), 0.9)), 1),
        "_rotations_crank": crank,
        "_rotations_needed": needed,
        "_per_crank": per_crank,
        "_crank_speed": crank_speed,
    }


def _note_papers(row: dict[str, Any], engine: dict[str, Any], rng: np.random.Generator) -> None:
    site = engine["_site"]
    row |= {
        "technician": str(rng.choice(site["technicians"])),
        "crank_rest": str(rng.choice(["blade up", "blade level", "cylinder 1 at top"])),
        "procedure_revision": "C" if row["date"] < date(2025, 7, 1) else "D",
        "form_revision": "2" if row["date"] < FORM_3 else "3",
        "recorded_because": "every_job" if rng.random() < 0.97 else "not_known",
        "remarks": None,
    }
    if row["turned_backwards"]:
        row["remarks"] = "propeller swung back once while turning"
    elif row["tank_ran_low"]:
        row["remarks"] = "oil level under the mark, topped up and went on"
    elif rng.random() < 0.05:
        helper = str(rng.choice(site["technicians"]))
        row["remarks"] = str(
            rng.choice(
                [f"count checked with {helper}", "gauge line bled first", '=filter dated 03/2025, "as new"']
            )
        )


def _fixed_causes(row: dict[str, Any], plant: tuple[str, ...], settings: dict[str, Any]) -> dict[str, float]:
    """Log-odds of trapped air in one lifter that each of this venting's planted causes adds to the base."""
    air, found = settings["air"], {}
    if "tank_not_pressurised" in plant and row["tank_overpressure_bar"] == 0:
        if row["cooler_empty"]:
            found["tank_not_pressurised"] = air["tank_not_pressurised"]
        elif row["lines_empty"]:
            found["tank_not_pressurised"] = air["lines_not_pressurised"]
    if "worsening_site" in plant and row["site"] == settings["plant"]["worsening_site"]["site"]:
        quarters = list_quarters().index(row["_quarter"])
        found["worsening_site"] = settings["plant"]["worsening_site"]["per_quarter"] * quarters
    return found


def draw_first_start(row: dict[str, Any], rng: np.random.Generator) -> list[dict[str, Any]]:
    """The first start, and a second one where the first was shut down without pressure.

    The hidden time to pressure is log-normal and longer where the venting left air; it is kept in ``row``.
    """
    times = read_settings()["times"]
    engine = row["_engine"]
    spread = rng.normal(0, times["venting_sd"]) + times["engine_sd"] * engine["_air"] / 0.45
    row["_time_to_pressure"] = times["first_start_s"] * math.exp(spread + times["air_effect"] * row["_fixed"])
    begin = datetime.combine(row["date"], datetime.min.time()) + timedelta(hours=float(rng.uniform(8, 15)))
    begin += timedelta(hours=row["rest_before_start_h"])
    row["_started"] = begin.replace(second=0, microsecond=0)
    gives_up = float(rng.uniform(*times["gives_up_s"]))
    starts = []
    if row["_time_to_pressure"] > gives_up:
        starts.append(_start(row, 1, gives_up, shown=False, rng=rng))
        row["_time_to_pressure"] = gives_up
        row["_shown"] = False
        again = float(rng.lognormal(math.log(times["second_start_s"]), 0.3))
        starts.append(_start(row, 2, again, shown=True, rng=rng))
    else:
        row["_shown"] = True
        starts.append(_start(row, 1, row["_time_to_pressure"], shown=True, rng=rng))
    return starts


def add_extra_run(row: dict[str, Any], starts: list[dict[str, Any]], rng: np.random.Generator) -> int:
    """Appends the start with the extra run; returns its number."""
    times, habits = read_settings()["times"], read_settings()["habits"]
    number = len(starts) + 1
    warm = float(rng.lognormal(math.log(times["extra_run_start_s"]), 0.25))
    start = _start(row, number, warm, shown=True, rng=rng)
    start |= dict.fromkeys(("first_hold_speed_rpm", "first_hold_s", "warmup_speed_max_rpm"), math.nan)
    start |= {
        "warmup_end_oil_temperature_degC": math.nan,
        "extra_run_speed_rpm": _speed(habits["extra_run_rpm"], rng),
        "extra_run_s": float(rng.choice(habits["extra_run_s"], p=habits["extra_run_shares"])),
    }
    starts.append(start)
    return number


def _start(
    row: dict[str, Any], number: int, time_s: float, *, shown: bool, rng: np.random.Generator
) -> dict[str, Any]:
    times, habits = read_settings()["times"], read_settings()["habits"]
    lake = row["site"] == "Lake"
    shares = habits["first_hold_shares_short" if lake else "first_hold_shares"]
    coldest, warmest = habits["warm_degC"]
    coldest = habits["warm_short_degC"] if lake else coldest
    turbo = bool(row["_engine"]["turbocharged"]) and shown
    flow = times["return_flow_s"] * math.exp(rng.normal(0, times["return_flow_sd"]) + 0.08 * row["_fixed"])
    longest = times["return_flow_waited_s"]
    seen = flow < longest
    row["_started"] += timedelta(minutes=0 if number == 1 else int(rng.integers(50, 120)))
    begin = row["_started"]
    return {
        "venting_id": row["venting_id"],
        "start_no": number,
        "started_at": begin,
        "time_to_pressure_s": max(0.5, round(time_s / 0.5) * 0.5),
        "pressure_shown": shown,
        "reading_step_s": 0.5,
        "return_flow_time_s": round(min(flow, longest) / 0.5) * 0.5 if turbo else math.nan,
        "return_flow_seen": seen if turbo else None,
        "first_hold_speed_rpm": _speed(habits["first_hold_rpm"], rng) if shown else math.nan,
        "first_hold_s": float(rng.choice(habits["first_hold_s"], p=shares)) if shown else math.nan,
        "warmup_speed_max_rpm": _speed(habits["warmup_rpm"], rng) if shown else math.nan,
        "warmup_end_oil_temperature_degC": float(round(rng.uniform(coldest, warmest))) if shown else math.nan,
        "extra_run_speed_rpm": math.nan,
        "extra_run_s": math.nan,
    }


def _speed(about: tuple[float, float], rng: np.random.Generator) -> float:
    """A speed as read from a dial in steps of ten, from its middle and its spread."""
    return float(round(rng.normal(*about) / 10) * 10)


def draw_traces(
    row: dict[str, Any], start: dict[str, Any], rng: np.random.Generator
) -> list[dict[str, np.ndarray]]:
    """Traces of turning by hand (start_no 0) and of the first start, as column arrays; empty where none was logged."""
    site = row["_engine"]["_site"]
    if rng.random() >= site.get("logger_share", 0.0):
        return []
    row["_logged"] = True
    step = 1.0 / site["logger_hz"]
    traces = []
    if row["turned_by"] == "hand" and row["pressure_shown"]:
        traces.append(_turning_trace(row, step, rng))
    traces.append(_start_trace(row, start, step, rng))
    return traces


def _turning_trace(row: dict[str, Any], step: float, rng: np.random.Generator) -> dict[str, np.ndarray]:
    speed = row["_crank_speed"]
    before = row["_rotations_crank"] / speed * 60.0
    after = (row["rotations_after_pressure"] or 0) / row["_per_crank"] / speed * 60.0
    lead = float(rng.uniform(3, 8))  # seconds logged before turning begins
    t = np.arange(0.0, lead + before + after + 5.0, step)
    turning = (t >= lead) & (t < lead + before + after)
    rpm = np.where(turning, speed + rng.normal(0, 1.5, t.size), 0.0)
    past = t - lead - before
    pressure = rise(past, row["pressure_threshold_bar"], row["pressure_threshold_bar"] + 0.6, 2.0)
    pressure = np.where(
        turning | (past <= 0), pressure, pressure * np.exp(-np.clip(past - after, 0, None) / 2.0)
    )
    oil = np.full(t.size, row["oil_temperature_degC"])
    return _as_trace(row, 0, t, rpm, pressure, oil, rng)


def _start_trace(
    row: dict[str, Any], start: dict[str, Any], step: float, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    lead = float(rng.uniform(3, 6))
    hold = start["first_hold_s"] if start["pressure_shown"] else 0.0
    warm = float(rng.uniform(230, 290)) if start["pressure_shown"] else 0.0
    run = 6.0 + hold + warm + 20.0 if start["pressure_shown"] else row["_time_to_pressure"]
    t = np.arange(0.0, lead + run + 4.0, step)
    past = t - lead
    rpm = np.select(
        [past < 0, past < 6, past < 6 + hold, past < 6 + hold + warm, past < run],
        [0.0, IDLE_RPM, start["first_hold_speed_rpm"], start["warmup_speed_max_rpm"] - 40.0, 1200.0],
        0.0,
    )
    if not start["pressure_shown"]:
        rpm = np.where((past >= 0) & (past < run), IDLE_RPM, 0.0)
    rpm = np.where(rpm > 0, rpm + rng.normal(0, 12, t.size), 0.0)
    begin, end = row["oil_temperature_degC"], start["warmup_end_oil_temperature_degC"]
    if start["pressure_shown"]:
        top = begin + (end - begin) / (1 - math.exp(-(6 + hold + warm) / 300.0))
        oil = begin + (top - begin) * (1 - np.exp(-np.clip(past, 0, None) / 300.0))
        pressure = rise(past - row["_time_to_pressure"], row["pressure_threshold_bar"], COLD_BAR, 0.8)
        pressure = np.where(past < run, pressure, pressure * np.exp(-np.clip(past - run, 0, None)))
        # Air in the oil shows as a rough pressure.
        pressure = pressure + rng.normal(0, 0.03 + 0.04 * max(row["_fixed"], 0.0), t.size) * (pressure > 1.5)
    else:
        oil = np.full(t.size, begin)
        pressure = np.zeros(t.size)
    return _as_trace(row, 1, t, rpm, pressure, oil, rng)


def rise(past: np.ndarray, threshold: Any, top: Any, time_constant: float) -> np.ndarray:
    """Pressure that passes ``threshold`` at 0 and settles at ``top``; a short foot before."""
    foot = threshold * np.clip(1 + past / 0.3, 0, None)
    settled = threshold + (top - threshold) * (1 - np.exp(-np.clip(past, 0, None) / time_constant))
    return np.where(past < 0, foot, settled)


def _as_trace(
    row: dict[str, Any],
    number: int,
    t: np.ndarray,
    rpm: np.ndarray,
    pressure: np.ndarray,
    oil: np.ndarray,
    rng: np.random.Generator,
) -> dict[str, np.ndarray]:
    return {
        "venting_id": np.full(t.size, row["venting_id"]),
        "start_no": np.full(t.size, number),
        "t_s": np.round(t, 2),
        "speed_rpm": np.round(np.clip(rpm, 0, None), 0 if number else 1),
        "oil_pressure_bar": np.round(np.clip(pressure, 0, None), 2),
        "oil_temperature_degC": np.round(oil + rng.normal(0, 0.1, t.size), 1),
    }
