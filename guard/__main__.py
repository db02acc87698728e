"""Run the command line with ``python -m guard``."""

import sys

from guard.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
