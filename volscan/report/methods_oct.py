"""What a methods paragraph says of an OCT scan: how depth and fibres were told from light."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from volscan.quantity import format_with_u

Json = Mapping[str, Any]

_STORED = {"db": "decibels", "amplitude": "amplitudes", "intensity": "intensities"}


def oct_preparation(doc: Json) -> str:
    """Return how stored values became echoes by depth."""
    met, settings = doc["oct"], doc["settings"]
    stored = _STORED.get(str(met["stored"]), str(met["stored"]))
    text = f"The stored values were taken for {stored}"
    if met["grey_per_db"] is not None:
        text += f" ({met['grey_per_db']:.3g} grey values each)"
    text += f" of {met['looks']:.2g} independent looks, as the noise itself tells"
    text += "; " + "; ".join(met["steps"]) + "." if met["steps"] else "."
    index = met["index_polymer"]
    text += (
        f" Optical path was divided by {settings['index_medium']:g} in the medium and, inside the "
        f"fitted fibres only, by the polymer's group index of {index['used']:g} (± {index['u']:g})"
    )
    if index["met"] is not None:
        text += f"; the scan itself shows {format_with_u(index['met']['value'], index['met']['u'])}"
    text += "."
    blur = met["blur_fwhm_um"]
    if blur is not None:
        text += (
            f" The point spread of the amplitude has a full width at half maximum of "
            f"{blur['across']:.3g} µm across and {blur['beam_optical']:.3g} µm (optical path) "
            "along the beam."
        )
    return text


def oct_fibres(doc: Json) -> str:
    """Return how fibres were told from echoes, and what came from scans of the growing print."""
    text = (
        f"The places and widths of {doc['fibres']['count']} fibres were fitted to each wall's mean "
        "section between its crossings: what each line of sight shows was computed from the top "
        "down, with the light that fibres above take. Rays were taken for straight; what bent ones "
        "do is in the uncertainties. Fibres of one direction and spacing form a family; layers are "
        "distinct fibre heights."
    )
    joined = doc["oct"].get("joined")
    if joined:
        used = [m for m in joined[:-1] if m is not None]
        taken = sum(m["fibres_taken"] for m in used)
        text += (
            f" {len(used)} of {len(joined) - 1} earlier scans of the same print, with fewer "
            "layers, were laid on the last by the collector and by the fibres they share; "
            f"{taken} fibres that the last scan shows badly or not at all were taken from them."
        )
    return text
