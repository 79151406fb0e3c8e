"""The same records give the same page on any processor: nothing hangs on the last bit of a product of matrices.

Linear algebra libraries choose their kernels by processor, and kernels add in different orders. What follows a number drawn, a
sign of an eigenvector or the order of two equal values would then differ from machine to machine.
"""

from __future__ import annotations

import dataclasses
import json
import os
import platform
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from ventbook.physics import gauge
from ventbook.statistics.trends.mix import root_of

#: Kernels of OpenBLAS for any x86-64 processor (its README, "DYNAMIC_ARCH"; names from memory).
KERNELS = ("Prescott", "Nehalem")


def test_root_of_a_covariance_is_the_same_a_last_bit_away() -> None:
    """Equal eigenvalues leave their eigenvectors free to turn; the symmetric root isn't (Horn and Johnson, Matrix Analysis,
    theorem 7.2.6, from memory: it is unique)."""
    rng = np.random.default_rng(1)
    for _ in range(50):
        nudge = rng.normal(size=(4, 4)) * 1e-15
        covariance = np.diag([0.5, 0.5, 0.5, 2.0])
        root, other = root_of(covariance), root_of(covariance + nudge + nudge.T)
        np.testing.assert_allclose(root, other, atol=1e-12)
        np.testing.assert_allclose(root @ root.T, covariance, atol=1e-12)


def test_wrong_verdicts_are_the_same_a_last_bit_away() -> None:
    reading = np.array([0.29] * 40 + [0.56] * 4 + [0.90] * 4)
    error = gauge.GaugeError(bias=0.09, bias_u=0.005, repeat=0.02)
    draws = gauge.draw_fleet(
        reading, np.repeat(np.arange(6), 8), np.zeros(48, int), [error], limit=0.5, draws=60
    )
    over = np.where(draws.over > 0.9, 1.0, draws.over)
    for seed in range(20):
        one, other = (
            gauge.judge_rule(dataclasses.replace(draws, over=chance, rng_seed=seed), 0).failed_wrongly
            for chance in (over, np.where(over == 1.0, 1.0 - 1e-15, over))
        )
        assert (one.low, one.high) == (other.low, other.high), seed


RUN = """
import json, sys
from tests.run_pages import run_page
for name in ("quarterly-review", "spongy-lifters", "gauge-study", "planned-venting", "monitor"):
    run_page(name, sys.argv[1], sys.argv[2])
"""


@pytest.mark.long
@pytest.mark.skipif(
    platform.machine() not in ("x86_64", "AMD64"), reason="kernels are chosen by name on x86-64 only"
)
def test_pages_are_the_same_with_other_kernels(demo_store: Path, tmp_path: Path) -> None:
    told = []
    for kernel in KERNELS:
        out = tmp_path / kernel
        subprocess.run(
            [sys.executable, "-c", RUN, str(demo_store), str(out)],
            env={**os.environ, "OPENBLAS_CORETYPE": kernel, "OPENBLAS_NUM_THREADS": "1"},
            check=True,
        )
        told.append(
            {path.relative_to(out): json.loads(path.read_text()) for path in out.rglob("findings.json")}
        )
    assert len(told[0]) == 5
    for path, found in told[0].items():
        check_alike(found, told[1][path], str(path))


def check_alike(one: object, other: object, where: str) -> None:
    """The same words, and numbers to one in a million (a search for a best fit ends where it is good enough)."""
    if isinstance(one, dict) and isinstance(other, dict):
        assert one.keys() == other.keys(), where
        for key in one:
            check_alike(one[key], other[key], f"{where} {key}")
    elif isinstance(one, list) and isinstance(other, list):
        assert len(one) == len(other), where
        for k, (a, b) in enumerate(zip(one, other, strict=True)):
            check_alike(a, b, f"{where} {k}")
    elif isinstance(one, float):
        assert one == pytest.approx(other, rel=1e-6, abs=1e-9), where
    else:
        assert one == other, where
