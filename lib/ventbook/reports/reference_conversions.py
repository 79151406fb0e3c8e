"""Published conversion and physics values beside what this library computes (notebook 00; needs no store)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ventbook import tables
from ventbook.document.columns import choose_columns, make_table
from ventbook.document.sequence import Blocks
from ventbook.physics import lifter, oil, priming
from ventbook.tables import units

TABLE = tables.DATA / "published_values.toml"


def _significant(value: float, digits: int) -> str:
    """The value rounded to significant digits, as text that compares equal between machines."""
    return np.format_float_positional(value, precision=digits, fractional=False, trim="-")


def _digits(published: str) -> int:
    """Significant digits that a printed number carries."""
    return len(published.replace(".", "").replace("-", "").lstrip("0"))


def _verdict(computed: float, published: str) -> str:
    """ "same" where the computed value rounds to the printed one within one unit of its last digit."""
    decimals = len(published.split(".")[1]) if "." in published else 0
    return "same" if abs(computed - float(published)) <= 0.51 * 10.0**-decimals else "differs"


def _compare(rows: list[tuple[str, float, str, str]], *, name: str, title: str, note: str) -> Blocks:
    frame = pd.DataFrame(
        {
            "what": [row[0] for row in rows],
            "published": [row[2] for row in rows],
            "computed": [_significant(row[1], max(_digits(row[2]), 3)) for row in rows],
            "agreement": [_verdict(row[1], row[2]) for row in rows],
            "source": [row[3] for row in rows],
        }
    )
    columns = choose_columns(map(str, frame), None, table="published_values")
    return Blocks(make_table(name, frame, columns, title=title, note=note, rows=len(frame)))


def published(path: Path = TABLE) -> dict[str, Any]:
    """The table of published values."""
    return tables.read_toml(path)


def unit_factors() -> Blocks:
    """Every unit factor that has a printed value."""
    rows = [
        (
            f"{row['value']} {row['from']} in {row['to']}",
            units.convert(float(row["value"]), row["from"], row["to"]),
            row["published"],
            row["source"],
        )
        for row in published()["factor"]
    ]
    return _compare(
        rows,
        name="unit_factors",
        title="Unit factors",
        note=f"Units are read from a closed list. The exact fractions of all {units.check_factors()} units were held "
        "against a general units library (pint) in this run.",
    )


def oil_and_air() -> Blocks:
    """Viscosity, density and ambient pressure."""
    t = published()["oil_and_air"]
    a, b = oil.walther_constants(*t["walther"]["points"])
    rows = [
        (
            "viscosity at 80 degC of an oil of 32 mm2/s at 40 and 5.4 mm2/s at 100 degC [mm2/s]",
            float(oil.walther_viscosity(a, b, t["walther"]["at"])),
            t["walther"]["published"],
            t["walther"]["source"],
        )
    ]
    rows += [
        (
            f"ambient pressure at {row['height']} m geopotential height [Pa]",
            1e5 * float(oil.ambient_pressure_bar(row["height"])),
            row["published"],
            row["source"],
        )
        for row in t["ambient"]
    ]
    return _compare(
        rows,
        name="oil_and_air",
        title="Oil and ambient air",
        note="Outside 0 to 120 degC the viscosity formula is an extrapolation, and results say so.",
    )


def flow_and_lifter() -> Blocks:
    """Line pressure drop, trapped air, and the worked cases of this workbook."""
    t = published()["flow_and_lifter"]
    rows = [
        (
            "pressure drop of 0.12 cm3/s of 1 mPa s through a needle of 25 mm length and 0.15 mm radius [Pa]",
            1e5 * float(priming.line_drop_bar(1e-3, 0.025, 0.12, 0.30)),
            t["needle"]["published"],
            t["needle"]["source"],
        ),
        (
            "100 mL of air at ambient pressure, squeezed slowly to 4 bar over it [mL]",
            100 * (1 - float(lifter.squeezed_share(4.0))),
            t["air"]["published"],
            t["air"]["source"],
        ),
        (
            "chamber pressure under 70 N on a 12 mm plunger with a 20 N, 1.5 N/mm spring, 50 mm3 of air [bar]",
            _worked_rise(),
            t["rise"]["published"],
            t["rise"]["source"],
        ),
        (
            "gap of 50 mm3 of trapped air at the valve side, arm ratio 1.4 [mm]",
            1.4 * _worked_travel(),
            t["gap"]["published"],
            t["gap"]["source"],
        ),
        (
            "growth of a sound plunger (3 um clearance, 12 mm land, 0.0748 Pa s) under that pressure [um/s]",
            float(
                lifter.growth_um_per_s(
                    _worked_rise(), clearance_um=3.0, viscosity_Pa_s=0.0748, land_mm=12.0, diameter_mm=12.0
                )
            ),
            t["growth"]["published"],
            t["growth"]["source"],
        ),
    ]
    return _compare(
        rows,
        name="flow_and_lifter",
        title="Flow, trapped air and leak-down",
        note="The last three are worked by hand from the stated formulas, for the geometry given.",
    )


def _worked_travel() -> float:
    return float(
        lifter.air_travel_mm(
            50.0, 70.0, spring_force_N=20.0, spring_rate_N_per_mm=1.5, diameter_mm=12.0, ambient_bar=1.01325
        )
    )


def _worked_rise() -> float:
    return float(
        lifter.chamber_rise_bar(
            70.0,
            travel_mm=_worked_travel(),
            spring_force_N=20.0,
            spring_rate_N_per_mm=1.5,
            diameter_mm=12.0,
        )
    )
