"""Do the predictions of the planned-venting report keep their word? Invented fleets, each quarter told from those before.

    python -m calibrate.calibrate_planned [--fleets 10] [--seed 100]

writes calibrate/tables/planned.csv and planned.md. Innocent fleets (workshops differ in habits only) and fleets with all
causes planted, 600 ventings each. 90 % ranges of rotations and seconds should hold 87 to 93 of 100; the Brier score of
the chance of a spongy lifter should be no more than .002 over that of the site's own past where nothing is planted,
and under it where something is. "Innocent, simulated" fleets draw findings by one share for all: the hardest case for a
model, since there is nothing to find.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from calibrate import runner
from ventbook import demo
from ventbook.model import build_lifters, build_ventings
from ventbook.statistics import forecast

TABLES = Path(__file__).parent / "tables"
SHARE = 0.12


def score_fleet(jobs: pd.DataFrame, lifters: pd.DataFrame) -> dict[str, float]:
    """Coverage of both ranges and both Brier scores over all quarters told in advance."""
    scored = forecast.roll_forward(jobs, lifters)
    known = scored[scored["failed"].notna()]
    briers = {by: float(((known[by] - known["failed"]) ** 2).mean()) for by in ("chance", "site_chance")}
    return {
        "ventings": len(scored),
        "rotations_held": float(scored["rotations_held"].mean()),
        "time_held": float(scored["time_held"].mean()),
        "rotations_error": float(np.sqrt((scored["rotations_error"] ** 2).mean())),
        "site_rotations_error": float(np.sqrt((scored["site_rotations_error"] ** 2).mean())),
        "brier": briers["chance"],
        "site_brier": briers["site_chance"],
    }


def _redraw(lifters: pd.DataFrame, failing: pd.Series) -> pd.DataFrame:
    """The lifters with one over the limit, the first judged, at each of the failing ventings and none elsewhere."""
    judged = lifters["over_first"].notna()
    first = judged & ~lifters["venting_id"].where(judged).duplicated()
    over = first & lifters["venting_id"].isin(failing)
    return lifters.assign(over_first=over.astype("boolean").where(judged))


def judge_fleets(kind: str, seed: int) -> list[dict[str, float | str]]:
    """The row of one fleet; beside an innocent one that of the same ventings with findings drawn by one share for all."""
    fleet = demo.simulate_fleet(
        ventings=600, plant=() if kind == "innocent" else None, traces=False, seed=seed
    )
    tables = {name: frame for name, frame in fleet.tables().items() if name != "samples"}
    lifters = build_lifters(tables)
    jobs = build_ventings(tables, lifters=lifters)
    rows: list[dict[str, float | str]] = [{"fleet": kind, "seed": seed, **score_fleet(jobs, lifters)}]
    if kind == "innocent":
        rng = np.random.default_rng(seed)
        drawn = pd.array(rng.random(len(jobs)) < SHARE, dtype="boolean")
        scored = score_fleet(jobs.assign(failed_first=drawn), _redraw(lifters, jobs["venting_id"][drawn]))
        rows.append({"fleet": "innocent, simulated", "seed": seed, **scored})
    return rows


def main() -> None:
    """Writes the tables."""
    parser = runner.make_parser(__doc__)
    parser.add_argument("--fleets", type=int, default=10)
    parser.add_argument("--seed", type=int, default=100)
    asked = parser.parse_args()
    tasks = [
        (kind, asked.seed + number) for number in range(asked.fleets) for kind in ("innocent", "planted")
    ]
    with runner.use(asked):
        found = runner.run_fleets(judge_fleets, tasks, what="planned")
    table = pd.DataFrame([row for rows in found for row in rows])
    TABLES.mkdir(exist_ok=True)
    table.round(4).to_csv(TABLES / "planned.csv", index=False)
    mean = table.drop(columns="seed").groupby("fleet", sort=False).mean()
    lines = [
        "# Predictions of the planned-venting report",
        "",
        f"Mean of {asked.fleets} fleets of each kind, 600 ventings each, every quarter told from the quarters before it.",
        "",
        "| fleet | rotations in 90 % range | seconds in 90 % range | log error, rotations | by site's past | Brier score | by site's past |",
        "|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {kind} | {r['rotations_held']:.1%} | {r['time_held']:.1%} | {r['rotations_error']:.3f} | {r['site_rotations_error']:.3f} "
        f"| {r['brier']:.4f} | {r['site_brier']:.4f} |"
        for kind, r in mean.iterrows()
    ]
    (TABLES / "planned.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
