"""What stays open of an expectation where lines, cooler or filter were not recorded: the rotations at stake.

A blank "empty?" is not half an empty line: it is a full one or an empty one, and a site that leaves it blank mostly leaves
the same answer blank. So the expectation is kept with all blanks as "no", beside what each "yes" would add.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from ventbook.priming.formula import Floats, line_volume_cm3
from ventbook.priming.inputs import BIT, Inputs

BLANKS = {
    "lines_empty": "expected_stake_lines",
    "cooler_empty": "expected_stake_cooler",
    "filter_new": "expected_stake_filter",
}
"""Field of the record -> rotations that "yes" adds to "no", 0 where the record says which."""
COLUMNS = ("expected_least", *BLANKS.values(), "expected_u_sizes")


def open_parts(inputs: Inputs, terms: dict[str, Floats]) -> dict[str, Floats]:
    """COLUMNS for each row: the expectation with every blank as "no", the stakes, and the log uncertainty of sizes.

    ``expected_u_sizes`` is what displacement, line, cooler and filter volume leave open where the engine type's usual value
    stands in: an error that all ventings of the type share.
    """
    v = inputs.value
    swept = v["pump_displacement_cm3"]
    inlet = np.where(terms["inlet_bar"] > 0, terms["inlet_bar"], np.nan)  # no number there anyway
    on_air = v["ambient_bar"] / inlet / (v["air_efficiency"] * swept)
    whole = {
        "lines_empty": line_volume_cm3(v["suction_line_length_m"], v["suction_line_bore_mm"]) * on_air,
        "cooler_empty": v["cooler_volume_L"] * 1e3 * on_air,
        "filter_new": v["filter_volume_L"] * 1e3 / (v["oil_efficiency"] * swept),
    }
    out, least = {}, terms["rotations"].copy()
    for name, column in BLANKS.items():
        open_ = ((inputs.taken & BIT[name]) != 0) & (v[name] > 0) & (v[name] < 1)
        out[column] = np.where(open_, whole[name], 0.0)
        least = least - np.where(open_, whole[name] * v[name], 0.0)
    sizes = {
        "pump_displacement_cm3": (1.0, np.ones_like(swept)),
        "suction_line_length_m": (1.0, whole["lines_empty"] * v["lines_empty"]),
        "suction_line_bore_mm": (2.0, whole["lines_empty"] * v["lines_empty"]),
        "cooler_volume_L": (1.0, whole["cooler_empty"] * v["cooler_empty"]),
        "filter_volume_L": (1.0, whole["filter_new"] * v["filter_new"]),
    }
    square = np.zeros_like(swept)
    for name, (power, part) in sizes.items():
        relative = np.array([t.u(name) / t[name] if t[name] else 0.0 for t in inputs.types])[inputs.type_code]
        share = part if name == "pump_displacement_cm3" else part / terms["rotations"]
        square += np.where((inputs.taken & BIT[name]) != 0, (power * relative * share) ** 2, 0.0)
    return {"expected_least": least, **out, "expected_u_sizes": np.sqrt(square)}


def list_options(used: pd.DataFrame) -> Floats:
    """Log expectation of each row under every answer to its blanks, (n, 8); NaN where the record already says.

    Rows without blanks, and frames without these columns, have one option: the expectation as it is.
    """
    n = len(used)
    out = np.full((n, 2 ** len(BLANKS)), np.nan)
    if "expected_least" not in used.columns:
        out[:, 0] = used["_expected"].to_numpy(float)
        return out
    stakes = np.column_stack([used[name].to_numpy(float) for name in BLANKS.values()])
    for k in range(out.shape[1]):
        yes = np.array([(k >> i) & 1 for i in range(len(BLANKS))], dtype=float)
        possible = ~((stakes <= 0) & (yes > 0)).any(axis=1)
        out[possible, k] = np.log(used["expected_least"].to_numpy(float) + stakes @ yes)[possible]
    return out


def shared_u_log(used: pd.DataFrame) -> float:
    """Log uncertainty of the mean expectation of ``used`` from sizes that an engine type's ventings share."""
    if "expected_u_sizes" not in used.columns:
        return 0.0
    by_type = used.groupby("engine_type")["expected_u_sizes"].agg(["mean", "size"])
    return float(np.sqrt(((by_type["mean"] * by_type["size"] / len(used)) ** 2).sum()))
