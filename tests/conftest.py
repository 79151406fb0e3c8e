"""What several tests share: the demo fleet's store, made once for all processes."""

from pathlib import Path

import pytest

from ventbook.dictionary import DATA


@pytest.fixture(scope="session")
def demo_store() -> Path:
    """The store of the invented fleet, eight snapshots; made where it is missing or out of date."""
    from ventbook.reports.make import make_demo_store

    return make_demo_store(DATA / "demo", say=lambda text: None)
