"""Runs every calibrate_*.py of this folder, or only those named, then writes the quoted figures: python -m calibrate rates.

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
    names = [name for name in sys.argv[1:] if name != "figures"]
    code = run_all(Path(__file__).resolve().parent, names) if names or not sys.argv[1:] else 0
    sys.exit(code or figures.main())
