"""What a fleet's counts say of the formula's constants: seen, not seen, or can't tell, with intervals."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import expit

from ventbook import distributions as stats
from ventbook.physics.priming.constants import NAMES, OPEN, SLIP, THROUGH, Constants, usual_theta
from ventbook.tables import engine_type_values
from ventbook.tables.priming import load_priming_rules, load_priming_terms

VERDICTS = ("seen", "not seen", "can't tell")


def describe_constants(constants: Constants, *, level: float = 0.95) -> pd.DataFrame:
    """Each constant of each engine type with its interval, beside its usual value, and whether the counts speak of it.

    Parameters
    ----------
    constants : Constants
        As :func:`fit_constants` gives them.
    level : float
        Of the intervals.

    Returns
    -------
    DataFrame
        engine_type, term (a name of ``data/priming.toml``), estimate, low, high, usual, usual_low, usual_high, verdict (one of
        "seen", "not seen", "can't tell"), n (ventings), engines. No rows where nothing was fitted.

    Notes
    -----
    Share of unsealed pumps, and slip: seen where the interval lies over what is worth seeing, not seen where it lies under it, else can't tell. What passes
    an unsealed pump is not seen where no such pumps are. The others, and what passes: seen where the interval is half as wide as the usual
    value's or less, else the usual value stands and can't be told.

    Examples
    --------
    >>> import ventbook
    >>> from ventbook.physics import priming
    >>> found = priming.describe_constants(priming.fit_constants(ventbook.read_ventings("data/demo/store")))
    >>> found.loc[found["term"] == "oil_efficiency", "verdict"].unique().tolist()
    ['seen']
    """
    rules, z = load_priming_rules(), float(stats.norm.ppf(0.5 + level / 2.0))
    between = np.array([term.between for term in load_priming_terms()])
    rows = []
    for k, name in enumerate(constants.types):
        middle, spread = usual_theta(engine_type_values(name))
        spread = np.hypot(spread, between)
        sd = np.sqrt(np.diag(constants.covariance[k]))
        ends = np.stack([constants.theta[k] + side * sd for side in (0.0, -z, z)])
        before = np.stack([middle + side * spread for side in (0.0, -z, z)])
        narrow = sd <= rules.seen_narrower * spread
        shown, usual = np.exp(ends), np.exp(before)
        shown[:, OPEN], usual[:, OPEN] = expit(ends[:, OPEN]), expit(before[:, OPEN])
        share = _judge(shown[1, OPEN], shown[2, OPEN], rules.seen_share)
        taken = shown[:, SLIP] / rules.thin_hand_Pa
        for place, term in enumerate(NAMES):
            verdict = VERDICTS[0 if narrow[place] else 2]
            if place == OPEN:
                verdict = share
            elif place == SLIP:
                verdict = _judge(taken[1], taken[2], rules.seen_slip)
            elif place == THROUGH and share == VERDICTS[1]:
                verdict = VERDICTS[1]
            rows.append((name, term, *shown[:, place], *usual[:, place], verdict, constants.ventings[k], constants.engines[k]))  # fmt: skip
    columns = ["engine_type", "term", "estimate", "low", "high", "usual", "usual_low", "usual_high", "verdict", "n", "engines"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _judge(low: float, high: float, worth: float) -> str:
    return VERDICTS[0 if low > worth else 1 if high < worth else 2]
