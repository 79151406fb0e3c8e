"""``python -m ventbook``: the command line."""

import sys

from ventbook.run.cli import main

if __name__ == "__main__":
    sys.exit(main())
