"""Bringing a store of an earlier version up to what this one writes, within the first snapshot that this one commits.

What is written here becomes visible with that snapshot and not before, so a killed upgrade leaves nothing; snapshots
before it keep the rows they had, and every number as of them stays.
"""

from __future__ import annotations

from collections.abc import Callable

from ventbook.records.intake.trace_features import READ, store_features, venting_facts
from ventbook.records.store import CONTENT, Writer, to_frame

Step = Callable[[Writer], None]


def upgrade_store(writer: Writer) -> str:
    """Run the steps that the store's newest snapshot lacks; returns what to say of them, "" where there are none."""
    before = writer.before
    if before is None or before.content >= CONTENT:
        return ""
    steps = [(what, step) for content, what, step in STEPS if content > before.content]
    for _, step in steps:
        step(writer)
    writer.content = CONTENT
    return "store upgraded: " + "; ".join(what for what, _ in steps)


def _renew_all_features(writer: Writer) -> None:
    if "samples" not in writer.versions:
        return
    facts = venting_facts(*(to_frame(writer.read_now(table, columns)) for table, columns in READ.items()))
    store_features(writer, writer.files_now("samples"), facts)


STEPS: tuple[tuple[int, str, Step], ...] = (
    (2, "features of all traces computed anew, with the ends of start and crossing", _renew_all_features),
)
