"""A throw-away PostgreSQL on the loopback, for tests and the bench."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def programs() -> Path | None:
    """Return where the server's programs are, the newest; None where PostgreSQL is not installed."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    return found[-1] if found else None


def must_be_installed() -> None:
    """Skip the test that asks where PostgreSQL is not installed; in CI, which installs it, fail."""
    import pytest

    if programs() is None:
        if os.environ.get("CI"):
            pytest.fail("PostgreSQL is not installed, and CI must have it")
        pytest.skip("PostgreSQL is not installed")


@contextmanager
def server(password: str | None = None) -> Iterator[str]:
    """Start a server of its own, and give its address without a database; everything of it is gone afterwards.

    With a ``password`` it asks everybody for it; the address does not hold it.
    """
    bin_ = programs()
    if bin_ is None:
        raise FileNotFoundError("PostgreSQL is not installed")
    place = Path(tempfile.mkdtemp(prefix="matchkit-pg-"))
    as_them: list[str] = []
    if os.geteuid() == 0:  # the server refuses to run as root
        shutil.chown(place, "postgres", "postgres")
        as_them = ["runuser", "-u", "postgres", "--"]

    def run(*words: str) -> None:
        subprocess.run([*as_them, *words], check=True, cwd=place, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    trust = ["-A", "trust"]
    if password is not None:
        kept = place / "password"
        kept.write_text(password)
        kept.chmod(0o644)
        trust = ["-A", "scram-sha-256", "--pwfile", str(kept)]
    run(str(bin_ / "initdb"), "-D", str(place / "data"), "-U", "bench", *trust, "-E", "UTF8", "--no-sync")
    options = f"-c listen_addresses=127.0.0.1 -p {port} -c unix_socket_directories={place}"
    run(str(bin_ / "pg_ctl"), "-D", str(place / "data"), "-o", options, "-l", str(place / "log"), "-w", "start")
    try:
        yield f"postgresql://bench@127.0.0.1:{port}"
    finally:
        run(str(bin_ / "pg_ctl"), "-D", str(place / "data"), "-m", "immediate", "-w", "stop")
        shutil.rmtree(place, ignore_errors=True)
