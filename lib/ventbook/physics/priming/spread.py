"""Where one venting's count may lie: two bells in the logarithm, one if the pump is sealed and one if it lets air through."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from ventbook.numerics import Floats

_HALVINGS = 30
SPREAD_COLUMNS = (
    "expected_sealed",
    "expected_let_through",
    "expected_unsealed",
    "expected_spread_sealed",
    "expected_spread_let_through",
)


@dataclass(frozen=True)
class Spread:
    """Log middle and standard deviation of each venting's count if its pump is sealed (``middle``, ``sigma``) and if it lets air through
    (``other``, ``other_sigma``), which it does with chance ``unsealed``; all (n,).
    """

    middle: Floats
    sigma: Floats
    other: Floats
    other_sigma: Floats
    unsealed: Floats

    def below(self, log_count: Floats) -> Floats:
        """Chance of a count at or under each."""
        sealed = ndtr((log_count - self.middle) / self.sigma)
        through = ndtr((log_count - self.other) / self.other_sigma)
        return sealed + self.unsealed * (through - sealed)

    def standardise(self, log_count: Floats) -> Floats:
        """Place of each count in a standard normal; (count - middle) / sigma where the pump's state is certain."""
        sealed, through = (
            (log_count - self.middle) / self.sigma,
            (log_count - self.other) / self.other_sigma,
        )
        upper = self.unsealed * ndtr(-through) + (1.0 - self.unsealed) * ndtr(-sealed)
        lower = self.unsealed * ndtr(through) + (1.0 - self.unsealed) * ndtr(sealed)
        with np.errstate(divide="ignore", invalid="ignore"):
            both = np.where(
                upper < lower, -ndtri(np.maximum(upper, 1e-300)), ndtri(np.maximum(lower, 1e-300))
            )
        return np.where(self.unsealed <= 0, sealed, np.where(self.unsealed >= 1, through, both))

    def place(self, z: Floats | float) -> Floats:
        """The log count at the place ``z`` of a standard normal: the inverse of :meth:`standardise`."""
        z = np.broadcast_to(np.asarray(z, float), self.middle.shape)
        one, two = self.middle + z * self.sigma, self.other + z * self.other_sigma
        out = np.where(self.unsealed >= 0.5, two, one)
        rows = np.flatnonzero(
            (self.unsealed > 1e-6) & (self.unsealed < 1.0 - 1e-6) & (np.abs(one - two) > 1e-6)
        )
        if not rows.size:
            return out
        some = Spread(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))
        low, high = np.minimum(one, two)[rows], np.maximum(one, two)[rows]
        asked = ndtr(z[rows])
        for _ in range(_HALVINGS):
            half = 0.5 * (low + high)
            under = some.below(half) < asked
            low, high = np.where(under, half, low), np.where(under, high, half)
        out[rows] = 0.5 * (low + high)
        return out

    def widen(self, extra: Floats | float) -> Spread:
        """The same with ``extra`` added to both standard deviations, as variances add."""
        return replace(self, sigma=np.hypot(self.sigma, extra), other_sigma=np.hypot(self.other_sigma, extra))


def read_spread(frame: pd.DataFrame, *, usual: float) -> Spread:
    """Where the counts of ventings with an expectation may lie; ``usual`` scatter and the expectation alone where the frame has no more."""
    if not set(SPREAD_COLUMNS) <= set(frame.columns):
        middle = np.log(frame["expected_rotations"].to_numpy(float))
        sigma = np.full(len(frame), usual)
        return Spread(middle, sigma, middle, sigma, np.zeros(len(frame)))
    with np.errstate(invalid="ignore"):
        middle, other = (
            np.log(frame[name].to_numpy(float)) for name in ("expected_sealed", "expected_let_through")
        )
    sigma, other_sigma, unsealed = (
        frame[name].to_numpy(float)
        for name in ("expected_spread_sealed", "expected_spread_let_through", "expected_unsealed")
    )
    stalls = np.isnan(other)  # such a pump shows no count at all
    return Spread(
        middle,
        sigma,
        np.where(stalls, middle, other),
        np.where(stalls, sigma, other_sigma),
        np.where(stalls, 0.0, unsealed),
    )
