"""The one way a stage tells how far it has come."""

from __future__ import annotations

from collections.abc import Callable

# Called with the stage's name and the share done, 0 to 1.
Progress = Callable[[str, float], None]


def no_progress(stage: str, share: float) -> None:
    """Say nothing."""
