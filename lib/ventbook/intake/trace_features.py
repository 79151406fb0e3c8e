"""The features of traces in the store: computed when a trace comes in, and again when its venting changes."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable
from pathlib import Path

import pandas as pd
import pyarrow as pa

from ventbook import dictionary
from ventbook.store import Snapshot, Writer, to_frame

from .sample_files import read_starts

READ = {
    "ventings": ["venting_id", "engine_id", "date", "pressure_threshold_bar"],
    "engines": ["engine_id", "engine_type"],
}


def find_features() -> Callable[..., pd.DataFrame] | None:
    """The one place where intake finds the features of traces: ``ventbook.traces.features_of_files``."""
    try:
        return getattr(importlib.import_module("ventbook.traces"), "features_of_files", None)
    except ImportError:
        return None


def venting_facts(ventings: pd.DataFrame, engines: pd.DataFrame) -> pd.DataFrame:
    """What features are held against: columns venting_id, engine_type, date, pressure_threshold_bar."""
    types = engines.drop_duplicates("engine_id").set_index("engine_id")["engine_type"]
    facts = ventings[["venting_id", "date", "pressure_threshold_bar"]].reset_index(drop=True)
    found = ventings["engine_id"].map(types).fillna("").astype("str")
    return facts.assign(engine_type=found.reset_index(drop=True))


def facts_of(snapshot: Snapshot) -> pd.DataFrame:
    """:func:`venting_facts` as a snapshot has them."""
    return venting_facts(*(snapshot.read(table, columns) for table, columns in READ.items()))


def store_features(
    writer: Writer,
    files: Iterable[Path],
    ventings: pd.DataFrame | None,
    cluster: str | None = None,
    *,
    only: set[str] | None = None,
) -> None:
    """Compute the features of the starts in ``files`` (of the ventings ``only``), and keep them as ``start_features``.

    Thresholds and bands are those of the limits in force, the shop's own beside the store included.
    """
    compute, files = find_features(), [file.resolve() for file in files]
    if compute is None or ventings is None or not files:
        return
    types = to_frame(writer.read_now("engines", ["engine_type"]))["engine_type"].dropna().unique().tolist()
    among = dictionary.limits(dictionary.find_own_limits(writer.store.path), engine_types=types)
    found = compute(files, ventings, among=among, cluster=cluster)
    if only is not None:
        found = found[found["venting_id"].isin(sorted(only))]
    if found.empty:
        return
    rows = pa.Table.from_pandas(found, preserve_index=False).replace_schema_metadata(None)
    rows = rows.cast(pa.schema([_plain_field(f) for f in rows.schema]))
    key = rows.select(["venting_id", "start_no"])
    writer.change_rows("start_features", add=rows, drop=key)


def _plain_field(f: pa.Field) -> pa.Field:
    return pa.field(f.name, pa.string() if pa.types.is_large_string(f.type) else f.type)


def renew_features(writer: Writer, cluster: str | None = None) -> None:
    """Compute the features of traces anew whose venting's day, threshold or engine type this snapshot changes."""
    before = writer.before
    if before is None or "start_features" not in before.versions:
        return
    if all(writer.versions.get(name) == before.versions.get(name) for name in READ):
        return
    now = venting_facts(*(to_frame(writer.read_now(table, columns)) for table, columns in READ.items()))
    both = now.merge(facts_of(before), on="venting_id", suffixes=("", "_then"))
    changed = pd.Series(False, index=both.index)
    for name in ("date", "pressure_threshold_bar", "engine_type"):
        new, old = both[name], both[f"{name}_then"]
        changed |= (new != old) & ~(new.isna() & old.isna())
    names = set(both.loc[changed, "venting_id"])
    files = [file for file in writer.files_now("samples") if names & {key[0] for key in read_starts(file)}]
    store_features(writer, files, now, cluster, only=names)
