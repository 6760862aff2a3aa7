"""Run the command line as ``python -m matchkit``."""

from matchkit.cli import run

if __name__ == "__main__":
    run()
