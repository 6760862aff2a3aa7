"""``python -m matchkit``."""

from matchkit.cli import main

if __name__ == "__main__":
    main(prog_name="matchkit")
