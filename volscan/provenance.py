"""What computed a result, when, how long and with how much memory."""

from __future__ import annotations

import datetime
import os
import platform
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import volscan

# Packages whose version can change a number.
_PACKAGES = (
    "numpy",
    "scipy",
    "scikit-image",
    "SimpleITK",
    "numba",
    "edt",
    "connected-components-3d",
    "tifffile",
    "imagecodecs",
)

# Sampling a process's memory 50 times a second costs nothing that can be measured.
_SAMPLE_S = 0.02


def software() -> dict[str, str]:
    """Return name and version of everything that can change a number."""
    out = {"volscan": volscan.__version__, "python": platform.python_version()}
    for package in _PACKAGES:
        try:
            out[package] = version(package)
        except PackageNotFoundError:
            continue
    return out


@dataclass
class RunLog:
    """Times the stages of one run and watches the memory of the process.

    Examples
    --------
    >>> log = RunLog()
    >>> with log.stage("prepare"):
    ...     pass
    >>> [s["stage"] for s in log.to_dict()["stages"]]
    ['prepare']
    """

    started: datetime.datetime = field(default_factory=lambda: datetime.datetime.now().astimezone())
    stages: list[dict[str, Any]] = field(default_factory=list)
    _clock: float = field(default_factory=time.perf_counter)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time what runs inside and keep the highest resident memory seen meanwhile."""
        begin, before = time.perf_counter(), _highest_resident()
        with _watched_memory() as seen:
            yield
        after = _highest_resident()
        # The process's own high-water mark is exact where this stage raised it.
        peak = after if after is not None and before is not None and after > before else seen[0]
        seconds = round(time.perf_counter() - begin, 3)
        self.stages.append({"stage": name, "seconds": seconds, "peak_memory_bytes": peak or None})

    def to_dict(self) -> dict[str, Any]:
        """Return the contents of run.json."""
        return {
            "started": self.started.isoformat(timespec="seconds"),
            "seconds": round(time.perf_counter() - self._clock, 3),
            "peak_memory_bytes": _highest_resident(),
            "stages": self.stages,
            "machine": {
                "system": platform.platform(),
                "processor": platform.machine(),
                "cores": os.cpu_count(),
            },
        }


def plain_command(argv: Sequence[str]) -> str:
    """Return a command line as it can be typed again."""
    import shlex

    return shlex.join(["volscan", *argv])


@contextmanager
def _watched_memory() -> Iterator[list[int]]:
    seen = [_resident() or 0]
    stop = threading.Event()

    def watch() -> None:
        while not stop.wait(_SAMPLE_S):
            seen[0] = max(seen[0], _resident() or 0)

    thread = threading.Thread(target=watch, name="volscan-memory", daemon=True)
    thread.start()
    try:
        yield seen
    finally:
        stop.set()
        thread.join()
        seen[0] = max(seen[0], _resident() or 0)


def _resident() -> int | None:
    """Return the resident memory now, in bytes, where the system tells it."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
    except (OSError, ValueError, IndexError):
        return None
    return pages * os.sysconf("SC_PAGE_SIZE")


def _highest_resident() -> int | None:
    """Return the highest resident memory of the process so far, in bytes."""
    try:
        import resource
    except ImportError:  # not on Windows
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return int(peak) if sys.platform == "darwin" else int(peak) * 1024
