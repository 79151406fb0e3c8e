"""Runs every calibrate_*.py of this folder, or only those named, then writes the quoted figures.

    python -m calibrate [NAME ...] [--jobs 2] [--cluster ADDRESS] [--fresh] [other options of theirs]

A run that was stopped goes on from the fleets it has (see ``runner``); ``--fresh`` begins anew.
``python -m calibrate figures`` only writes the figures that DEVELOPERS.md quotes, from the tables as they are;
``python -m calibrate mutants`` tries small wrong changes on the tests (see ``mutants.py``).
"""

import sys
from pathlib import Path

from bench.__main__ import run_all

from calibrate import figures, mutants

if __name__ == "__main__":
    if sys.argv[1:2] == ["mutants"]:
        sys.exit(mutants.main(sys.argv[2:]))
    first = next((at for at, word in enumerate(sys.argv) if at and word.startswith("-")), len(sys.argv))
    names = [name for name in sys.argv[1:first] if name != "figures"]
    only_figures = sys.argv[1:] == ["figures"]
    code = 0 if only_figures else run_all(Path(__file__).resolve().parent, names, sys.argv[first:])
    sys.exit(code or figures.main())
