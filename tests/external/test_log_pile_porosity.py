"""Porosity of 0/90 log piles against the closed form of crossing cylinders.

Source: elementary geometry; porosity = 1 - π d²/(4 s h) + V/(h s²) for an endless pile whose
layers stand h apart, V the overlap of two crossing cylinders,
V = 4 ∫ sqrt(r² - z²) sqrt(r² - (z - h)²) dz, tabulated below to six digits (recomputed
independently). Without overlap it is the usual formula of 0/90 scaffolds, 1 - π d²/(4 s h), as in
Landers et al. 2002, J. Mater. Sci. 37, 3107 (cited from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from log_pile import LogPile, level_frame, material_of
from scipy.integrate import quad

from volscan.geometry import Envelope
from volscan.porosity import measure_porosity

# d, s, h and the porosity of the union.
TABLE = [
    (1.0, 3.0, 1.0, 0.738201),
    (1.0, 3.0, 0.8, 0.680593),
    (1.0, 5.0, 1.0, 0.842920),
    (1.0, 5.0, 0.9, 0.826130),
    (1.0, 5.0, 0.8, 0.806474),
    (1.0, 5.0, 0.5, 0.709071),
    (1.0, 10.0, 1.0, 0.921460),
    (20.0, 200.0, 16.0, 0.902531),
]


def _union(d: float, s: float, h: float) -> float:
    r = d / 2

    def area(z: float) -> float:
        return np.sqrt(max(r * r - z * z, 0.0)) * np.sqrt(max(r * r - (z - h) ** 2, 0.0))

    overlap = 4 * quad(area, h - r, r)[0] if h < d else 0.0
    return 1 - np.pi * d * d / (4 * s * h) + overlap / (h * s * s)


@pytest.mark.parametrize(("d", "s", "h", "porosity"), TABLE)
def test_table_and_formula_agree(d, s, h, porosity):
    assert _union(d, s, h) == pytest.approx(porosity, abs=1.5e-6)


@pytest.mark.parametrize(("d", "s", "h", "porosity"), TABLE)
def test_fitted_tubes_and_partial_volume(d, s, h, porosity):
    voxel = h / 8 if h > 0.6 * d else h / 4
    layers = 8 if h > 0.6 * d else 12
    # Off the grid in plan; in height two periods fill whole slices.
    base = 20.5 * voxel - 0.5 * ((layers - 1) * h + d) + 2 * h + math.ceil(d / voxel) * voxel
    pile = LogPile(
        diameter=d, spacing=s, step=h, layers=layers, walls=2, corner=1.613 * d + s / 2,
        base=base, overhang=s / 2 + d,
    )  # fmt: skip
    # One cell in plan, in the middle of the pile.
    low, high = pile.places[0] + s / 2, pile.places[1] + s / 2
    middle = 0.5 * (pile.base + pile.top)
    outline = np.array([[low, low], [high, low], [high, high], [low, high]])
    envelope = Envelope("one cell", outline, middle - 2 * h, middle + 2 * h, 0.0)
    material = material_of(pile.volume(voxel), voxel)
    found = measure_porosity(material, level_frame(), pile.fibres(), envelope)
    # Tubes: thirds of a voxel at 8 voxels across leave under 0.05 % of solid, weld lines as much.
    assert 1 - found.fibre_model.value == pytest.approx(1 - porosity, rel=2e-3)
    # The volume is sampled in height at 64 or 128 points a layer, the voxels cut in plan hold
    # fibres that run straight through them: 0.1 % of solid.
    assert 1 - found.partial_volume.value == pytest.approx(1 - porosity, rel=1e-3)
    # A count of whole voxels, 8 to 16 across a fibre, scatters by a few per cent of a circle's
    # section (Gauss's circle problem: about 0.7 sqrt(r) voxels of π r²).
    r = d / voxel / 2
    circle = 3 * 0.7 * math.sqrt(r) / (math.pi * r * r)
    assert 1 - found.threshold_raw.value == pytest.approx(1 - porosity, rel=circle)
