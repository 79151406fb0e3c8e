"""Do intervals of logged times hold the truth? Traces of slow loggers, taken through the kernel that reads real ones.

    OMP_NUM_THREADS=1 python -m calibrate.calibrate_traces [--fleets 1000] [--seed 20261129]

writes calibrate/tables/traces.csv and traces.md. Fleets of 300 first starts of 100 engines: log-normal times, two in ten of their
spread the engine's own, half the engines 1.2 times as slow, so that the 90 % point of the rest lies at 4.13 s. Read at 1, 2 or
10 samples a second, by the same half and half with a stopwatch of half a second, or by loggers of all three rates; two
traces in 100 end, and in one start in 100 the engine stops, within the second after pressure showed; starts without
pressure by 8 s are shut down. Asked: median, 90 % point and share over 5 s off the curve, and the time ratio of the slow engines
from the regression. Bar: 93 to 97 of 100, no bias beyond a fifth of the error of one fleet, no true time outside its reading. A last kind
of fleet has fifteen in 100 cut so: at 1 Hz half of them end before any sample shows pressure, which no reading can tell from
pressure that never came, so times come out long; it is there to show by how much.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from calibrate import runner
from ventbook.model import traces
from ventbook.model.intervals import time_interval, trace_intervals
from ventbook.statistics.waiting_times import estimate_quantile, fit_aft, share_over

TABLES = Path(__file__).parent / "tables"
ENGINES, EACH = 100, 3
SPREAD, OWN, RATIO, SLOW_90 = 0.254, 0.2, 1.2, 4.13
LIMIT, SHUT_DOWN = 5.0, 8.0
ENDS = (
    2 / 3
)  # of the starts cut within the second after pressure showed, those whose trace ends; else the engine stops
THRESHOLD_BAR, STEP_S = 0.5, 0.5
QUANTITIES = ("median", "p90", "share", "ratio")


@dataclass(frozen=True)
class Cell:
    """One kind of fleet: its name, the loggers' rates (each for as many starts), the share read by stopwatch, the share cut."""

    name: str
    rates: tuple[float, ...]
    watched: float = 0.0
    cut: float = 0.03


CELLS = (
    Cell("1 Hz", (1.0,)), Cell("2 Hz", (2.0,)), Cell("10 Hz", (10.0,)), Cell("1 Hz and stopwatch", (1.0,), 0.5),
    Cell("10 Hz and stopwatch", (10.0,), 0.5), Cell("1, 2 and 10 Hz", (1.0, 2.0, 10.0)),
    Cell("1 Hz, 15 in 100 cut", (1.0,), 0.0, 0.15),
)  # fmt: skip


def draw_times(rng: np.random.Generator, engines: int = ENGINES) -> pd.DataFrame:
    """True times of ``EACH`` starts an engine: columns engine, slow, time_s."""
    engine = np.repeat(np.arange(engines), EACH)
    slow = engine % 2
    own = rng.normal(0.0, SPREAD * np.sqrt(OWN), engines)[engine]
    rest = rng.normal(0.0, SPREAD * np.sqrt(1 - OWN), engine.size)
    middle = np.log(SLOW_90) - 1.2815515655 * SPREAD + np.log(RATIO) * slow
    return pd.DataFrame({"engine": engine, "slow": slow, "time_s": np.exp(middle + own + rest)})


def log_start(
    time_s: float, rate: float, rng: np.random.Generator, *, cut: float = 0.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Samples (t, speed, pressure) of one start as a logger with its own clock sees it; a share ``cut`` within the second."""
    begun = 2.0 + rng.random() / rate
    shown = begun + time_s
    end, stop = shown + 12.0, np.inf
    chance = rng.random()
    if time_s > SHUT_DOWN:
        stop = begun + SHUT_DOWN
    elif chance < cut * ENDS:
        end = shown + rng.random()
    elif chance < cut:
        stop = shown + rng.random()
    t = np.arange(0.0, min(end, stop + 3.0), 1.0 / rate)
    runs = (t >= begun) & (t < stop)
    pressure = np.where(runs & (t >= shown), 2.0 + rng.normal(0.0, 0.02, t.size), 0.0)
    return t, np.where(runs, 900.0, 0.0), pressure


def read_traces(
    times: np.ndarray, rates: np.ndarray, rng: np.random.Generator, *, cut: float = 0.0
) -> pd.DataFrame:
    """time_low_s, time_high_s, time_from_s, time_step_s and flags of logged starts, by the kernel and the jobs table's rule."""
    samples = [log_start(float(t), float(r), rng, cut=cut) for t, r in zip(times, rates, strict=True)]
    t, speed, pressure = (np.concatenate(column) for column in zip(*samples, strict=True))
    bounds = np.concatenate([[0], np.cumsum([len(one[0]) for one in samples])])
    steps = np.tile([THRESHOLD_BAR, 50.0, *(np.nan,) * 6], (len(samples), 1))
    found = traces.start_features(
        bounds, t, speed, pressure, np.full(t.size, 20.0), start_no=np.ones(len(samples)), steps=steps
    )
    return trace_intervals(found).assign(flags=found["flags"].to_numpy())


def read_fleet(fleet: pd.DataFrame, cell: Cell, rng: np.random.Generator) -> pd.DataFrame:
    """The fleet with its readings, each by logger or stopwatch."""
    times = fleet["time_s"].to_numpy()
    rates = rng.permutation(np.resize(cell.rates, times.size))
    read = read_traces(times, rates, rng, cut=cell.cut)
    watched = rng.random(times.size) < cell.watched
    if watched.any():
        given_up = times > SHUT_DOWN
        shown = np.round(np.where(given_up, SHUT_DOWN, times) / STEP_S) * STEP_S
        low, high = time_interval(pd.Series(shown), pd.Series(~given_up), pd.Series(STEP_S, index=read.index))
        by_hand = {"time_low_s": low, "time_high_s": high, "time_from_s": low, "time_step_s": 0.0}
        read = read.assign(**{name: read[name].mask(watched, values) for name, values in by_hand.items()})
    return fleet.join(read)


def ask_fleet(read: pd.DataFrame) -> dict[str, tuple[float, float, float]]:
    """(estimate, low, high) of every quantity; an open end is 0 or infinity."""
    low, high, step = (read[name].to_numpy(float) for name in ("time_from_s", "time_high_s", "time_step_s"))
    engine = read["engine"].to_numpy()
    found = {
        "median": estimate_quantile(low, high, 0.5, step=step, unit="s", cluster=engine),
        "p90": estimate_quantile(low, high, 0.9, step=step, unit="s", cluster=engine),
        "share": share_over(low, high, LIMIT, step=step, cluster=engine),
    }
    answer = {
        name: (e.estimate or np.nan, e.low or 0.0, np.inf if e.high is None else e.high)
        for name, e in found.items()
    }
    row = fit_aft(low, high, read[["slow"]], step=step, cluster=engine).time_ratios().iloc[0]
    answer["ratio"] = (float(row["estimate"]), float(row["low"]), float(row["high"]))
    return answer


def find_truth() -> dict[str, float]:
    """Truth of the quantities, by a large fleet."""
    big = draw_times(np.random.default_rng(1), engines=1_000_000)["time_s"].to_numpy()
    return {
        "median": float(np.median(big)),
        "p90": float(np.quantile(big, 0.9)),
        "share": float(np.mean(big > LIMIT)),
        "ratio": RATIO,
    }


def calibrate_cell(number: int, fleets: int, seed: int) -> list[dict[str, object]]:
    """Cover, bias and spread of every quantity in one kind of fleet, and how many true times lie outside their reading."""
    cell, truth = CELLS[number], find_truth()
    rng = np.random.default_rng(
        [seed, len(cell.rates), round(10 * cell.rates[0]), round(100 * cell.watched), round(100 * cell.cut)]
    )
    answers, outside, cut = [], 0, 0
    for _ in range(fleets):
        read = read_fleet(draw_times(rng), cell, rng)
        time = read["time_s"].to_numpy()
        logged = (read["time_step_s"] > 0).to_numpy()
        inside = (time > read["time_low_s"] - 1e-6) & (time <= read["time_high_s"] + 1e-6)
        outside += int((logged & ~inside.to_numpy()).sum())
        cut += int(read["flags"].str.contains("cut_short").sum())
        answers.append([ask_fleet(read)[name] for name in QUANTITIES])
    found = np.array(answers)
    return [
        {
            "loggers": cell.name,
            "quantity": name,
            "truth": truth[name],
            "cover": float(np.mean((found[:, j, 1] <= truth[name]) & (truth[name] <= found[:, j, 2]))),
            "bias": float(np.nanmean(found[:, j, 0]) - truth[name]),
            "spread": float(np.nanstd(found[:, j, 0])),
            "outside": outside,
            "cut_short": cut / fleets,
            "fleets": fleets,
        }
        for j, name in enumerate(QUANTITIES)
    ]


def write_tables(table: pd.DataFrame, folder: Path = TABLES) -> None:
    """The table as CSV, and the covers in Markdown with their chance error."""
    table.to_csv(folder / "traces.csv", index=False, float_format="%.5g")
    fleets = int(table["fleets"].iloc[0])
    error = 100 * np.sqrt(0.95 * 0.05 / fleets)
    lines = [
        f"Cover of 95 % intervals of logged times in 100 fleets ({fleets} fleets a row, chance error {error:.1f}); bias in brackets as a "
        "share of one fleet's error. 300 starts, 3 in 100 cut within the second after pressure unless said.", "",
        "| loggers | median | 90 % point | share over 5 s | time ratio | true times outside their reading |", "|---|---|---|---|---|---|",
    ]  # fmt: skip
    for name, rows in table.groupby("loggers", sort=False):
        by = rows.set_index("quantity")
        cells = [
            f"{100 * by.loc[q, 'cover']:.1f} ({by.loc[q, 'bias'] / by.loc[q, 'spread']:+.2f})"
            for q in QUANTITIES
        ]
        lines.append(f"| {name} | {' | '.join(cells)} | {int(by['outside'].iloc[0])} |")
    (folder / "traces.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


def main() -> int:
    parser = runner.make_parser(__doc__)
    parser.add_argument("--fleets", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=20261129)
    options = parser.parse_args()
    tasks = [(number, options.fleets, options.seed) for number in range(len(CELLS))]
    with runner.use(options):
        found = runner.run_fleets(calibrate_cell, tasks, what="traces, cells")
    write_tables(pd.DataFrame([row for rows in found for row in rows]))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
