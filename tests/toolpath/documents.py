"""Results of a print as a measurement would store them, made up from the leans of its walls."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

RISE_UM = 32.0


def quantity(value: float, u: float | None = 0.01, n: int = 5) -> dict[str, Any]:
    return {"value": value, "u": u, "unit": "µm", "n": n}


def document(
    leans: Mapping[float, Sequence[float]],
    *,
    spacing_um: float = 100.0,
    positions: Mapping[float, Sequence[float]] | None = None,
    lengths: Mapping[float, Sequence[float]] | None = None,
    fibres: int = 4,
    diameter_um: float = 20.0,
    rise_um: float = RISE_UM,
    bow_um: float = 0.0,
    confirmed: bool = True,
    scan: str = "ab" * 32,
    u_deg: float = 0.05,
) -> dict[str, Any]:
    """Return the keys that a correction reads, walls by direction."""
    families, walls = [], []
    for number, direction in enumerate(sorted(leans)):
        tilts = leans[direction]
        middle = (len(tilts) - 1) / 2
        at = [(k - middle) * spacing_um for k in range(len(tilts))]
        at = list(positions[direction]) if positions else at
        families.append(
            {
                "id": number, "direction_deg": quantity(direction), "layers": fibres,
                "diameter_um": quantity(diameter_um), "rise_per_fibre_um": quantity(rise_um),
            }
        )  # fmt: skip
        long = lengths[direction] if lengths else [500.0] * len(tilts)
        for place, tilt, length in zip(at, tilts, long, strict=True):
            walls.append(
                {
                    "id": len(walls), "family": number, "direction_deg": direction,
                    "position_um": place, "length_um": length, "tilt_deg": quantity(tilt, u_deg),
                    "offset_per_fibre_um": quantity(
                        rise_um * math.tan(math.radians(tilt)), rise_um * math.radians(u_deg)
                    ),
                    "layer_heights_um": [10.0 + rise_um * k for k in range(fibres)],
                    "bow_um": quantity(bow_um, 0.1),
                }
            )  # fmt: skip
    return {
        "input": {"sha256": scan},
        "settings": {"upright_tolerance_deg": 1.0},
        "frame": {
            "kind": "plate", "up_confirmed": confirmed, "mirrored_confirmed": confirmed,
            "u_tilt_deg": 0.02,
        },
        "fibres": {"families": families},
        "walls": walls,
    }  # fmt: skip
