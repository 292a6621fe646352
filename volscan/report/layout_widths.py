"""How wide a finished figure is."""

from __future__ import annotations

import re

_POINTS_PER_MM = 72 / 25.4


def figure_width_mm(svg: bytes) -> float:
    """Return the width that an SVG file states, which matplotlib writes in points.

    >>> round(figure_width_mm(b'<svg width="240.94pt" height="100pt">'), 1)
    85.0
    """
    found = re.search(rb'<svg[^>]*?\bwidth="([0-9.]+)pt"', svg, flags=re.DOTALL)
    if found is None:
        raise ValueError("the figure states no width in points")
    return float(found.group(1)) / _POINTS_PER_MM
