"""Runs every calibrate_*.py of this folder, or only those named: python -m calibrate rates."""

import sys
from pathlib import Path

from bench.__main__ import run_all

if __name__ == "__main__":
    sys.exit(run_all(Path(__file__).resolve().parent, sys.argv[1:]))
