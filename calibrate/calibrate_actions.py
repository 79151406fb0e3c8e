"""How often an action is called "worked", on simulated fleets, beside what a naive comparison calls.

    python -m calibrate.calibrate_actions [--fleets 500] [--seed 1]

writes calibrate/tables/actions.csv and actions.md. A fleet has 60, 120 or 300 ventings a quarter; each shows the kind aimed
at, the control, or neither. Four usual quarters, a bad one, a waiting one (the review is read, the action prepared), then
four quarters of the action with the looks after two and four. The naive comparison holds the bad quarter's share of the
kind against the same quarters after (two shares, two-sided p < .05, fewer).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from calibrate import runner
from ventbook.statistics.trends import Findings, judge_before_after

TABLES = Path(__file__).parent / "tables"
SIZES = (60, 120, 300)
USUAL, MOST = 4, 60


@dataclass(frozen=True)
class Fleet:
    """One kind of fleet.

    kind, control : shares of all ventings; ``kind_times`` and ``control_times`` multiply them from the action on.
    spread : sd of the log share of each kind from quarter to quarter.
    A rise elsewhere hides a fall of the kind from whoever counts all failing ventings; it may lie in the control or in neither.
    started : the action follows the first quarter whose count of the kind stands out at 5 % from the four before; else
        any quarter (a long-standing problem).
    declared : whether the quarter that led to it is; else the worst of the four before the action is taken for it.
    rise : multiplies the kind in the bad and the waiting quarter; it ends by itself.
    """

    name: str
    kind: float = 0.12
    control: float = 0.12
    kind_times: float = 1.0
    control_times: float = 1.0
    spread: float = 0.0
    started: bool = True
    declared: bool = True
    rise: float = 1.0


FLEETS = (
    Fleet("no effect after a chance bad quarter"),
    Fleet("no effect after a chance bad quarter, kind at 6 %", kind=0.06),
    Fleet("no effect, kinds vary separately", spread=0.15),
    Fleet("no effect, kinds vary separately, no bad quarter, none declared", spread=0.15, started=False, declared=False),
    Fleet("no effect, everything falls to .6", kind_times=0.6, control_times=0.6),
    Fleet("a quarter as many, 12 %, the rise of 1.8 in neither", kind_times=0.25, started=False),
    Fleet("a quarter as many, 8 %, the rise of 1.8 in neither", kind=0.08, kind_times=0.25, started=False),
    Fleet("half as many, 12 %, the rise of 1.8 in neither", kind_times=0.5, started=False),
    Fleet("a quarter as many, 12 %, the control rises by 1.8", kind_times=0.25, control_times=1.8, started=False),
    Fleet("the same, kinds vary separately", kind_times=0.25, control_times=1.8, spread=0.15, started=False),
    Fleet("a quarter as many, 12 %, control scarce (4 %)", control=0.04, kind_times=0.25, started=False),
    Fleet("half as many, 12 %, the control rises by 1.8", kind_times=0.5, control_times=1.8, started=False),
    Fleet("a rise of 2.5 that ends by itself, 6 %", kind=0.06, rise=2.5, started=False),
)  # fmt: skip


def draw_quarters(fleet: Fleet, ventings: int, rng: np.random.Generator) -> tuple[np.ndarray, int] | None:
    """Counts of the kind and of the control, a row a quarter, the last four since the action, and the row of the bad quarter;
    None where no quarter was bad.
    """

    def draw(number: int, kind: float, control: float) -> np.ndarray:
        shares = np.array([kind, control]) * np.exp(fleet.spread * rng.standard_normal((number, 2)))
        rest = 1.0 - shares.sum(axis=1, keepdims=True)
        return rng.multinomial(ventings, np.hstack([shares, rest]))[:, :2]

    after = draw(4, fleet.kind * fleet.kind_times, fleet.control * fleet.control_times)
    if fleet.started:
        run = draw(MOST, fleet.kind, fleet.control)
        sums = np.convolve(run[:, 0], np.ones(USUAL + 1, int), mode="full")[: len(run)]
        stands_out = stats.binom.sf(run[:, 0] - 1, sums, 1 / (USUAL + 1)) <= 0.05
        found = np.flatnonzero(stands_out[USUAL:-1]) + USUAL
        if not len(found):
            return None
        return np.vstack([run[: found[0] + 2], after]), int(found[0])
    if not fleet.declared:
        run = draw(2 * USUAL, fleet.kind, fleet.control)
        return np.vstack([run, after]), 2 * USUAL - 1 - int(run[: USUAL - 1 : -1, 0].argmax())
    run = [draw(USUAL, fleet.kind, fleet.control), draw(2, fleet.kind * fleet.rise, fleet.control)]
    return np.vstack([*run, after]), USUAL


def judge_fleet(counts: np.ndarray, bad: int, ventings: int) -> tuple[str, bool]:
    """What the action is called, and whether the naive comparison calls it a success."""

    def span(first: int, last: int) -> Findings:
        kind, control = counts[first:last].sum(axis=0).tolist()
        return Findings(kind, control, last - first)

    since = len(counts) - 4
    looks = [span(since, since + 2), span(since, since + 4)]
    verdict = judge_before_after(span(bad - USUAL, bad), span(bad, bad + 1), span(bad + 1, since), looks)
    naive, then = False, int(counts[bad, 0])
    for quarters, look in zip((2, 4), looks, strict=True):
        n = ventings * quarters
        share, both = look.kind / n, (then + look.kind) / (ventings + n)
        error = np.sqrt(both * (1 - both) * (1 / ventings + 1 / n))
        naive |= bool(then / ventings - share > 1.96 * error)
    return verdict.called, naive


def run_fleets(fleet: Fleet, ventings: int, *, fleets: int, seed: int) -> dict[str, float | str | int]:
    """Shares of the fleets by what was called."""
    rng = np.random.default_rng([seed, ventings, FLEETS.index(fleet)])
    called: list[tuple[str, bool]] = []
    while len(called) < fleets:
        drawn = draw_quarters(fleet, ventings, rng)
        if drawn is not None:
            called.append(judge_fleet(*drawn, ventings))
    words = [word for word, _ in called]
    row: dict[str, float | str | int] = {"fleet": fleet.name, "ventings": ventings, "fleets": fleets}
    row |= {word: words.count(word) / fleets for word in ("worked", "fell", "rose", "no difference")}
    row["naive"] = sum(naive for _, naive in called) / fleets
    row["worked_error"] = float(
        np.sqrt(max(float(row["worked"]) * (1 - float(row["worked"])), 1 / fleets) / fleets)
    )
    return row


def run_cell(name: str, ventings: int, fleets: int, seed: int) -> dict[str, float | str | int]:
    """One row of the table."""
    return run_fleets(next(f for f in FLEETS if f.name == name), ventings, fleets=fleets, seed=seed)


def main() -> None:
    """Writes the tables."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--fleets", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    cells = [(fleet.name, ventings, asked.fleets, asked.seed) for fleet in FLEETS for ventings in SIZES]
    with runner.use(asked):
        rows = runner.run_fleets(run_cell, cells, what="actions, cells")
    table = pd.DataFrame(rows)
    TABLES.mkdir(exist_ok=True)
    table.round(4).to_csv(TABLES / "actions.csv", index=False)
    lines = [
        "# Actions: what they are called",
        "",
        f"{asked.fleets} fleets a cell, at 60 / 120 / 300 ventings a quarter, in % of fleets. Chance error of a share near 2 %: "
        f"{100 * (0.02 * 0.98 / asked.fleets) ** 0.5:.1f} points, near 80 %: {100 * (0.16 / asked.fleets) ** 0.5:.1f}.",
        "",
        "| fleet | naive | worked | fell, may be the bad quarter passing | rose |",
        "|---|---|---|---|---|",
    ]
    for name, own in table.groupby("fleet", sort=False):
        shares = [" / ".join(f"{100 * v:.1f}" for v in own[c]) for c in ("naive", "worked", "fell", "rose")]
        lines.append(f"| {name} | {' | '.join(shares)} |")
    (TABLES / "actions.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
