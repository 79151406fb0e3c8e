"""Random fillings of the form page, and what a store must hold of them afterwards."""

from __future__ import annotations

import datetime as dt
import math
import random
import re
from typing import Any

import pandas as pd

from ventbook.records.forms import fields
from ventbook.records.forms.page import VALVES
from ventbook.records.intake.cells import DITTO_MARKS
from ventbook.records.intake.context import thresholds
from ventbook.tables import Column, record_tables, units

TODAY = dt.date(2026, 10, 1)
HOSTILE = (
    *('"', "'", ",", ";", "\t", "|", "=", "+", "-", "@", "#", "`", "$", "&", "<b>", "</script>", "\\", "%00", "null"),
    *("0071", "1.10", "1e5", "Söhne", "עברית", "日本", "\U0001f527", "a", "b", "Z", " "),
)  # fmt: skip
TABLES = ("engines", "ventings", "starts", "lifter_checks", "gauge_readings")


class Filling:
    """One job as it is typed: ``values`` by the name of the field, ``rows`` a table, and what is ``expected`` of each."""

    def __init__(self, number: int, rng: random.Random, system: str) -> None:
        self.rng, self.system, self.number = rng, system, number
        self.values: list[tuple[str, str]] = []
        self.expected: dict[str, list[dict[str, Any]]] = {table: [] for table in TABLES}
        self.rows = {
            "starts": rng.randint(0, 3),
            "lifter_checks": rng.randint(1, 2),
            "gauge_readings": rng.choice([0, 0, 2]),
        }
        self.engine_id = f"{self.text()[:8].strip()}E{number}"
        self.venting_id = f"{self.text()[:8].strip()}V{number}"
        self.day = TODAY - dt.timedelta(days=rng.randint(0, 900))
        self.cylinders, self.valves = rng.choice([1, 1, 2, 2, 3, 4, 6]), rng.choice([2, 2, 3, 4])
        self._fill_engine()
        self._fill_venting()
        for n in range(self.rows["starts"]):
            self._fill("starts", f"starts.{n}", {"venting_id": self.venting_id, "start_no": n + 1})
        for n in range(self.rows["lifter_checks"]):
            self._fill_check(n)
        for n in range(self.rows["gauge_readings"]):
            study = {"study": f"study {self.number}", "repeat": n + 1}
            self._fill("gauge_readings", f"gauge_readings.{n}", {}, typed=study)

    def text(self, *, lines: bool = False) -> str:
        marks = [*HOSTILE, "\n"] if lines else HOSTILE
        made = "".join(self.rng.choices(marks, k=self.rng.randint(1, 60)))
        return made.strip() or "x"

    def _fill_engine(self) -> None:
        counts = {
            "cylinders": self.cylinders,
            "valves_per_cylinder": self.valves,
            "propeller_blades": self.rng.randint(2, 5),
        }
        self._fill("engines", "engines.0", {"engine_id": self.engine_id}, typed=counts)

    def _fill_venting(self) -> None:
        ids = {"venting_id": self.venting_id, "engine_id": self.engine_id, "date": self.day.isoformat()}
        self._fill("ventings", "ventings.0", {}, typed=ids)

    def _fill_check(self, n: int) -> None:
        table = record_tables()["lifter_checks"]
        for_all = {}
        for column in table.columns:
            if column.name in ("force", "hold", "gauge", "oil_temperature") and self.rng.random() < 0.8:
                text, for_all[column.stored] = self.draw(column)
                self.values.append((f"lifter_checks.{n}.{column.name}", text))
        for cylinder in range(1, self.cylinders + 1):
            for valve in VALVES[self.valves]:
                if self.rng.random() < 0.2:
                    continue
                keys = {
                    "venting_id": self.venting_id,
                    "check_no": n + 1,
                    "cylinder": cylinder,
                    "valve": valve,
                }
                self._fill(
                    "lifter_checks", f"lifter_checks.{n}.{cylinder}-{valve}", keys, for_all=for_all, share=0.4
                )

    def _fill(
        self,
        table: str,
        at: str,
        known: dict[str, Any],
        *,
        typed: dict[str, Any] | None = None,
        for_all: dict[str, Any] | None = None,
        share: float = 0.7,
    ) -> None:
        """Types one row; ``known`` is what the page itself fills in, ``typed`` what must stand there."""
        row: dict[str, Any] = {}
        for column in record_tables()[table].columns:
            if column.name in known:
                row[column.stored] = known[column.name]
                continue
            if typed and column.name in typed:
                text, value = str(typed[column.name]), typed[column.name]
            elif column.required or self.rng.random() < share:
                text, value = self.draw(column)
            else:
                row[column.stored] = (for_all or {}).get(column.stored)
                continue
            self.values.append((f"{at}.{column.name}", text))
            row[column.stored] = value
        self.expected[table].append(row)

    def draw(self, column: Column) -> tuple[str, Any]:
        """What is typed into a field, and the value that a store must hold."""
        rng = self.rng
        if choices := fields.options(column):
            code = rng.choice(choices)
            return code, code == "yes" if column.kind == "yes_no" else code
        if column.kind == "date":
            day = self.day + dt.timedelta(days=rng.randint(0, (TODAY - self.day).days))
            return day.isoformat(), day.isoformat()
        if column.kind == "datetime":
            text = f"{self.day.isoformat()}T{rng.randint(0, 23):02}:{rng.randint(0, 59):02}"
            return text, text
        if column.name == "technician":  # intake replaces these names wherever they stand
            return "Ann Other", "Ann Other"
        limits = fields.span(column, self.system)
        if limits is None:
            text = self.text(lines=column.name == "remarks")
            if column.name != "remarks" and text.strip() in DITTO_MARKS.to_pylist():  # held, and no value
                text = f"{text}x"
            if column.name == "trial":  # a mark between two names would make it two trials
                text = re.sub(r"[,;/+&]|\band\b", "_", text)
            return text, text
        if column.kind == "integer":
            number = rng.randint(math.ceil(limits[0]), math.floor(limits[1]))
            return str(number), number
        # inside the range (the typical one where intake holds whole columns against it) and with few digits, as people write
        if band := thresholds()["typical"].get(column.name):
            unit = fields.header(column, self.system).split("[")[1][:-1]
            limits = tuple(sorted(units.convert(end, column.unit, unit) for end in band))
        number = rng.uniform(limits[0], limits[1])
        for digits in range(1, 12):
            if limits[0] <= round(number, digits) <= limits[1]:
                break
        text = f"{round(number, digits + rng.randint(0, 2)):.{digits + 2}f}".rstrip("0").rstrip(".")
        number = float(text)
        if not limits[0] <= number <= limits[1]:
            number = (limits[0] + limits[1]) / 2
            text = repr(number)
        if column.unit:
            header = fields.header(column, self.system)
            value = round(float(units.convert(number, header[header.index("[") + 1 : -1], column.unit)), 9)
        else:
            value = number
        comma = rng.random() < 0.3 and not re.fullmatch(r"-?[1-9]\d{0,2}\.\d{3}", text)  # might be thousands
        return (text.replace(".", ",") if comma else text), value


def compare(frame: pd.DataFrame, table: str, rows: list[dict[str, Any]]) -> list[str]:
    """Where a store's rows differ from those expected; technicians are codes, and only their being there is compared."""
    keys = list(record_tables()[table].key)
    told = []
    plain = frame.astype(object).where(frame.notna(), None)
    held = {
        tuple(str(row[key]) for key in keys if key != "technician"): row for row in plain.to_dict("records")
    }
    if len(frame) != len(rows):
        told.append(f"{table}: {len(frame)} rows, typed {len(rows)}")
    for row in rows:
        found = held.get(tuple(str(row[key]) for key in keys if key != "technician"))
        if found is None:
            told.append(f"{table}: no row {[row[key] for key in keys]}")
            continue
        for column in record_tables()[table].columns:
            want, got = row[column.stored], found[column.stored]
            if column.name == "technician":
                same = (want is None) == (got is None)
            elif want is None or got is None:
                same = want is got
            elif column.kind in ("date", "datetime"):
                same = pd.Timestamp(want) == pd.Timestamp(got)
            elif column.kind in ("number", "quantity"):
                same = abs(float(want) - float(got)) <= 1.5e-9 * max(1.0, abs(float(want)))
            else:
                same = want == got
            if not same:
                told.append(f"{table} {column.name}: typed {want!r}, stored {got!r}")
    return told
