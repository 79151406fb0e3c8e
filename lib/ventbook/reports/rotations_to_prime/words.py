"""Sentences on rotations until oil pressure showed, and on what to expect at a planned venting."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from ventbook.document.wording import count, join_words, number, of_total, state_words, value_range
from ventbook.physics.priming import LetThrough
from ventbook.results import Estimate
from ventbook.tables.priming import RecordValue

__all__ = [
    "calibration_sentence",
    "hand_sentence",
    "layers_sentence",
    "let_through_sentence",
    "long_sentence",
    "pumps_sentence",
    "ratio_sentence",
    "record_sentence",
    "stop_sentence",
]


def ratio_sentence(ratio: Estimate, where: str) -> str:
    """How recorded and expected rotations compare, in words."""
    if ratio.estimate is None:
        return f"Recorded against expected rotations {where}: {state_words(ratio)}."
    text = f"Ventings {where} took {number(ratio.estimate, 'ratio', decimals=2)} times the rotations that lines and volumes make expected"
    spread = value_range(ratio.low, ratio.high, "ratio", decimals=2)
    return f"{text} (plausible range {spread}; {count(ratio.n, 'venting')} on {count(ratio.clusters, 'engine')})."


def long_sentence(long: int, judged: int, most: float | None = None) -> str:
    """How many ventings took far longer than their lines explain; ``most`` is the largest count over its expectation."""
    if judged == 0:
        return "No venting with a count and an expectation."
    if long == 0:
        worst = f"; the most was {most:.2f} times the expectation" if most is not None else ""
        return f"{count(judged, 'venting')} with a count: each within what 99 of 100 such jobs keep under{worst}."
    return f"{of_total(long, judged, 'venting')} took far longer than the lines explain; what to check first stands beside each."


def stop_sentence(share: float, factor: float, held: int, total: int, *, known: bool, early: int = 0) -> str:
    """The stop-and-look rule: at how many times the expectation, and how it fared on the records (``early`` given up before)."""
    many = number(share, "share")
    if not known:
        return (
            f"Stop and look for a suction leak at about {factor:.2f} times the expected rotations: of ventings in which nothing is wrong, "
            f"{many} should have shown pressure by then, and at the manual's number where that is lower. Too few records to say how this fleet does."
        )
    were = "was" if early == 1 else "were"
    before = f"; {count(early, 'more venting')} {were} given up before that" if early else ""
    return (
        f"By their own stop, in the middle {factor:.2f} times the expected rotations, {many} of ventings like these had pressure: stop there, or at the manual's number where that is lower, and look for a suction leak. "
        f"On the records, {of_total(held, total, 'venting')} had{before}."
    )


def calibration_sentence(best: str, errors: dict[str, float]) -> str:
    """Whether the physics predicts an unseen engine better than the records alone."""
    if not best:
        return "Too few counts to compare the physics with the records alone."
    names = {
        "physics": "the physics",
        "raw_mean": "the engine type's mean",
        "regression": "a regression without physics",
    }
    said = join_words([f"{names[m]} {100 * (2.718281828459045**e - 1):.0f} %" for m, e in errors.items()])
    lead = (
        "The physics predicts an engine it has not seen best"
        if best == "physics"
        else f"The physics does not win here: {names[best]} predicts best"
    )
    return f"{lead}. Typical error on engines left out: {said}."


def let_through_sentence(found: LetThrough) -> str:
    """Whether jobs with air under pressure take fewer rotations than a sealed pump's."""
    ratio = found.ratio
    if ratio.estimate is None:
        return f"Whether pumps let air through while they stand under tank pressure: {state_words(ratio)}."
    spread = value_range(ratio.low, ratio.high, "ratio", decimals=2)
    took = (
        f"a job that is all suction air under tank pressure takes {number(ratio.estimate, 'ratio', decimals=2)} times the rotations "
        f"of a sealed pump ({spread}; {count(ratio.n, 'venting')} on {count(ratio.clusters, 'engine')})"
    )
    if found.found:
        return (
            f"Pumps let air through: {took}. Under tank pressure the air leaves through the standing pump before the first rotation; the expectation "
            "reckons with it, and few rotations under pressure are no sign of a leak on the suction side."
        )
    return f"No sign that pumps let air through while they stand under tank pressure: {took}."


def pumps_sentence(found: pd.DataFrame) -> str:
    """What the counts say of the pumps, in words: ``found`` as describe_constants gives it."""
    if found.empty:
        return "Too few counts to say anything of the pumps: their usual values stand."
    said = []
    for term, what in (
        ("unsealed", "Pumps that let air through"),
        ("slip", "Oil that slips back in the pump"),
    ):
        mine = found[found["term"] == term]
        parts = []
        for verdict in ("seen", "not seen", "can't tell"):
            types = mine.loc[mine["verdict"] == verdict]
            if types.empty:
                continue
            names = join_words(types["engine_type"].astype(str).tolist())
            if term == "unsealed" and verdict == "seen":
                low, high = number(types["low"].min(), "share"), number(types["high"].max(), "share")
                parts.append(f"seen at {names} ({low} to {high} of engines)")
            else:
                parts.append(
                    f"{verdict} at {names}"
                    if verdict != "can't tell"
                    else f"can't be told at {names}, where the usual value stands"
                )
        said.append(f"{what}: {', '.join(parts)}.")
    return " ".join(said)


def record_sentence(values: Sequence[RecordValue]) -> str:
    """What to write down, and by how many ventings it then takes to tell the pumps."""
    asked = (
        "What to record: how long the tank stood under pressure before the first rotation, whether the pump held oil, and whether the galleries "
        "had drained."
    )
    if not values:
        return asked
    said = [
        f"{'more than a hundred' if value.ventings is None else value.ventings} {value.text}"
        for value in values
    ]
    return f"{asked} In simulated fleets where unsealed pumps pass little, telling them from sealed ones took about this many ventings: {join_words(said)}."


def layers_sentence(slower: int, empty: int) -> str:
    """What may stay at the crests of a line, as a possibility."""
    return (
        f"A possibility that no record can settle: in {of_total(slower, empty, 'venting')} with empty lines the oil followed more slowly than a bubble as wide as the line rises in it. "
        "There air may stay at a crest of the line, and be drawn after pressure has shown."
    )


def hand_sentence(blind: int, not_shown: int) -> str:
    """How many of the given-up ventings could not have shown pressure by hand anyway."""
    if not_shown == 0:
        return "No venting was given up before pressure showed."
    if blind == 0:
        return f"In all of {count(not_shown, 'venting')} given up, a primed engine would have shown pressure at that oil temperature."
    return (
        f"In {of_total(blind, not_shown, 'venting')} given up, the oil was so warm that even a primed engine may not show its threshold when "
        "turned: there, no pressure is no sign of a fault."
    )
