"""Independent walls on as many threads as the kernels use; the order of results is kept.

The kernels let go of the interpreter, waiting threads sleep, and every wall's arithmetic is its
own, so the results are the same bits whatever the number of threads.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from numba import get_num_threads

Item = TypeVar("Item")
Result = TypeVar("Result")


def on_each(function: Callable[[Item], Result], items: Sequence[Item]) -> list[Result]:
    """Return `function` of every item, in order."""
    workers = min(len(items), get_num_threads())
    if workers < 2:
        return [function(i) for i in items]
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(function, items))
