"""What a page was made from: enough to make it again, and nothing that changes from run to run or names a person."""

from __future__ import annotations

import hashlib
import importlib.metadata
import os
import platform
import subprocess
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from ventbook import __version__
from ventbook.dictionary import DATA

PACKAGES = (
    "numpy",
    "pandas",
    "scipy",
    "statsmodels",
    "matplotlib",
    "pyarrow",
    "deltalake",
    "papermill",
)
# Set by the runner so that nine kernels do not each ask for it.
COMMIT_VARIABLE = "VENTBOOK_COMMIT"


def file_hash(path: Path) -> str:
    """SHA-256 of a file's bytes as hexadecimal text."""
    with path.open("rb") as source:
        return hashlib.file_digest(source, "sha256").hexdigest()


@cache
def read_commit() -> str:
    """The library's commit, ``+changes`` added when files of the library or its tables differ; empty if unknown."""
    known = os.environ.get(COMMIT_VARIABLE)
    if known is not None:
        return known
    root = DATA.parent
    try:

        def ask(*words: str) -> str:
            made = subprocess.run(
                ["git", "-C", str(root), *words], capture_output=True, text=True, timeout=10, check=True
            )
            return made.stdout.strip()

        if not (root / ".git").exists():
            return ""
        commit = ask("rev-parse", "--short=12", "HEAD")
        changed = ask("status", "--porcelain", "--", "lib", "notebooks", "data/*.toml")
    except (OSError, subprocess.SubprocessError):
        return ""
    return f"{commit}+changes" if changed else commit


@cache
def package_versions() -> dict[str, str]:
    """Versions of Python and of the packages that numbers come from."""
    versions = {"python": platform.python_version(), "ventbook": __version__}
    for name in PACKAGES:
        try:
            versions[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            continue
    return versions


def make_stamp(
    *,
    report: str,
    parameters: Mapping[str, Any],
    snapshot: int,
    today: str,
    sources: list[dict[str, str]],
    limits: Mapping[str, str],
) -> dict[str, Any]:
    """The stamp as a dict that goes into ``run.json`` and, shortened, onto the page."""
    digest = hashlib.sha256("".join(sorted(source["sha256"] for source in sources)).encode()).hexdigest()
    return {
        "report": report,
        "parameters": dict(parameters),
        "snapshot": snapshot,
        "today": today,
        "sources": sources,
        "sources_sha256": digest if sources else "",
        "limits": dict(limits),
        "seed": parameters.get("seed"),
        "commit": read_commit(),
        "versions": package_versions(),
    }


def stamp_pairs(stamp: Mapping[str, Any], defaults: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The stamp as names and values for a reader; parameters at their default are left out."""
    asked = [
        f"{name} = {value}"
        for name, value in stamp["parameters"].items()
        if name not in ("out", "store", "limits", "as_of") and value != defaults.get(name)
    ]
    files = len(stamp["sources"])
    versions = stamp["versions"]
    return [
        ("Report", stamp["report"]),
        ("Asked for", "; ".join(asked) or "nothing beyond the defaults"),
        ("Snapshot", f"{stamp['snapshot']}, records as of {stamp['today']}"),
        ("Record files", f"{files}, together {stamp['sources_sha256'][:16]}" if files else "none named"),
        ("Limits", f"{stamp['limits']['revision']} (file {stamp['limits']['sha256'][:16]})"),
        ("Random seed", str(stamp["seed"])),
        ("Library", f"ventbook {versions.get('ventbook', '')} {stamp['commit']}".strip()),
        ("With", ", ".join(f"{name} {v}" for name, v in versions.items() if name != "ventbook")),
    ]
