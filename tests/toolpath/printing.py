"""Small numeric-control files written by hand rules, as labs' own scripts write them."""

from __future__ import annotations

import math


def flat_file(
    *,
    walls: tuple[int, int] = (5, 4),
    spacing_mm: float = 0.1,
    layers: int = 8,
    layer_mm: float = 0.016,
    amplitude_mm: float = 0.0,
    wavelength_mm: float = 0.12,
    absolute: bool = True,
    overhang_mm: float = 0.04,
    notch: tuple[int, int] = (0, 0),
) -> str:
    """Return a log pile: layers take turns in X and Y, lines written to and fro.

    `notch` takes that many spacings in X and in Y off the corner of the largest X and Y.
    """
    rows = ["G21", "G90", "G0 X0 Y0 Z0", "F300"]
    size = [(n - 1) * spacing_mm for n in walls]
    place = [0.0, 0.0]
    if not absolute:
        rows.append("G91")

    def go(code: str, x: float, y: float) -> None:
        if absolute:
            rows.append(f"{code} X{x:.5f} Y{y:.5f}")
        else:
            dx, dy = x - place[0], y - place[1]
            # Steps of what was rounded, so that the sum stays true.
            rows.append(f"{code} X{dx:.5f} Y{dy:.5f}")
            x, y = place[0] + round(dx, 5), place[1] + round(dy, 5)
        place[:] = [x, y]

    for layer in range(layers):
        rows.append(f"; layer {layer}")
        rows.append(f"G0 Z{(layer if absolute else min(layer, 1)) * layer_mm:.5f}")
        way = layer % 2
        for number in range(walls[way]):
            across = number * spacing_mm
            length = size[1 - way]
            if number >= walls[way] - notch[1 - way]:
                length -= notch[way] * spacing_mm
            ends = [-overhang_mm, length + overhang_mm]
            if number % 2:
                ends.reverse()
            count = 1 if not amplitude_mm else round(abs(ends[1] - ends[0]) / wavelength_mm * 24)
            for i in range(count + 1):
                u = ends[0] + (ends[1] - ends[0]) * i / count
                v = across + amplitude_mm * math.sin(2 * math.pi * u / wavelength_mm)
                go("G1" if i else "G0", *((u, v) if way == 0 else (v, u)))
    rows.append("M30")
    return "\n".join(rows) + "\n"


def tube_file(
    *,
    radius_mm: float,
    angle_deg: float = 45.0,
    starts: int = 6,
    length_mm: float = 0.6,
    layers: int = 6,
    layer_mm: float = 0.018,
) -> str:
    """Return a winding to and fro: layers take turns in two hands, A turning the mandrel."""
    rows = ["G21 G90", "G0 X0 A0 Z0", "F300"]
    turn = math.degrees(length_mm * math.tan(math.radians(angle_deg)) / radius_mm)
    for layer in range(layers):
        rows += [f"; layer {layer}", f"G0 Z{layer * layer_mm:.5f}"]
        hand = 1 if layer % 2 == 0 else -1
        for start in range(starts):
            first = 360.0 * start / starts
            ends = [(0.0, first), (length_mm, first + hand * turn)]
            if start % 2:
                ends.reverse()
            for code, (x, a) in zip(("G0", "G1"), ends, strict=True):
                rows.append(f"{code} X{x:.5f} A{a:.5f}")
    rows.append("M30")
    return "\n".join(rows) + "\n"
