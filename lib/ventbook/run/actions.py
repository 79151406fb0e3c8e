"""A shop's list of actions: a draft from the review's proposals, and a filled-in draft taken into the list beside the store."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

from ventbook.errors import InputError
from ventbook.places import Place, place_beside, write_whole
from ventbook.tables.actions import FILE, read_actions
from ventbook.tables.reader import TableError, quote_text


def write_draft(path: Path, *, store: Place, period: str = "") -> Path:
    """Writes what the review of ``period`` (default: the newest whole one) proposes as entries to fill in; InputError where it can't."""
    from ventbook.reports.page import open_page
    from ventbook.reports.quarterly_review.actions import draft_actions
    from ventbook.run.job import write_text

    page = open_page("quarterly-review", {"store": str(store), "period": period})
    return write_text(path, draft_actions(page))


def take_actions(file: Path, *, store: Place, dry_run: bool = False) -> list[str]:
    """Adds a filled-in draft's entries to ``actions.toml`` beside the store; what stands there stays as it is, comments too.

    Returns one line a change. TableError and InputError name the entry and what to do; nothing is written then, nor on a dry
    run.
    """
    beside = place_beside(store, FILE)
    if not store.is_dir():
        raise InputError(f"{store}: no such store; check the path, or make one with ventbook intake")
    new, own = read_actions(file), read_actions(beside) if beside.is_file() else ()
    if nameless := sum(not action.id for action in new):
        raise TableError(f"{file.name}: {nameless} without an id; give each action a number of its own")
    known = {action.id: action for action in own}
    if other := [a.id for a in new if a.id in known and known[a.id] != a]:
        raise TableError(
            f"{file.name}: {', '.join(other)} stands in {beside} already and says something else; change it there, or give a new id"
        )
    added = [action for action in new if action.id not in known]
    lines = [
        f"{action.id}: added" + ("" if action.kind else "; it says no kind, so it is listed and not judged")
        for action in added
    ]
    if not added or dry_run:
        return [*lines, f"dry run: {beside} is as it was" if added else f"nothing changes in {beside}"]
    text = beside.read_text("utf-8").rstrip() + "\n" if beside.is_file() else ""
    for action in added:
        rows = [(f.name, getattr(action, f.name)) for f in fields(action)]
        text += "\n".join(
            [
                "" if text else "# Actions taken; what each key means stands in data/actions.toml.\n",
                "[[action]]",
            ]
        )
        text += "".join(f"\n{name} = {quote_text(value)}" for name, value in rows if value) + "\n"
    try:
        write_whole(beside, text)
    except OSError as error:
        raise InputError(f"{beside}: can't be written ({error.strerror or error})") from None
    return [*lines, f"written: {beside}"]
