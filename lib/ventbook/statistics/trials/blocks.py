"""From the engines drawn to blocks and pairs: as drawn, and with missing outcomes counted against the change."""

from __future__ import annotations

import numpy as np
import pandas as pd


def count_blocks(drawn: pd.DataFrame, *, missing_against: bool = False) -> pd.DataFrame:
    """Counts of each full block of a trial on a share.

    Parameters
    ----------
    drawn : DataFrame
        One row an engine of a full block: block, changed (as drawn), value (1 failing, 0 not, NaN missing); blocks
        come in the order in which they first stand.
    missing_against : bool
        Whether a missing outcome counts as failing with the change and as not failing as before; else it is left out.

    Returns
    -------
    DataFrame
        block, failing, ventings, treated, failing_treated.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.statistics import trials
    >>> drawn = pd.DataFrame({"block": "a", "changed": [True, True, False, False], "value": [0, None, 1, 0]})
    >>> trials.count_blocks(drawn).to_numpy()[0].tolist()
    ['a', 1, 3, 1, 0]
    >>> trials.count_blocks(drawn, missing_against=True).to_numpy()[0].tolist()
    ['a', 2, 4, 2, 1]
    """
    changed = drawn["changed"].to_numpy(bool)
    value = pd.to_numeric(drawn["value"]).to_numpy(float, na_value=np.nan)
    if missing_against:
        value = np.where(np.isnan(value), changed.astype(float), value)
    known = ~np.isnan(value)
    failing = known & (value > 0)
    table = pd.DataFrame(
        {
            "block": drawn["block"].to_numpy(),
            "failing": failing,
            "ventings": known,
            "treated": known & changed,
            "failing_treated": failing & changed,
        }
    )
    return table.groupby("block", sort=False).sum().astype(int).reset_index()


def pair_differences(drawn: pd.DataFrame, *, missing_against: bool = False) -> pd.DataFrame:
    """The difference of each full pair of a trial on a number of which less is better.

    Parameters
    ----------
    drawn : DataFrame
        One row an engine of a full pair: pair, changed (as drawn), value (logarithm of the number, NaN missing);
        pairs come in the order in which they first stand.
    missing_against : bool
        Whether a missing number counts as the highest of the trial with the change, and as the lowest as before;
        else its pair is left out.

    Returns
    -------
    DataFrame
        pair, difference: as before less with the change; missing where the pair is left out.

    Examples
    --------
    >>> import pandas as pd
    >>> from ventbook.statistics import trials
    >>> drawn = pd.DataFrame(
    ...     {"pair": ["a", "a", "b", "b"], "changed": [True, False, False, True], "value": [1.0, 1.5, 2.0, None]}
    ... )
    >>> trials.pair_differences(drawn)["difference"].tolist()
    [0.5, nan]
    >>> trials.pair_differences(drawn, missing_against=True)["difference"].tolist()
    [0.5, 0.0]
    """
    changed = drawn["changed"].to_numpy(bool)
    value = pd.to_numeric(drawn["value"]).to_numpy(float, na_value=np.nan)
    if missing_against and not np.isnan(value).all():
        worst = np.where(changed, np.nanmax(value), np.nanmin(value))
        value = np.where(np.isnan(value), worst, value)
    table = pd.DataFrame({"pair": drawn["pair"].to_numpy(), "difference": np.where(changed, -value, value)})
    return table.groupby("pair", sort=False)["difference"].sum(min_count=2).reset_index()
