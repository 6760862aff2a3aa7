"""How much of the package one question walks through: files and named functions called by ``rank P02``, by ``sys.setprofile``.

``make bench`` prints it for a first question and for one whose facings, contacts and model are kept; ``LIST=1`` names them.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

QUESTION = ("rank", "P02")
COUNT = """
import os, sys
from collections import defaultdict
import matchkit
home = os.path.dirname(matchkit.__file__) + os.sep
called = defaultdict(set)
def walked(frame, event, _):
    code = frame.f_code
    named = code.co_flags & 2 and not code.co_name.startswith("<")
    if event == "call" and named and code.co_filename.startswith(home):
        called[code.co_filename[len(home):]].add(code)
from matchkit.cli import main
sys.setprofile(walked)
try:
    main(sys.argv[1:], standalone_mode=False)
finally:
    sys.setprofile(None)
print(len(called), sum(map(len, called.values())), file=sys.stderr)
if os.environ.get("LIST"):
    for file, codes in sorted(called.items()):
        print(f"  {file}: {', '.join(sorted(code.co_qualname for code in codes))}", file=sys.stderr)
"""


def walked(cache: Path) -> str:
    """Return how many files and functions a question walks through in a process of its own."""
    environment = {**os.environ, "XDG_CACHE_HOME": str(cache)}
    done = subprocess.run([sys.executable, "-c", COUNT, *QUESTION], env=environment, capture_output=True, text=True, check=True)
    lines = [line for line in done.stderr.splitlines() if line[:1].isdigit() or line.startswith("  ")]
    files, functions = lines[0].split()
    return "\n".join([f"{files} files, {functions} functions", *lines[1:]])


def main() -> None:
    """Print what is walked through, the first time and once what was computed is kept."""
    with tempfile.TemporaryDirectory() as cache:
        for when in ("first", "kept"):
            print(f"{' '.join(QUESTION)}, {when}: {walked(Path(cache))} of the package")


if __name__ == "__main__":
    main()
