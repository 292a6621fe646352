"""Simple solids: what their voxels hold against textbook geometry."""

from __future__ import annotations

import numpy as np
import pytest

from volscan.phantom.solids import cylinder_array, log_pile, slab, sphere_packing

# Porosity and throat over R of touching equal spheres: Conway & Sloane, Sphere Packings, Lattices
# and Groups; windows from the triangles of centres.
PACKINGS = {"sc": (0.476401, 0.414214), "bcc": (0.319825, 0.224745), "fcc": (0.259520, 0.154701)}


@pytest.mark.parametrize("kind", list(PACKINGS))
def test_sphere_packings(kind):
    solid = sphere_packing(kind, cell_voxels=32)
    porosity, throat = PACKINGS[kind]
    assert solid.truth["porosity"] == pytest.approx(porosity, abs=1e-6)
    assert solid.truth["throat_um"] / solid.truth["radius_um"] == pytest.approx(
        2 * throat, abs=2e-6
    )
    # Radii of 11 to 16 voxels, five samples an edge: within 1e-3.
    assert 1 - solid.share.mean(dtype=np.float64) == pytest.approx(porosity, abs=1e-3)


# Worked values of 1 - π d²/(4 s h) + V_ov/(h s²).
@pytest.mark.parametrize(
    ("d", "s", "h", "porosity"),
    [(20, 60, 20, 0.738201), (20, 60, 16, 0.680593), (20, 100, 10, 0.709071)],
)
def test_log_piles(d, s, h, porosity):
    solid = log_pile(diameter_um=d, spacing_um=s, layer_height_um=h)
    assert solid.truth["porosity"] == pytest.approx(porosity, abs=1e-6)
    assert 1 - solid.share.mean(dtype=np.float64) == pytest.approx(porosity, abs=1e-3)
    # Opposite faces meet: the block continues itself.
    assert np.allclose(solid.share[:, :, 0], solid.share[:, :, -1], atol=1e-6)
    assert solid.truth["throat_xy_um"] == min(s - d, 2 * h - d)


def test_cylinder_arrays():
    solid = cylinder_array(diameter_um=21.0, spacing_um=40, cells=2)
    assert 1 - solid.share.mean(dtype=np.float64) == pytest.approx(
        solid.truth["porosity"], abs=5e-4
    )
    assert solid.share.shape == (80, 80, 8)


def test_slabs():
    solid = slab(thickness_um=7.5, shape=(30, 4, 5))
    assert 1 - solid.share.mean(dtype=np.float64) == pytest.approx(solid.truth["porosity"])
    assert solid.share[:, 0, 0].sum() == pytest.approx(7.5)
