"""Growth that bench/growth.md quotes stands there as the committed table has it."""

import subprocess
import sys

from bench import bench_growth as growth
from calibrate.figures import place_section


def test_the_growth_quoted_is_that_of_the_committed_table():
    text = growth.DOCUMENT.read_text("utf-8")
    section = growth.write_section(growth.read_rows(growth.TABLE))
    assert place_section(text, section) == text, "run: python -m bench growth --quote"


def test_a_row_measured_again_takes_the_place_of_the_earlier_one(tmp_path):
    row = dict.fromkeys(growth.COLUMNS, 0) | {
        "work": "read",
        "ventings": 100,
        "workers": 1,
        "ended": "",
        "peak_mb": 4,
        "held_mb": "",
    }
    for seconds in (1, 2):
        growth.keep_rows(tmp_path / "table.csv", [row | {"processor_s": seconds, "longest_s": seconds}])
    larger = row | {"ventings": 10_000, "processor_s": 50, "longest_s": 50, "peak_mb": 9}
    growth.keep_rows(tmp_path / "table.csv", [larger])
    kept = growth.read_rows(tmp_path / "table.csv")
    assert [(one["ventings"], one["processor_s"]) for one in kept] == [("100", "2"), ("10000", "50")]
    assert "| read | 1 | 2 s, 4 MB | 50 s, 9 MB | 5.0 1.5 |" in growth.write_section(kept)


def test_options_reach_the_measurement_named():
    done = subprocess.run(
        [sys.executable, "-m", "bench", "growth", "--help"],
        cwd=growth.ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0 and "--workers" in done.stdout
