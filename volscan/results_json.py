"""JSON that people can read and whose bytes do not change."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

LINE = 100


def dumps(document: Mapping[str, Any]) -> str:
    """Write JSON: keys in their own order, a value on one line where it fits.

    Numbers are written by Python's shortest form that reads back the same, NaN is refused.

    Raises
    ------
    ValueError
        If a number is not finite.

    Examples
    --------
    >>> print(dumps({"a": [1, 2.5], "b": None}), end="")
    {"a": [1, 2.5], "b": null}
    """
    return _block(document, 0, 0) + "\n"


def _block(node: Any, indent: int, used: int) -> str:
    line = json.dumps(node, ensure_ascii=False, allow_nan=False)
    if not isinstance(node, Mapping | list | tuple) or indent + used + len(line) <= LINE:
        return line
    pad = " " * (indent + 1)
    if isinstance(node, Mapping):
        keys = [json.dumps(str(k), ensure_ascii=False) + ": " for k in node]
        parts = [
            pad + k + _block(v, indent + 1, len(k) + 1)
            for k, v in zip(keys, node.values(), strict=True)
        ]
        return "{\n" + ",\n".join(parts) + "\n" + " " * indent + "}"
    parts = [pad + _block(v, indent + 1, 1) for v in node]
    return "[\n" + ",\n".join(parts) + "\n" + " " * indent + "]"
