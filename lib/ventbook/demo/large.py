"""A large invented fleet: the same settings as the small one, drawn by columns a few thousand ventings at a time.

The draws of :func:`ventbook.demo.simulate_fleet` go venting by venting, so that a fleet of a million can't be theirs; shares,
effects and physics are. What an engine carries from venting to venting (hours, lot, leaking lifters) is kept by
engine, everything else belongs to its piece, so that memory does not grow with the fleet. No errors, corrections or
duplicates are planted: these belong to the small fleet.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from ventbook import tables
from ventbook.demo.fleet import forget, round_us
from ventbook.demo.large_checks import Lifters, draw_all_checks
from ventbook.demo.large_ventings import (
    Array,
    Engines,
    Rng,
    add_causes,
    choose_pressure,
    describe_state,
    draw_first_starts,
    draw_starts,
    note_papers,
    number_ventings,
    of_each,
    turn,
)
from ventbook.demo.settings import check_plant, hand_in_day, list_quarters, quarter_bounds, read_settings

PIECE = 20_000


@dataclass(frozen=True)
class Piece:
    """Some ventings of one quarter in order of date, with their starts, checks and engines.

    ``handed_in`` is the place of the delivery of each venting among the quarters. ``truth`` has a row a failing venting:
    lifters over the limit, which planted causes it needed, and whether it would have failed without any. ``job`` and
    ``first_starts`` hold what the traces are drawn from.
    """

    quarter: int
    tables: dict[str, pd.DataFrame]
    handed_in: Array
    truth: pd.DataFrame
    job: dict[str, Array]
    first_starts: pd.DataFrame


def draw_pieces(
    *, ventings: int, seed: int | None = None, plant: Iterable[str] | None = None, piece: int = PIECE
) -> Iterator[Piece]:
    """The fleet in pieces of at most ``piece`` ventings, oldest first; each lies within one quarter.

    Arguments as of :func:`ventbook.demo.simulate_fleet`; the same ones give the same fleet.
    """
    planted = check_plant(plant)
    seed = read_settings()["fleet"]["seed"] if seed is None else seed
    rng = np.random.default_rng([seed, 1])
    engines = Engines(ventings, rng)
    quarters = list_quarters()
    edges = [np.datetime64(quarter_bounds(q)[0]) for q in quarters] + [
        np.datetime64(quarter_bounds(quarters[-1])[1])
    ]
    days = np.sort(rng.integers(0, int((edges[-1] - edges[0]).astype(int)), ventings)) + edges[0]
    count = len(engines.id)
    owner = np.concatenate([np.arange(count), rng.integers(0, count, max(0, ventings - count))])
    owner = rng.permutation(owner[:ventings])
    numbers: dict[tuple[int, int], int] = {}
    made = 0
    for quarter, (first, last) in enumerate(pairwise(edges)):
        begin, end = np.searchsorted(days, [first, last])
        for at in range(begin, end, piece):
            rows = slice(at, min(at + piece, end))
            made += 1
            own = np.random.default_rng([seed, 1, made])
            yield _draw_piece(engines, quarter, days[rows], owner[rows], numbers, planted, own)


def _draw_piece(
    engines: Engines,
    quarter: int,
    day: Array,
    owner: Array,
    numbers: dict[tuple[int, int], int],
    plant: tuple[str, ...],
    rng: Rng,
) -> Piece:
    job = {"date": day, "site": engines.site[owner], "kind": engines.kind[owner], "owner": owner}
    job["venting_id"] = number_ventings(job, numbers)
    describe_state(job, engines, plant, rng)
    choose_pressure(job, plant, rng)
    turn(job, engines, rng)
    note_papers(job, rng)
    add_causes(job, quarter, plant)
    job["air"] = engines.air[owner]
    starts = [draw_first_starts(job, rng)]
    again = np.flatnonzero(~job["shown"])
    times = read_settings()["times"]
    late = rng.lognormal(math.log(times["second_start_s"]), 0.3, again.size)
    starts.append(draw_starts(job, again, 2, late, np.ones(again.size, bool), rng))
    lifters = Lifters.draw(job, job["leak"], job["serial"], rng)
    checks, left_over, troubled, truth = draw_all_checks(job, lifters, starts, plant, rng)
    handed_in = _close(job, quarter, left_over, troubled, rng)
    fresh = np.unique(owner[~engines.told[owner]])
    engines.told[fresh] = True
    frames = {
        "engines": engines.frame(fresh),
        "ventings": _as_records(job, engines),
        "starts": pd.concat(starts, ignore_index=True),
        "lifter_checks": checks,
    }
    round_us(frames)
    _type_and_forget(frames, rng)
    return Piece(quarter, frames, handed_in, truth, job, starts[0])


def _type_and_forget(frames: dict[str, pd.DataFrame], rng: Rng) -> None:
    """Cells forgotten as in the small fleet; numbers and truth values take types that can be empty."""
    types = {"yes_no": "boolean", "integer": "Int64"}
    for name, frame in frames.items():
        known = {c.stored: types[c.kind] for c in tables.record_tables()[name].columns if c.kind in types}
        frames[name] = frame.astype({c: t for c, t in known.items() if c in frame})
    forget(frames, rng)


def _close(job: dict[str, Array], quarter: int, left_over: Array, troubled: Array, rng: Rng) -> Array:
    """When each job is closed (``job["closed"]``), and the place of the delivery it comes with."""
    n, quarters = troubled.size, list_quarters()
    days = 1 + (rng.gamma(2.0, np.where(troubled, 12.0, 2.5))).astype(int)
    closed = job["date"].astype("datetime64[D]") + days
    open_yet = left_over & (quarter >= len(quarters) - 2) & (rng.random(n) < 0.6)
    closed[open_yet | (closed > np.datetime64(hand_in_day(quarters[-1])))] = np.datetime64("NaT")
    job["closed"] = closed
    free = left_over & pd.isna(job["remarks"])
    job["remarks"][free] = "lifter to be changed under a new job"
    late = rng.random(n) < np.where(troubled, 0.15, 0.04)
    return np.minimum(quarter + late, len(quarters) - 1)


def _as_records(job: dict[str, Array], engines: Engines) -> pd.DataFrame:
    sites = of_each(read_settings()["site"], "name").astype(object)
    own = {
        "engine_id": engines.id[job["owner"]],
        "site": sites[job["site"]],
        "hours_since_overhaul_h": np.round(job["hours"]),
        "lifter_lot": engines.lots[job["lot"]],
    }
    columns = [column.stored for column in tables.record_tables()["ventings"].columns]
    return pd.DataFrame(
        {name: own.get(name, job.get(name)) for name in columns if name in own or name in job}
    )
