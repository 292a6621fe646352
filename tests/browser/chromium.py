"""A headless Chromium, steered over a pipe by its own debugging protocol: no further package.

Source: the Chrome DevTools Protocol; with --remote-debugging-pipe the browser reads JSON messages,
each ended by a zero byte, from file descriptor 3 and writes its answers to 4.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome")
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--hide-scrollbars",
)  # fmt: skip
# A page of some megabytes is drawn within seconds, also on a machine that does other work.
PATIENCE_S = 60.0


class BrowserError(RuntimeError):
    """The browser is missing, hangs or refuses."""


class Browser:
    """One running browser; every message is kept in `events`."""

    def __init__(self, write_fd: int, read_fd: int) -> None:
        self._out, self._in = write_fd, read_fd
        self._number = 0
        self._rest = b""
        self.events: list[dict[str, Any]] = []

    def call(self, method: str, session: str | None = None, **given: Any) -> dict[str, Any]:
        """Send a command and wait for its answer."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": given}
        if session:
            message["sessionId"] = session
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self._out, data) :]
        while True:
            answer = self._next(PATIENCE_S)
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise BrowserError(f"{method}: {answer['error']['message']}")
                return dict(answer["result"])
            self.events.append(answer)

    def wait_for(self, method: str) -> None:
        """Wait until an event has come."""
        end = time.monotonic() + PATIENCE_S
        while not any(e.get("method") == method for e in self.events):
            if time.monotonic() > end:
                raise BrowserError(f"the browser did not tell {method}")
            self.events.append(self._next(PATIENCE_S))

    def _next(self, seconds: float) -> dict[str, Any]:
        end = time.monotonic() + seconds
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._in], [], [], max(0.0, end - time.monotonic()))
            part = os.read(self._in, 1 << 16) if ready else b""
            if not part:
                raise BrowserError("the browser does not answer")
            self._rest += part
        text, _, self._rest = self._rest.partition(b"\0")
        return dict(json.loads(text))


@contextmanager
def browser(*flags: str) -> Iterator[Browser]:
    """Start a browser with a profile of its own, and end it.

    Raises
    ------
    BrowserError
        If there is none; the message says how to install one.
    """
    program = next((p for p in map(shutil.which, NAMES) if p), None)
    if program is None:
        raise BrowserError("no browser: apt-get install chromium")
    to_read, to_write = os.pipe()
    from_read, from_write = os.pipe()
    with tempfile.TemporaryDirectory(prefix="volscan-browser-") as profile:
        # A shell puts the pipes where the browser looks for them, descriptors 3 and 4.
        given = [program, *FLAGS, *flags, f"--user-data-dir={profile}", "--remote-debugging-pipe"]
        process = subprocess.Popen(
            ["bash", "-c", f'exec "$@" 3<&{to_read} 4>&{from_write}', "browser", *given],
            pass_fds=(to_read, from_write),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(from_write)
        try:
            yield Browser(to_write, from_read)
        finally:
            os.close(to_write)
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            os.close(from_read)
            # Its helpers may still be writing into the profile for a moment.
            with contextlib.suppress(OSError):
                shutil.rmtree(profile, ignore_errors=True)
