"""The fleet's own distribution of true gaps: what the readings say once the gauge's error is taken out, of no set shape.

True gaps are a mixture of narrow normals, one every gauge uncertainty and as wide as it, so that sound lifters at .2 mm
and air-bound ones at .8 mm stand side by side without a curve that must run through the limit between them. The weights
make the readings as likely as can be, by expectation-maximisation. A reading counts as the step that it lies in, one
under the gauge's step as anything up to it.

References
----------
[1] J. Kiefer, J. Wolfowitz, Ann. Math. Statist. 27 (1956) 887: the mixing distribution of highest likelihood.
[2] R. Koenker, I. Mizera, JASA 109 (2014) 674: on a grid it is a convex problem, and how far off the top bounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from ventbook.results import NotEnoughData

Floats = npt.NDArray[np.float64]

LEAST_READINGS = 8
USUAL_STEPS_MM = (0.01, 0.02, 0.05, 0.1)
STEPS, ENOUGH = (
    2_000,
    0.5,
)  # of the climb; it ends sooner where the log-likelihood can't rise by more than ENOUGH
MOST_COMPONENTS, MOST_READINGS = 400, 800
NARROWEST_MM = 0.002


@dataclass(frozen=True)
class GapDistribution:
    """True gaps (mm) of a fleet: normals at ``middle`` of standard deviation ``width`` with weights that sum to 1.

    n readings, ``under_step`` of them under the gauge's step.
    """

    middle: Floats
    width: float
    weight: Floats
    n: int
    under_step: int


@dataclass(frozen=True)
class Readings:
    """Distinct readings as (low, high] in mm with their uncertainty, and which of them each reading is."""

    low: Floats
    high: Floats
    u: Floats
    code: npt.NDArray[np.integer[Any]]
    under_step: int

    def count(self, weight: Floats | None = None) -> Floats:
        """Readings (or their weights) by distinct reading."""
        return np.bincount(self.code, weight, len(self.low)).astype(np.float64)


def deconvolve_gaps(reading: Any, *, u: Any, step: float) -> GapDistribution:
    """Distribution of true gaps from first readings (mm) of standard uncertainty ``u`` (one value or one a reading).

    ``step``: what the gauge reads in, mm. Missing readings are left out. Raises NotEnoughData with under
    LEAST_READINGS readings of at least a step.
    """
    readings = group_readings(reading, u=u, step=step)
    at, width = lay_components(readings)
    counts = readings.count()
    likelihood = tell_likelihood(readings, at, width)
    weight = climb(likelihood, counts[None], np.full((1, len(at)), 1.0 / len(at)), steps=STEPS)[0]
    return GapDistribution(at, width, weight, int(counts.sum()), readings.under_step)


def reading_step(reading: pd.Series) -> float:
    """Largest usual step that nearly all readings are multiples of, mm; .01 where none fits."""
    values = reading.dropna().to_numpy(dtype=float)
    values = values[values > 0]
    for step in sorted(USUAL_STEPS_MM, reverse=True):
        if values.size and (np.abs(values / step - np.round(values / step)) < 1e-6).mean() > 0.98:
            return step
    return USUAL_STEPS_MM[0]


def group_readings(reading: Any, *, u: Any, step: float) -> Readings:
    """The distinct readings of a fleet; see :func:`deconvolve_gaps`."""
    if not step > 0:
        raise ValueError(f"step must be over 0 mm; got {step!r}")
    gap = pd.to_numeric(pd.Series(reading)).to_numpy(dtype=float, na_value=np.nan)
    error = np.broadcast_to(np.asarray(u, dtype=float), gap.shape)
    ok = np.isfinite(gap)
    if not (np.isfinite(error[ok]).all() and (error[ok] >= 0).all()):
        raise ValueError("u must be finite and 0 mm or more for every reading")
    gap, error = gap[ok], error[ok]
    over = gap >= step - 1e-12
    if over.sum() < LEAST_READINGS:
        raise NotEnoughData(
            "spread of true gaps, readings over the gauge's step", n=int(over.sum()), needed=LEAST_READINGS
        )
    table = pd.DataFrame({"gap": np.where(over, gap.round(6), 0.0), "u": error.round(6), "over": over})
    grouped = table.groupby(["gap", "u", "over"], sort=True)
    if grouped.ngroups > MOST_READINGS:
        fine = max(float(np.median(error)) / 4, gap.max() / MOST_READINGS)
        table["gap"] = np.where(over, np.maximum((gap / fine).round() * fine, step), 0.0)
        grouped = table.groupby(["gap", "u", "over"], sort=True)
    value, spread, seen = (column.to_numpy() for _, column in grouped.size().index.to_frame().items())
    low = np.where(seen, value - step / 2, -np.inf)
    high = np.where(seen, value + step / 2, step)
    return Readings(low, high, spread, grouped.ngroup().to_numpy(dtype=np.intp), int((~over).sum()))


def lay_components(readings: Readings) -> tuple[Floats, float]:
    """Where the narrow normals lie that the distribution is put together from, and how wide they are."""
    top = float(readings.high.max()) + 2 * float(readings.u.max())
    width = max(float(np.median(readings.u[readings.code])), NARROWEST_MM, top / MOST_COMPONENTS)
    at = np.arange(0.0, top + width, width)
    best = tell_likelihood(readings, at, width).max(axis=0)
    return at[best > 1e-6 * best.max()], width  # none where no reading is near


def tell_likelihood(readings: Readings, at: Floats, width: float) -> Floats:
    """Probability of each distinct reading under each component, (readings, components)."""
    spread = np.hypot(readings.u, width)[:, None]
    low, high = ((end[:, None] - at) / spread for end in (readings.low, readings.high))
    # both tails keep their digits: the upper one is read from the other side
    flip = low > 0
    return special.ndtr(np.where(flip, -low, high)) - special.ndtr(np.where(flip, -high, low))


def climb(likelihood: Floats, counts: Floats, weight: Floats, *, steps: int) -> Floats:
    """Weights of highest likelihood for each row of ``counts`` (b, readings) from ``weight`` (b, components)."""
    total = counts.sum(axis=1, keepdims=True)
    for _ in range(steps):
        gain = (counts / np.maximum(weight @ likelihood.T, 1e-300)) @ likelihood / total
        if np.all((gain.max(axis=1) - 1.0) * total[:, 0] < ENOUGH):
            break
        weight = weight * gain
    return weight / weight.sum(axis=1, keepdims=True)


def gap_density(spread: GapDistribution, gap: npt.ArrayLike) -> Floats:
    """Density [1/mm] of true gaps at ``gap`` (any shape), half a reading of all spread evenly besides.

    So that a gap where no reading fell is unlikely, not impossible.
    """
    x = np.asarray(gap, dtype=float)
    fine = np.arange(0.0, float(spread.middle[-1]) + 6 * spread.width, spread.width / 4)
    z = (fine[:, None] - spread.middle) / spread.width
    curve = np.exp(-0.5 * z**2) @ spread.weight / (spread.width * np.sqrt(2 * np.pi))
    even = 0.5 / fine[-1]
    return (spread.n * np.interp(x, fine, curve, right=0.0) + even) / (spread.n + 0.5)
