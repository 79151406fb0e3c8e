"""How often the reports name a circumstance where none acts, and how often one that acts: the final sentences counted.

    python -m calibrate.calibrate_statements [--fleets 200] [--kind NAME ...] [--out calibrate/tables]

writes calibrate/tables/statements.csv and statements.md. Simulated fleets with known truth go through the functions that
write the reports' sentences: ratios of times and of rotations, circumstances of spongy lifters, and what the failing
ventings of a signalled site share. What counts is what a reader sees: a name in an answer, or a question beside it. Fleets of
300 ventings on 120 engines at 4 sites (see calibrate_contexts), small ones of 120 on 60.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from calibrate import calibrate_contexts as fleets
from ventbook.pages import waits

SEED = 20261129
#: Relative spread of times between engines and between ventings; a stopwatch's step.
ENGINE_SPREAD, VENTING_SPREAD, STEP_S = 0.25, 0.4, 0.5


@dataclass(frozen=True)
class Said:
    """What one report's sentences say of one fleet: circumstances named in the answer, and asked beside it."""

    named: tuple[str, ...] = ()
    asked: tuple[str, ...] = ()


def draw_times(rng: np.random.Generator, *, ventings: int, engines: int, times: float = 1.0) -> pd.DataFrame:
    """Ventings with a time to pressure by stopwatch; an empty cooler multiplies it by ``times``, nothing else acts."""
    jobs, engine = fleets.draw_context(rng, ventings=ventings, engines=engines)
    spread = rng.normal(0, ENGINE_SPREAD, engines)[engine] + rng.normal(0, VENTING_SPREAD, ventings)
    seconds = np.exp(0.9 + spread + np.log(times) * jobs["cooler_empty"].to_numpy(float))
    read = np.round(seconds / STEP_S) * STEP_S
    return waits.add_groupings(jobs).assign(
        wait_low=np.maximum(read - STEP_S / 2, 0.0), wait_high=read + STEP_S / 2
    )


def read_waits(jobs: pd.DataFrame, wait: waits.Wait) -> Said:
    """What the page of ``wait`` says of these ventings: in the answer's sentence, and in the question beside it."""
    effects = waits.fit_effects(jobs, wait, level=0.95)
    answer, asked = waits.say_effects(effects, wait), waits.ask_effects(effects, wait)
    labels = effects.table["label"].tolist()
    return Said(tuple(x for x in labels if x in answer), tuple(x for x in labels if x in asked))
