"""Run the command line with ``python -m guard``."""

from guard.cli.main import run

if __name__ == "__main__":
    run()
