"""Pages and labels: how large and how quick; a part of ``make bench``."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from measuring import cold, show


def main() -> None:
    """Measure and print."""
    command = (sys.executable, "-m", "matchkit")
    with tempfile.TemporaryDirectory() as name:
        page, labels = Path(name) / "rank.html", Path(name) / "labels.html"
        plain, _ = cold(*command, "rank", "P02")
        drawn, _ = cold(*command, "rank", "P02", "--page", str(page))
        # every mouthpiece of the demo house, so often that there are two hundred
        ids = [line.split(",", 1)[0] for line in Path("data/demo/mouthpieces.csv").read_text(encoding="utf-8").splitlines()[1:]]
        many = (ids * (200 // len(ids) + 1))[:200]
        made, _ = cold(*command, "strengths", *many, "--label", str(labels), repeats=1)
        show(
            [
                ("figure", "found", "wanted"),
                ("a ranking page", f"{page.stat().st_size / 1000:.0f} KB", "under 400 KB"),
                ("rank without a picture", f"{plain:.2f} s CPU", "as before"),
                ("rank with its page", f"{drawn:.2f} s CPU", ""),
                (f"{len(many)} labels", f"{made:.1f} s CPU", "under 20 s"),
            ]
        )


if __name__ == "__main__":
    main()
