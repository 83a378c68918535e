"""One reading process as its parent sees it; loads neither pandas nor numpy, so that it can be started before them."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from grader.read.child import receive, send

_EARLY: list[subprocess.Popen[bytes]] = []  # started and not yet in use


def start_early() -> None:
    """Start one reading process, which gets ready while this one loads what it needs; the next Child takes it.

    For a command that is about to read. A process that is never taken ends with this one.
    """
    if _EARLY:
        return
    try:
        _EARLY.append(_started())
    except OSError:
        return  # whoever reads tries again, and says why it cannot be


def _started() -> subprocess.Popen[bytes]:
    # The child finds the modules where this process found them, and none in the current folder.
    home = str(Path(__file__).resolve().parents[2])
    places = [p for p in sys.path if p and os.path.isabs(p)]
    code = (
        f"import sys; sys.path[:] = {[*places, *([] if home in places else [home])]!r}; "
        "from grader.read.child import main; raise SystemExit(main())"
    )
    return subprocess.Popen(
        [sys.executable, "-P", "-S", "-c", code],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )


class Child:
    """One reading process, and since when it has been at its file.

    limits : the table [limits] of data/limits_reading.toml.
    Raises : OSError where no process can be started.
    """

    def __init__(self, limits: Mapping[str, float]) -> None:
        self.limits = limits
        self.since: float | None = None
        self.overdue = False
        self.allowed_s = limits["seconds_a_file"]
        self.process = _EARLY.pop() if _EARLY else _started()

    def greet(self) -> str:
        """Send the limits and wait until the child is ready; "" if it is, else what is wrong."""
        try:
            send(self.process.stdin, self.limits)  # type: ignore[arg-type]
            answer = str(receive(self.process.stdout))  # type: ignore[arg-type]
        except (EOFError, OSError):
            return "it ended at once"
        return "" if answer.startswith("ready") else answer

    def ask(self, path: str, layout: Any = None) -> None:
        """Give the child a path and its layout. That it is gone is seen when the reply is fetched."""
        try:
            send(self.process.stdin, (path, layout))  # type: ignore[arg-type]
        except OSError:
            self.process.kill()

    def reply(self, size: int = 0) -> dict[str, Any] | None:
        """The reply to the oldest path given, a file of so many bytes, or None if the child died or was stopped over it."""
        self.allowed_s = self.limits["seconds_a_file"] + self.limits["seconds_a_megabyte"] * max(size, 0) / 1e6
        self.since = time.monotonic()
        try:
            return receive(self.process.stdout)  # type: ignore[arg-type]
        except (EOFError, OSError):
            return None
        finally:
            self.since = None

    def stop_if_overdue(self) -> None:
        """Stop the child where it has been at one file for longer than the limit."""
        since = self.since
        if since is not None and time.monotonic() - since > self.allowed_s:
            self.overdue = True
            self.process.kill()

    def close(self) -> None:
        """Stop the child and wait for its end."""
        self.process.kill()
        self.process.wait()
        for stream in (self.process.stdin, self.process.stdout):
            try:
                if stream is not None:
                    stream.close()
            except OSError:
                continue  # unsent bytes to a child that is gone
