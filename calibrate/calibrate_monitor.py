"""Does the monitor keep its promise, and how soon does it see what is planted? And what does looking often do to a plain test?

    python -m calibrate.calibrate_monitor [--fleets 80] [--planted 50] [--seed 300]

writes calibrate/tables/monitor.csv, monitor.md and guides/valid_at_every_look.svg. Two years of ventings a fleet, the second one
watched: 300 a year unless said, five lots a year, four sites with two gauges each, three engine types, a procedure revision in
each year's middle, failing share about 15 %, a quarter of it leak-down. Engines return about twice and spread with .7 of log
odds, sites with .3, ventings' circumstances act. Innocent fleets count a year with any alarm, and notes by stream and kind;
planted ones in how many ventings of the stream a note and an alarm come. "A plain test" is an exact one-sided binomial test of
each lot against the others' share at every venting, called below .05.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

from calibrate import runner
from ventbook.document import plotting
from ventbook.statistics import monitor

TABLES = Path(__file__).parent / "tables"
GUIDES = Path(__file__).resolve().parents[1] / "guides"
YEARS, SITES, TYPES, LOTS = 2, 4, 3, 5
REASONS = ("new_engine", "overhauled_engine", "lifters_replaced", "oil_change")


@dataclass(frozen=True)
class Fleet:
    """One kind of fleet. ``plant`` gives log odds added to each venting, ``named`` the stream that it acts on."""

    name: str
    a_year: int = 300
    share: float = 0.15
    leaking: float = 0.25
    engine_sd: float = 0.7
    site_sd: float = 0.3
    lot_sd: float = 0.0
    quarter_sd: float = 0.0
    named: tuple[str, str] = ("", "")
    plant: Callable[[pd.DataFrame], np.ndarray] = field(default=lambda jobs: np.zeros(len(jobs)))
    leak_plant: float = 0.0


def in_lot(odds_ratio: float) -> Callable[[pd.DataFrame], np.ndarray]:
    """The watched year's second lot multiplies the odds."""
    return lambda jobs: np.log(odds_ratio) * (jobs["lifter_lot"] == BAD_LOT).to_numpy(float)


def at_site(odds_ratio: float) -> Callable[[pd.DataFrame], np.ndarray]:
    """From the start of the watched year one site multiplies the odds."""
    return lambda jobs: (
        np.log(odds_ratio) * ((jobs["site"] == "S1") & (jobs["date"] >= WATCHED)).to_numpy(float)
    )


BAD_LOT, WATCHED = "L6", pd.Timestamp("2025-01-01")
INNOCENT = (
    Fleet("ordinary"),
    Fleet("small, 120 a year", a_year=120),
    Fleet("large, 1000 a year", a_year=1000),
    Fleet("few fail, 5 %", share=0.05),
    Fleet("many fail, 30 %", share=0.30),
    Fleet("sites differ strongly", site_sd=0.8),
    Fleet("engines differ strongly", engine_sd=1.4),
    Fleet("quarters differ", quarter_sd=0.3),
    Fleet("lots differ a little", lot_sd=0.2),
)
PLANTED = (
    Fleet("lot, odds ratio 4", plant=in_lot(4), named=("lot", BAD_LOT)),
    Fleet("lot, odds ratio 8", plant=in_lot(8), named=("lot", BAD_LOT)),
    Fleet("lot, odds ratio 12", plant=in_lot(12), named=("lot", BAD_LOT)),
    Fleet("lot, leak-down 4 to 35 %", leak_plant=0.32, named=("lot", BAD_LOT)),
    Fleet("site tripled", plant=at_site(3), named=("site", "S1")),
)


def draw_fleet(fleet: Fleet, rng: np.random.Generator) -> pd.DataFrame:
    """The outcomes of one fleet, as the monitor reads them."""
    n = YEARS * fleet.a_year
    day = np.sort(rng.integers(0, 365 * YEARS, n))
    engines = n // 2
    engine = rng.integers(0, engines, n)
    site = rng.choice(SITES, engines, p=[0.35, 0.3, 0.2, 0.15])[engine]
    began = np.sort(np.concatenate([rng.integers(365 * y, 365 * (y + 1), LOTS) for y in range(YEARS)]))
    began[LOTS + 1] = min(began[LOTS + 1], 365 + 120)
    began[LOTS] = min(began[LOTS], began[LOTS + 1])
    began[0] = 0
    fitting = (began[None, :] <= day[:, None]) & (began[None, :] > day[:, None] - 400)
    fitting[~fitting.any(axis=1), 0] = True
    lot = np.argmax(np.where(fitting, rng.random(fitting.shape), -1), axis=1)
    jobs = pd.DataFrame(
        {
            "venting_id": [f"V{i:05}" for i in range(n)],
            "engine_id": [f"E{e}" for e in engine],
            "date": pd.Timestamp("2024-01-01") + pd.to_timedelta(day + (day > 58), "D"),
            "lifter_lot": [f"L{k}" for k in lot],
            "site": [f"S{k}" for k in site],
            "gauge": [f"G{k}{g}" for k, g in zip(site, rng.integers(0, 2, n), strict=True)],
            "engine_type": [f"T{t}" for t in rng.integers(0, TYPES, engines)[engine]],
            "procedure_revision": [f"R{r}" for r in (day + 182) // 365],
            "reason": rng.choice(REASONS, n),
            "lines_empty": rng.random(n) < 0.4,
            "cooler_empty": rng.random(n) < 0.25,
            "filter_new": rng.random(n) < 0.5,
        }
    )
    spread = (
        rng.normal(0, fleet.engine_sd, engines)[engine]
        + rng.normal(0, fleet.site_sd, SITES)[site]
        + rng.normal(0, fleet.lot_sd, len(began))[lot]
        + rng.normal(0, fleet.quarter_sd, 4 * YEARS)[day * 4 // 365]
        + 0.6 * jobs["lines_empty"]
        + 0.4 * jobs["cooler_empty"]
    ).to_numpy()
    base = optimize.brentq(lambda a: special.expit(a + spread).mean() - fleet.share, -15, 5)
    failing = rng.random(n) < special.expit(base + spread + fleet.plant(jobs))
    leaking = failing & (rng.random(n) < fleet.leaking)
    if fleet.leak_plant:
        added = (rng.random(n) < fleet.leak_plant) & (jobs["lifter_lot"] == BAD_LOT).to_numpy()
        failing, leaking = failing | added, leaking | added
    return jobs.assign(failing=failing, leak_down=leaking)


def watch_year(jobs: pd.DataFrame) -> pd.DataFrame:
    """The watched year's streams."""
    streams = monitor.monitor_streams(jobs).streams
    return streams[streams["year"] == WATCHED.year]


def test_plainly(jobs: pd.DataFrame) -> bool:
    """Whether a plain test of any lot against the others' share, at every venting of the watched year, is ever called."""
    failed = jobs["failing"].to_numpy(bool)
    for lot in jobs.loc[jobs["date"] >= WATCHED, "lifter_lot"].unique():
        own = (jobs["lifter_lot"] == lot).to_numpy()
        n, k = np.cumsum(own), np.cumsum(own & failed)
        others = np.cumsum(~own & failed) / np.maximum(np.cumsum(~own), 1)
        at = np.flatnonzero(own & (jobs["date"] >= WATCHED).to_numpy())
        if (stats.binom.sf(k[at] - 1, n[at], np.clip(others[at], 1e-3, 1)) < 0.05).any():
            return True
    return False


def _fleet(name: str) -> Fleet:
    return next(fleet for fleet in (*INNOCENT, *PLANTED) if fleet.name == name)


def watch_innocent(name: str, seed: int, number: int) -> tuple[int, int, int, int, int]:
    """One fleet: any alarm, any firm one, notes, streams, and whether a plain test calls any."""
    jobs = draw_fleet(_fleet(name), np.random.default_rng([seed, number]))
    found = watch_year(jobs)
    alarmed, firm, noted = (found[kind] >= 0 for kind in ("alarmed", "firm", "noted"))
    return int(alarmed.any()), int(firm.any()), int(noted.sum()), len(found), int(test_plainly(jobs))


def count_innocent(fleet: Fleet, fleets: int, seed: int) -> dict[str, object]:
    """False alarms a year, notes a stream, and what a plain test does."""
    watched = runner.run_fleets(
        watch_innocent, [(fleet.name, seed, number) for number in range(fleets)], what=fleet.name
    )
    years, firm, notes, streams, plain = map(sum, zip(*watched, strict=True))
    alarms = years / fleets
    return {
        "sort": "innocent", "fleet": fleet.name, "fleets": fleets, "alarms": alarms, "error": np.sqrt(max(alarms, 1 / fleets) / fleets),
        "firm": firm / fleets, "notes": notes / streams, "plain_test": plain / fleets,
    }  # fmt: skip


def watch_planted(name: str, seed: int, number: int) -> dict[str, float]:
    """One fleet: ventings of the planted stream until noted and alarmed; whether anything alarms, and it first."""
    fleet = _fleet(name)
    jobs = draw_fleet(fleet, np.random.default_rng([seed, number]))
    watched = monitor.monitor_streams(jobs)
    streams = watched.streams[watched.streams["year"] == WATCHED.year]
    own = streams[(streams["stream"] == fleet.named[0]) & (streams["level"] == fleet.named[1])]
    column = {"lot": "lifter_lot", "site": "site"}[fleet.named[0]]
    rows = np.flatnonzero((jobs[column] == fleet.named[1]).to_numpy() & (jobs["date"] >= WATCHED).to_numpy())
    found = {}
    for kind in ("noted", "alarmed"):
        at = own.loc[own[kind] >= 0, kind]
        found[kind] = float(np.searchsorted(rows, at.min(), "right")) if len(at) else np.inf
    alarmed = streams[streams["alarmed"] >= 0].sort_values("alarmed", kind="stable")
    first = len(alarmed) > 0
    return found | {"first": first, "right": first and alarmed["level"].iloc[0] == fleet.named[1]}


def count_planted(fleet: Fleet, fleets: int, seed: int) -> dict[str, object]:
    """In how many ventings of the planted stream it is noted and alarms, and whether the first alarm names it."""
    watched = runner.run_fleets(
        watch_planted, [(fleet.name, seed, number) for number in range(fleets)], what=fleet.name
    )
    found = {name: [one[name] for one in watched] for name in ("noted", "alarmed")}
    first = sum(one["first"] for one in watched)
    right = sum(one["right"] for one in watched)
    row: dict[str, object] = {"sort": "planted", "fleet": fleet.name, "fleets": fleets}
    for name, counts in found.items():
        middle = float(np.median(counts))
        row |= {
            f"{name}_share": float(np.isfinite(counts).mean()),
            f"{name}_median": middle if np.isfinite(middle) else np.nan,
        }
    return row | {"first_right": right / max(first, 1)}


def look_often(
    rng: np.random.Generator, *, streams: int = 2000, ventings: int = 300, share: float = 0.15
) -> pd.DataFrame:
    """Of innocent streams whose share is known, how many were ever called by the n-th venting: a test at every look, one look
    each hundred, and evidence over 20.
    """
    failed = rng.random((streams, ventings)) < share
    k, n = np.cumsum(failed, axis=1), np.arange(1, ventings + 1)
    p = stats.binom.sf(k - 1, n, share)
    grid = monitor.load_settings().grid
    bad = stats.norm.pdf(grid, np.log(6), 0.6)
    eta = np.full(ventings, special.logit(share))
    e = np.array([monitor.mixture_evidence(y, eta, grid=grid, bad=bad, innocent=grid == 0) for y in failed])
    once = np.where(n % 100 == 0, p, 1.0)
    return pd.DataFrame(
        {
            "venting": n,
            "every_look": np.maximum.accumulate(p < 0.05, axis=1).mean(axis=0),
            "each_hundred": np.maximum.accumulate(once < 0.05, axis=1).mean(axis=0),
            "evidence": np.maximum.accumulate(e >= 20, axis=1).mean(axis=0),
        }
    )


def draw_looks(table: pd.DataFrame) -> bytes:
    """The picture of the page on looking often."""
    figure, ax = plotting.new_figure()
    words = {
        "every_look": "plain test at 5 %, looked at after every venting",
        "each_hundred": "plain test at 5 %, looked at after each hundred",
        "evidence": "evidence over 20, looked at after every venting",
    }
    for number, (name, label) in enumerate(words.items()):
        style = plotting.series_style(number) | {"marker": ""}
        ax.plot(table["venting"], 100 * table[name], label=label, **style)
    plotting.mark_limit(ax, 5, "promised: 5 of 100")
    ax.set_xlabel("ventings so far")
    ax.set_ylabel("innocent streams ever called, of 100")
    ax.set_xlim(0, float(table["venting"].max()))
    ax.set_ylim(0, 135 * float(table["every_look"].max()))
    ax.legend(loc="upper left")
    return plotting.svg_bytes(figure)


def write_tables(table: pd.DataFrame, looks: pd.DataFrame) -> None:
    """The committed tables and the picture."""
    table.round(4).to_csv(TABLES / "monitor.csv", index=False)
    (GUIDES / "valid_at_every_look.svg").write_bytes(draw_looks(looks))
    last = looks.iloc[-1]
    lines = [
        "# The monitor on simulated fleets",
        "",
        "Of 100 innocent years, those with any alarm (promised: at most 5); firm ones (at most 1.2); notes a stream and kind (at most 10); and",
        "years in which a plain test of each lot at every venting is called.",
        "",
        "| fleet | fleets | alarm | firm | notes | plain test |",
        "|---|---|---|---|---|---|",
    ]
    for _, r in table[table["sort"] == "innocent"].iterrows():
        lines.append(
            f"| {r['fleet']} | {r['fleets']:.0f} | {r['alarms']:.1%} +- {r['error']:.1%} | {r['firm']:.1%} | {r['notes']:.1%} | {r['plain_test']:.0%} |"
        )
    lines += [
        "",
        "Ventings of the planted stream until the first note and alarm: median (share ever), and whether the first alarm names it.",
        "",
        "| planted | fleets | note | alarm | first alarm right |",
        "|---|---|---|---|---|",
    ]
    for _, r in table[table["sort"] == "planted"].iterrows():
        said = [
            f"{r[f'{k}_median']:.0f} ({r[f'{k}_share']:.0%})"
            if np.isfinite(r[f"{k}_median"])
            else f"({r[f'{k}_share']:.0%})"
            for k in ("noted", "alarmed")
        ]
        lines.append(f"| {r['fleet']} | {r['fleets']:.0f} | {said[0]} | {said[1]} | {r['first_right']:.0%} |")
    lines += [
        "",
        f"One innocent stream with a known share of 15 %, {int(last['venting'])} ventings: ever called by a plain test looked at after every venting "
        f"{last['every_look']:.1%}, after each hundred {last['each_hundred']:.1%}, by evidence over 20 {last['evidence']:.1%}.",
    ]
    (TABLES / "monitor.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


def finish(rows: list[dict[str, object]], seed: int) -> None:
    """Adds the mean over the innocent fleets and one stream looked at often, and writes the tables."""
    table = pd.DataFrame(rows)
    every = table[table["sort"] == "innocent"]
    total = int(every["fleets"].sum())
    mean = {name: float(every[name].mean()) for name in ("alarms", "firm", "notes", "plain_test")}
    whole = {
        "sort": "innocent",
        "fleet": "all",
        "fleets": total,
        **mean,
        "error": np.sqrt(max(mean["alarms"], 1 / total) / total),
    }
    looks = look_often(np.random.default_rng(seed))
    at_end = {name: float(looks[name].iloc[-1]) for name in ("every_look", "each_hundred", "evidence")}
    table = pd.concat(
        [table, pd.DataFrame([whole, {"sort": "looks", "fleet": "one stream", **at_end}])], ignore_index=True
    )
    write_tables(table, looks)


def main() -> None:
    """Writes the tables."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--fleets", type=int, default=80)
    parser.add_argument("--planted", type=int, default=50)
    parser.add_argument("--seed", type=int, default=300)
    asked = parser.parse_args()
    rows = []
    with runner.use(asked):
        for number, fleet in enumerate(INNOCENT):
            rows.append(count_innocent(fleet, asked.fleets, asked.seed + number))
            print(rows[-1], flush=True)
        for number, fleet in enumerate(PLANTED):
            rows.append(count_planted(fleet, asked.planted, asked.seed + 100 + number))
            print(rows[-1], flush=True)
    finish(rows, asked.seed)


if __name__ == "__main__":
    main()
