"""How hypothesis runs: the same examples every time in CI, random ones on a developer's machine."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ASK = """
import conftest
from hypothesis import given, settings, strategies as st
seen = []

@settings(max_examples=20, database=None)
@given(st.integers())
def draw(n):
    seen.append(n)

draw()
print(settings.default.print_blob, settings.default.deadline, seen)
"""


@pytest.mark.parametrize("in_ci", [True, False])
def test_examples_are_the_same_in_ci_and_random_elsewhere(in_ci):
    env = {name: text for name, text in os.environ.items() if name != "CI"} | (
        {"CI": "true"} if in_ci else {}
    )
    said = [
        subprocess.run(
            [sys.executable, "-c", ASK],
            cwd=Path(__file__).parent,
            env=env,
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for _ in range(2)
    ]
    assert all(text.startswith("True None [") for text in said)
    assert (said[0] == said[1]) is in_ci
