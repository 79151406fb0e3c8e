"""What several tests share: the demo fleet's store, made once for all processes, and how hypothesis runs."""

import os
from pathlib import Path

import pytest
from hypothesis import settings

from ventbook.tables import DATA

# Tests change functions and numbers under way; what a store keeps from another test would hide it.
os.environ["VENTBOOK_CACHE"] = "no"
# On a busy machine an example may take any time; the fuzz tests count processor time where it matters.
settings.register_profile("ci", derandomize=True, print_blob=True, deadline=None)
settings.register_profile("local", derandomize=False, print_blob=True, deadline=None)
settings.load_profile("ci" if os.environ.get("CI") else "local")


@pytest.fixture(scope="session")
def demo_store() -> Path:
    """The store of the invented fleet, eight snapshots; made where it is missing or out of date."""
    from ventbook.run.pipeline import make_demo_store

    return make_demo_store(DATA / "demo", say=lambda text: None)
