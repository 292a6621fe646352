"""What the command line says and where: results on stdout, talk on stderr."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import wraps
from typing import ParamSpec

from volscan.progress import Progress, no_progress

# The arguments of the command that runs, as run.json keeps them.
command_line: ContextVar[tuple[str, ...]] = ContextVar("command_line", default=())

# Without a terminal, work that is over sooner than this needs no lines about how far it is.
QUIET_START_S = 2.0


class Stopped(Exception):
    """The user pressed Ctrl-C."""


class ReaderLeft(Exception):
    """Whoever read our output has closed it."""


P = ParamSpec("P")


def stops_held(command: Callable[P, None]) -> Callable[P, None]:
    """Turn Ctrl-C and a closed output into exceptions that the option parser leaves alone."""

    @wraps(command)
    def held(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            command(*args, **kwargs)
            sys.stdout.flush()
        except KeyboardInterrupt as error:
            raise Stopped from error
        except BrokenPipeError as error:
            raise ReaderLeft from error

    return held


def say(text: str = "") -> None:
    """Print a line of the result."""
    print(text)


def complain(text: str) -> None:
    """Print exactly one line on stderr."""
    print(f"volscan: {' '.join(text.split())}", file=sys.stderr)


@contextmanager
def shown_progress(*, quiet: bool) -> Iterator[Progress]:
    """Yield the callback for a run: a bar on a terminal, plain lines elsewhere, or nothing."""
    if quiet:
        yield no_progress
    elif sys.stderr.isatty():
        with _bar() as progress:
            yield progress
    else:
        yield _plain_lines()


@contextmanager
def _bar() -> Iterator[Progress]:
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description:<10}"), BarColumn(), TimeElapsedColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("start", total=1.0)

        def progress(stage: str, share: float) -> None:
            bar.update(task, description=stage, completed=min(max(share, 0.0), 1.0))

        yield progress


def _plain_lines() -> Progress:
    began = time.monotonic()
    told: list[str] = []
    held: list[str] = []

    def progress(stage: str, share: float) -> None:
        if told and told[-1] == stage:
            return
        told.append(stage)
        held.append(stage)
        if time.monotonic() - began < QUIET_START_S:
            return
        for name in held:
            print(f"volscan: {name} ...", file=sys.stderr, flush=True)
        held.clear()

    return progress
