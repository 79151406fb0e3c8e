"""The good rows of one table in one intake, as arrays, with the rows of each site together."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from .faults import thresholds

MEASURED = (
    "oil_temperature_degC",
    "ambient_temperature_degC",
    "tank_overpressure_bar",
    "pressurised_before_turning_s",
    "turning_speed_rpm",
    "rotations",
    "rotations_after_pressure",
    "pressure_at_stop_bar",
    "rest_before_start_h",
    "tank_head_m",
)


@dataclass(frozen=True, eq=False)
class SiteRows:
    """``frame`` has the columns that patterns look at, among them site (categorical, never missing) and row (position
    in the intake's table, rising). Whatever several patterns need is worked out once.
    """

    frame: pd.DataFrame
    _numbers: dict[str, np.ndarray] = field(default_factory=dict)

    def numbers(self, name: str) -> np.ndarray:
        """A column as floats, NaN where not recorded."""
        if name not in self._numbers:
            self._numbers[name] = self.frame[name].to_numpy(dtype=float, na_value=np.nan)
        return self._numbers[name]

    @cached_property
    def row(self) -> np.ndarray:
        return self.frame["row"].to_numpy()

    @property
    def site_names(self) -> list[str]:
        """Sites in the order of their names."""
        return [str(name) for name in self.frame["site"].cat.categories]

    @cached_property
    def site(self) -> np.ndarray:
        """For each row the position of its site in ``site_names``."""
        return self.frame["site"].cat.codes.to_numpy().astype(np.int64)

    @cached_property
    def by_site(self) -> list[tuple[str, np.ndarray]]:
        """(site, its positions in ``frame``, rising)."""
        order = np.argsort(self.frame["site"].cat.codes.to_numpy(), kind="stable")
        ends = np.cumsum(np.bincount(self.site, minlength=len(self.site_names)))
        return list(zip(self.site_names, np.split(order, ends[:-1]), strict=True))

    @cached_property
    def day(self) -> np.ndarray:
        """The date as days since 1970."""
        return self.frame["date"].to_numpy().astype("datetime64[D]").astype(np.int64)

    @cached_property
    def by_month(self) -> tuple[np.ndarray, np.ndarray]:
        """(order, starts): ``order`` puts the rows of one site and month together, groups begin at ``starts``."""
        month = self.frame["date"].to_numpy().astype("datetime64[M]").astype(np.int64)
        return group_rows(self.site, month)

    @cached_property
    def measured(self) -> tuple[np.ndarray, np.ndarray]:
        """Positions with enough measured columns filled in, and one number a position for what they say together."""
        columns = [self.numbers(name) for name in MEASURED]
        known = np.zeros(len(self.frame), dtype=np.int8)
        for values in columns:
            known += ~np.isnan(values)
        filled = np.flatnonzero(known >= thresholds()["copies"]["min_columns"])
        mixed = np.zeros(len(filled), dtype=np.uint64)
        for n, values in enumerate(columns, 1):
            own = values if len(filled) == len(values) else values[filled]
            bits = np.where(np.isnan(own), -99999.0, own + 0.0).view(np.uint64)
            mixed += bits * np.uint64(0x9E3779B97F4A7C15 * (2 * n + 1) % 2**64)
        return filled, scatter_bits(mixed)


def scatter_bits(numbers: np.ndarray) -> np.ndarray:
    """Unsigned whole numbers each to another, near ones far apart, so that sums of them tell sets apart.

    The mixing function of D. Stafford, "Better bit mixing", variant 13, as in Steele, Lea and Flood, "Fast splittable
    pseudorandom number generators", 2014 (constants from memory).
    """
    mixed = (numbers ^ (numbers >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    found: np.ndarray = mixed ^ (mixed >> np.uint64(31))
    return found


def group_rows(first: np.ndarray, second: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(order, starts) by two columns of whole numbers, at least one row: ``order`` puts equal pairs together, in the
    order of the pairs and of the rows; groups begin at ``starts``.
    """
    n, low = len(first), int(second.min())
    span = int(second.max()) - low + 1
    group = (first - first.min()) * span + second - low
    if int(group.max()) < 2**16:
        order = np.argsort(group.astype(np.uint16), kind="stable")  # which sorts by counting
    elif int(group.max()) * n < 2**62:
        order = (
            np.sort(group * n + np.arange(n)) % n
        )  # plain numbers sort several times faster than their places
    else:
        order = np.argsort(group, kind="stable")
    ordered = group[order]
    return order, np.concatenate([[0], np.flatnonzero(ordered[1:] != ordered[:-1]) + 1])
