"""Failure modes held against each finding: which its record fits, which it rules out, what would decide."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from ventbook import dictionary

from .factors import MECHANISMS
from .signs import KEY, SIGNS

VERDICTS = ("fits", "open", "ruled_out")
SIGNS_TO_FIT = 2


@dataclass(frozen=True)
class Mode:
    """One row of ``data/modes.toml``: signs as {sign: values}; the file's head explains them."""

    number: int
    name: str
    mechanism: str
    key: Mapping[str, tuple[str, ...]]
    fits: Mapping[str, tuple[str, ...]]
    against: Mapping[str, tuple[str, ...]]
    check: str


@dataclass(frozen=True)
class Reading:
    """A reading that could still be taken: which sign it gives, in words, its cost (1..5) and its warnings."""

    sign: str
    text: str
    cost: int
    safety: str


@dataclass(frozen=True)
class ModeTable:
    """All of ``data/modes.toml``."""

    modes: tuple[Mode, ...]
    readings: tuple[Reading, ...]
    safety: Mapping[str, str] = field(default_factory=dict)


def load_modes(path: Path | str | None = None) -> ModeTable:
    """The table of failure modes, checked; all faults in one TableError naming the file."""
    path = Path(path) if path is not None else dictionary.DATA / "modes.toml"
    document = tomllib.loads(path.read_text(encoding="utf-8"))
    faults: list[str] = []
    modes = []
    for row in document.get("mode", []):
        where = f"mode {row.get('number', '?')}"
        groups: dict[str, dict[str, tuple[str, ...]]] = {}
        for group in ("key", "fits", "against"):
            groups[group] = {sign: tuple(values) for sign, values in row.get(group, {}).items()}
            faults += _sign_faults(f"{where} {group}", groups[group])
        if row.get("mechanism") not in MECHANISMS:
            faults.append(
                f"{where}: mechanism must be one of {', '.join(MECHANISMS)}; got {row.get('mechanism')!r}"
            )
        modes.append(Mode(row["number"], row["name"], row.get("mechanism", ""), check=row["check"], **groups))
    readings = tuple(Reading(**row) for row in document.get("reading", []))
    safety = document.get("safety", {})
    faults += [f"reading {r.sign}: not a sign" for r in readings if r.sign not in SIGNS]
    faults += [f"reading {r.sign}: no safety words {r.safety!r}" for r in readings if r.safety not in safety]
    if faults:
        raise dictionary.TableError(f"{path.name}: " + "; ".join(faults))
    return ModeTable(tuple(modes), readings, safety)


def _sign_faults(where: str, group: Mapping[str, Iterable[str]]) -> list[str]:
    faults = []
    for sign, values in group.items():
        if sign not in SIGNS:
            faults.append(f"{where}: {sign} is not a sign")
            continue
        faults += [
            f"{where}: {sign} can't be {value!r}; it is {', '.join(SIGNS[sign])}"
            for value in values
            if value not in SIGNS[sign]
        ]
    return faults


def match_modes(signs: pd.DataFrame, *, table: ModeTable | None = None) -> pd.DataFrame:
    """Every finding against every mode, one row each, in the order of ``signs`` and of the table.

    ``signs`` comes from :func:`~ventbook.contexts.describe_findings`. Columns: venting_id, cylinder, valve, mode (number),
    name, mechanism, verdict ("fits", "open", "ruled_out"), speaks_for, speaks_against, not_recorded (text, signs joined
    by commas), score (signs for, key signs twice; -1 where ruled out), check.
    """
    table = table or load_modes()
    rows: list[dict[str, Any]] = []
    for finding in signs.to_dict("records"):
        seen = {sign: finding.get(sign) for sign in SIGNS}
        for mode in table.modes:
            key, more, against = (_hits(group, seen) for group in (mode.key, mode.fits, mode.against))
            both = key + [sign for sign in more if sign not in key]
            verdict = "open"
            if against:
                verdict = "ruled_out"
            elif key and len(both) >= SIGNS_TO_FIT:
                verdict = "fits"
            asked = {**mode.key, **mode.against}
            rows.append(
                {
                    **{name: finding[name] for name in KEY},
                    "mode": mode.number,
                    "name": mode.name,
                    "mechanism": mode.mechanism,
                    "verdict": verdict,
                    "speaks_for": ", ".join(_say(sign, seen) for sign in both),
                    "speaks_against": ", ".join(_say(sign, seen) for sign in against),
                    "not_recorded": ", ".join(sign for sign in asked if not seen[sign]),
                    "score": -1 if against else len(both) + len(key),
                    "check": mode.check,
                }
            )
    columns = [*KEY, "mode", "name", "mechanism", "verdict", "speaks_for", "speaks_against", "not_recorded"]
    return pd.DataFrame(rows, columns=[*columns, "score", "check"])


def _hits(group: Mapping[str, tuple[str, ...]], seen: Mapping[str, Any]) -> list[str]:
    return [sign for sign, values in group.items() if seen[sign] in values]


def _say(sign: str, seen: Mapping[str, Any]) -> str:
    return f"{sign.replace('_', ' ')} {str(seen[sign]).replace('_', ' ')}"


def choose_readings(signs: pd.DataFrame, *, table: ModeTable | None = None) -> pd.DataFrame:
    """For each finding the one reading, not taken so far, that would decide most.

    A reading is worth the number of modes not yet ruled out that some value of its sign would rule out, plus those
    that some value would newly give a key sign; the cheapest of the best is named. Columns: venting_id, cylinder, valve,
    sign, reading, would_decide (number of modes), cost, safety; an empty text where nothing is left to read.
    """
    table = table or load_modes()
    matched = match_modes(signs, table=table)
    standing = matched[matched["verdict"] != "ruled_out"].groupby(KEY, sort=False)["mode"].agg(list)
    by_number = {mode.number: mode for mode in table.modes}
    rows = []
    for finding in signs.to_dict("records"):
        place = tuple(finding[name] for name in KEY)
        modes = [by_number[number] for number in standing.get(place, [])]
        best: tuple[int, int, Reading] | None = None
        for reading in table.readings:
            if finding.get(reading.sign):
                continue
            worth = sum(reading.sign in mode.against for mode in modes)
            worth += sum(reading.sign in mode.key for mode in modes)
            if worth and (best is None or (worth, -reading.cost) > (best[0], -best[1])):
                best = (worth, reading.cost, reading)
        row: dict[str, Any] = dict(zip(KEY, place, strict=True))
        if best is None:
            row |= {"sign": "", "reading": "", "would_decide": 0, "cost": 0, "safety": ""}
        else:
            worth, cost, reading = best
            row |= {"sign": reading.sign, "reading": reading.text, "would_decide": worth, "cost": cost}
            row["safety"] = table.safety[reading.safety]
        rows.append(row)
    return pd.DataFrame(rows, columns=[*KEY, "sign", "reading", "would_decide", "cost", "safety"])


def count_modes(matched: pd.DataFrame, *, table: ModeTable | None = None) -> pd.DataFrame:
    """How many findings each mode fits, leaves open and is ruled out for; one row a mode, most fitting first.

    ``best`` counts findings that the mode fits and for which no other scores as high. A mode without findings keeps
    its row.
    """
    table = table or load_modes()
    modes = [(mode.number, mode.name, mode.mechanism) for mode in table.modes]
    counts = pd.DataFrame(modes, columns=["mode", "name", "mechanism"])
    for verdict in VERDICTS:
        n = matched.loc[matched["verdict"] == verdict].groupby("mode").size()
        counts[verdict] = counts["mode"].map(n).fillna(0).astype("int64")
    leads = matched[
        (matched["verdict"] == "fits") & (matched["score"] == matched.groupby(KEY)["score"].transform("max"))
    ]
    alone = leads[~leads.duplicated(KEY, keep=False)].groupby("mode").size()
    counts["best"] = counts["mode"].map(alone).fillna(0).astype("int64")
    return counts.sort_values(["fits", "mode"], ascending=[False, True]).reset_index(drop=True)
