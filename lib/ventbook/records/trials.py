"""Trials of a change beside a store: the plan to read, the sealed list of assignments, and the log of those given.

A trial is a folder ``trials/NAME`` beside the store. ``plan.toml`` says what is asked. ``list.sealed`` holds the assignments
of every stratum in permuted blocks, encoded against accidental looking; whoever decodes a copy can look into it.
``log.jsonl`` has one line an assignment given. Each line carries the SHA-256 of the line before, the first that of the plan,
and the sealed list carries the last; so a line that was edited, left out or given again is found when the trial is opened.
"""

from __future__ import annotations

import base64
import binascii
import datetime as dt
import difflib
import hashlib
import json
import re
import secrets
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import numpy as np

from ventbook.errors import InputError
from ventbook.places import AddressError, Place, place_beside, write_whole
from ventbook.records.store.delta import StoreError
from ventbook.records.store.locks import hold_lock
from ventbook.tables import load_trial_rules, read_toml
from ventbook.tables.reader import make_row

FOLDER, PLAN, LIST, LOG = "trials", "plan.toml", "list.sealed", "log.jsonl"
NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
ARMS = ("as_before", "changed")
HEAD = (
    "# Sealed list of a trial: assignments to come, encoded so that nobody reads them by accident. Knowing what comes next\n"
    "# spoils the trial. One at a time: ventbook trial next --engine ENGINE. Leave this file as it is.\n"
)


@dataclass(frozen=True)
class TrialPlan:
    """What a trial asks. ``share`` is the expected share as before (outcomes that are a share), ``spread`` the standard
    deviation of the logarithm (numbers), ``most`` the ventings it may take, ``agreed`` the code of the licensed person.
    """

    name: str
    day: str
    question: str
    change: str
    outcome: str
    planned: float
    strata: tuple[str, ...]
    agreed: str
    list_sha256: str
    steps: tuple[str, ...] = ()
    share: float | None = None
    spread: float | None = None
    most: int | None = None
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Draw:
    """One line of the log: which engine got which assignment, the ``place``-th of its stratum."""

    number: int
    day: str
    engine_id: str
    stratum: str
    place: int
    arm: str
    pair: int
    previous: str
    hash: str


@dataclass(frozen=True)
class Trial:
    """A trial as it stands on disk, checked when read."""

    folder: Place
    plan: TrialPlan
    places: Mapping[str, Sequence[tuple[str, int]]]
    log: tuple[Draw, ...]

    def find_draw(self, engine_id: str) -> Draw | None:
        return next((draw for draw in self.log if draw.engine_id == engine_id), None)


def trials_path(store: Place) -> Place:
    """The folder of all trials beside a store."""
    return place_beside(store, FOLDER)


def list_trials(store: Place) -> list[str]:
    """Names of the trials beside a store, in order of the day they were planned, the newest last.

    InputError for one whose plan can't be read.
    """
    found = [path.parent for path in trials_path(store).glob(f"*/{PLAN}")]
    return [folder.name for folder in sorted(found, key=lambda f: (_read_plan(f).day, f.name))]


# ---- making --------------------------------------------------------------------------------------------------------


def make_list(
    strata: Sequence[str], *, blocks: int, seed: int | None = None
) -> dict[str, list[tuple[str, int]]]:
    """The hidden list: of each stratum ``blocks`` blocks of permuted assignments as (arm, number of its pair).

    In a block the places are paired at random and one of each pair, drawn by a coin, gets the change: every order with
    half of them changed is equally likely, and so is either place of a pair. Without ``seed`` nobody can draw it again.
    """
    rng = np.random.default_rng(secrets.randbits(128) if seed is None else seed)
    size = load_trial_rules().block
    return {name: [place for k in range(blocks) for place in _permute(k, size, rng)] for name in strata}


def _permute(block: int, size: int, rng: np.random.Generator) -> list[tuple[str, int]]:
    order = rng.permutation(size)
    places: list[tuple[str, int]] = [("", 0)] * size
    for number in range(size // 2):
        first = int(rng.integers(2))
        pair = block * (size // 2) + number + 1
        for which in range(2):
            places[order[2 * number + which]] = (ARMS[int(which == first)], pair)
    return places


def hash_places(places: Mapping[str, Sequence[tuple[str, int]]]) -> str:
    """SHA-256 of a hidden list, as a plan keeps it."""
    return _hash_json({name: [list(place) for place in own] for name, own in places.items()})


def write_trial(store: Place, plan: TrialPlan, places: Mapping[str, Sequence[tuple[str, int]]]) -> Trial:
    """Writes plan, sealed list and an empty log; InputError where the name is taken or can't be written."""
    folder = check_name(store, plan.name)
    trial = Trial(folder, plan, places, ())
    try:
        folder.mkdir(parents=True)
        write_whole(folder / PLAN, _plan_text(plan))
        write_whole(folder / LOG, "")
        _seal(trial)
    except OSError as error:
        raise InputError(f"{folder} can't be written ({error.strerror or error})") from None
    return trial


def check_name(store: Place, name: str) -> Place:
    """The folder of a trial to come; InputError where it may not be called so, or the name is taken."""
    if not NAME.fullmatch(name):
        raise InputError(
            f"trial {name!r}: a name is made of small letters, digits and hyphens, as in tank-pressure"
        )
    folder = trials_path(store) / name
    if folder.exists():
        raise InputError(f"trial {name}: {folder} stands already; give the new trial another name")
    return folder


def _plan_text(plan: TrialPlan) -> str:
    lines = [
        "# Plan of a trial, written by ventbook trial plan. A change of this file is found: plan a new trial instead."
    ]
    for field in fields(plan):
        value = getattr(plan, field.name)
        if value != field.default:
            lines.append(f"{field.name} = {_toml(value)}")
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, tuple | list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    # JSON's numbers and escapes are TOML's, but for the one control character that JSON leaves alone
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _seal(trial: Trial) -> None:
    sealed = {
        "plan": _hash_text(_read_text(trial.folder / PLAN)),
        "strata": {name: [list(place) for place in own] for name, own in trial.places.items()},
        "given": len(trial.log),
        "last": trial.log[-1].hash if trial.log else "",
    }
    body = base64.b64encode(zlib.compress(json.dumps(sealed).encode("utf-8"))).decode("ascii")
    write_whole(trial.folder / LIST, HEAD + "\n".join(re.findall(".{1,100}", body)) + "\n")


def _hash_text(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _hash_json(value: Any) -> str:
    return _hash_text(json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":")))


# ---- reading -------------------------------------------------------------------------------------------------------


def read_trial(store: Place, name: str) -> Trial:
    """A trial beside a store with its chain checked.

    InputError in one line where there is no such trial, or one of its files was changed by hand: which, where, what to do.
    """
    folder = trials_path(store) / name
    if not (folder / PLAN).is_file():
        known = sorted(path.parent.name for path in trials_path(store).glob(f"*/{PLAN}"))
        near = difflib.get_close_matches(name, known, n=1)
        hint = f" (did you mean {near[0]}?)" if near else ""
        there = f"known: {', '.join(known)}" if known else "none is planned; ventbook trial plan makes one"
        raise InputError(f"trial {name!r}: there is no such trial beside {store}{hint}; {there}")
    plan = _read_plan(folder)
    sealed = _unseal(folder)
    places = {
        stratum: tuple((str(arm), int(pair)) for arm, pair in own)
        for stratum, own in sealed["strata"].items()
    }
    if _hash_text(_read_text(folder / PLAN)) != sealed["plan"]:
        raise _damaged(folder, PLAN, "was changed after the list was drawn")
    if hash_places(places) != plan.list_sha256:
        raise _damaged(folder, LIST, "is not the list that the plan names")
    trial = Trial(folder, plan, places, _read_log(folder))
    _check_log(trial, sealed)
    return trial


def _read_plan(folder: Place) -> TrialPlan:
    where = f"trial {folder.name}: {PLAN}"
    return make_row(read_toml(folder / PLAN), TrialPlan, where=where)


def _unseal(folder: Place) -> dict[str, Any]:
    body = "".join(line for line in _read_text(folder / LIST).splitlines() if not line.startswith("#"))
    try:
        sealed: dict[str, Any] = json.loads(zlib.decompress(base64.b64decode(body, validate=True)))
        if set(sealed) != {"plan", "strata", "given", "last"}:
            raise ValueError
    except (ValueError, zlib.error, binascii.Error):
        raise _damaged(folder, LIST, "was changed by hand") from None
    return sealed


def _read_log(folder: Place) -> tuple[Draw, ...]:
    draws = []
    kinds = {f.name: (int if f.type == "int" else str) for f in fields(Draw)}
    for number, line in enumerate(_read_text(folder / LOG).splitlines(), 1):
        try:
            row = json.loads(line)
            if {key: type(value) for key, value in row.items()} != kinds:
                raise ValueError
            dt.date.fromisoformat(row["day"])
        except (ValueError, AttributeError):
            raise _damaged(folder, f"{LOG}, line {number}", "can't be read: it was edited by hand") from None
        draws.append(Draw(**row))
    return tuple(draws)


def _check_log(trial: Trial, sealed: Mapping[str, Any]) -> None:
    """The chain from the plan to the last line, and every line against the list."""
    previous, places, engines = sealed["plan"], dict.fromkeys(trial.places, 0), set()
    for number, draw in enumerate(trial.log, 1):
        where = f"{LOG}, line {number} (engine {draw.engine_id})"
        if draw.hash != _hash_draw(draw):
            raise _damaged(trial.folder, where, "was edited by hand")
        if draw.previous != previous or draw.number != number:
            raise _damaged(
                trial.folder, where, "doesn't follow on the line before: a line was taken out or put in"
            )
        if draw.engine_id in engines:
            raise _damaged(trial.folder, where, "draws an engine again: an engine counts once")
        own = trial.places.get(draw.stratum)
        if own is None or draw.place != places[draw.stratum] + 1 or draw.place > len(own):
            raise _damaged(
                trial.folder,
                where,
                f"is not the next assignment of {draw.stratum}: one was skipped or given again",
            )
        if (draw.arm, draw.pair) != own[draw.place - 1]:
            raise _damaged(trial.folder, where, "has another assignment than the list")
        places[draw.stratum] = draw.place
        engines.add(draw.engine_id)
        previous = draw.hash
    given, last = sealed["given"], sealed["last"]
    # a stop between the two writes of an assignment leaves the log one line ahead
    if len(trial.log) < given or (given and trial.log[given - 1].hash != last) or len(trial.log) > given + 1:
        raise _damaged(
            trial.folder,
            LOG,
            f"has {len(trial.log)} lines that don't end as the list remembers ({given} were given)",
        )


def _damaged(folder: Place, what: str, why: str) -> InputError:
    return InputError(
        f"trial {folder.name}: {what} {why}; put the file back from a copy, or end this trial and plan a new one"
    )


def _read_text(path: Place) -> str:
    try:
        return path.read_text("utf-8")
    except AddressError:
        raise
    except (OSError, UnicodeDecodeError):
        raise _damaged(path.parent, path.name, "is missing or can't be read") from None


def _hash_draw(draw: Draw) -> str:
    return _hash_json({key: value for key, value in asdict(draw).items() if key != "hash"})


# ---- drawing -------------------------------------------------------------------------------------------------------


def draw_next(trial: Trial, *, engine_id: str, stratum: str, day: dt.date) -> tuple[Trial, Draw]:
    """The next assignment of a stratum, written into the log. Hold :func:`lock_trial` around reading and drawing.

    InputError where the engine was drawn already, the plan has no such stratum, or its list is used up.
    """
    grown = draw_all(trial, [(engine_id, stratum, day)])
    return grown, grown.log[-1]


def draw_all(trial: Trial, engines: Iterable[tuple[str, str, dt.date]]) -> Trial:
    """The next assignments for engines as (number, stratum, day), in this order, written at once; errors as :func:`draw_next`."""
    start = trial.log[-1].hash if trial.log else _hash_text(_read_text(trial.folder / PLAN))
    grown = trial
    for engine_id, stratum, day in engines:
        previous = grown.log[-1].hash if grown.log else start
        grown = replace(grown, log=(*grown.log, _find_next(grown, engine_id, stratum, day, previous)))
    try:
        write_whole(
            trial.folder / LOG, "".join(json.dumps(asdict(d), ensure_ascii=False) + "\n" for d in grown.log)
        )
        _seal(grown)
    except OSError as error:
        raise InputError(f"{trial.folder} can't be written ({error.strerror or error})") from None
    return grown


def _find_next(trial: Trial, engine_id: str, stratum: str, day: dt.date, previous: str) -> Draw:
    name = trial.plan.name
    if (before := trial.find_draw(engine_id)) is not None:
        raise InputError(
            f"trial {name}: engine {engine_id} was drawn on {before.day}: {before.arm}; an engine counts once"
        )
    own = trial.places.get(stratum)
    if own is None:
        raise InputError(
            f"trial {name}: the plan has no list for {stratum}; it has {', '.join(sorted(trial.places))}"
        )
    place = sum(draw.stratum == stratum for draw in trial.log) + 1
    if place > len(own):
        raise InputError(
            f"trial {name}: the list for {stratum} is used up after {len(own)} engines; the trial ends there"
        )
    if trial.log and day.isoformat() < trial.log[-1].day:
        raise InputError(f"trial {name}: {day} is before the last assignment, given on {trial.log[-1].day}")
    arm, pair = own[place - 1]
    draw = Draw(len(trial.log) + 1, day.isoformat(), engine_id, stratum, place, arm, pair, previous, "")
    return replace(draw, hash=_hash_draw(draw))


@contextmanager
def lock_trial(store: Place, name: str) -> Iterator[Callable[[], None]]:
    """Keeps others from drawing in between; InputError at once where somebody else is at it. Gives what raises StoreError once it
    may be somebody else's turn.
    """
    folder = trials_path(store) / name
    if not folder.is_dir():  # reading it says so
        yield lambda: None
        return
    try:
        with hold_lock(folder / ".lock") as still_held:
            yield still_held
    except StoreError as error:
        if "another intake" not in str(error):
            raise
        raise InputError(f"trial {name}: somebody else is drawing from it; try again in a moment") from None
