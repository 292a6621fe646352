"""The share of a voxel inside a convex body."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from volscan.kernels.prism import inside_share

UNIT = st.floats(-1, 1)


@settings(max_examples=60, deadline=None)
@given(st.tuples(UNIT, UNIT, UNIT), st.floats(-1.2, 1.2))
def test_one_plane_through_one_voxel(direction, offset):
    normal = np.array(direction)
    size = np.linalg.norm(normal)
    if size < 0.1:
        return
    normal /= size
    spacing = (2.0, 1.0, 0.5)
    share = inside_share(np.array([[*normal, offset]]), shape=(1, 1, 1), spacing_um=spacing)
    n = 60
    axes = [((np.arange(n) + 0.5) / n - 0.5) * s for s in spacing]
    z, y, x = np.meshgrid(*axes, indexing="ij")
    counted = np.mean(normal[0] * z + normal[1] * y + normal[2] * x >= offset)
    # 60³ points resolve a plane along the grid to half a layer of points, 1/120; the kernel's
    # least component smears by 0.05 %.
    assert share[0, 0, 0] == pytest.approx(counted, abs=0.009)


@pytest.mark.parametrize("spacing", [(1.0, 1.0, 1.0), (2.0, 1.0, 1.0)])
def test_volume_of_a_tilted_box(spacing):
    a, b = np.radians(7.0), np.radians(33.0)
    h = np.array([np.cos(a), np.sin(a) * np.sin(b), np.sin(a) * np.cos(b)])
    x = np.cross(h, [0.3, 1.0, 0.2])
    x /= np.linalg.norm(x)
    y = np.cross(h, x)
    middle, size = np.array([31.0, 30.5, 29.8]), {0: 20.0, 1: 30.0, 2: 25.0}
    planes = [
        [*(s * n), s * (n @ middle) - size[k] / 2] for k, n in enumerate((h, x, y)) for s in (1, -1)
    ]
    shape = tuple(int(62 / s) for s in spacing)
    share = inside_share(np.array(planes), shape=shape, spacing_um=spacing)
    # Faces are exact; 6³ points in the few voxels at edges scatter by 1 % each.
    assert share.sum(dtype=float) * np.prod(spacing) == pytest.approx(20 * 30 * 25, rel=5e-4)


def test_a_slab_of_the_scan_is_the_slab_of_the_whole():
    planes = np.array([[0.8, 0.6, 0.0, 7.0], [0.0, -0.6, -0.8, -20.0]])
    whole = inside_share(planes, shape=(16, 14, 20), spacing_um=(1, 1, 1))
    part = inside_share(planes, shape=(5, 14, 20), spacing_um=(1, 1, 1), first_slice=6)
    np.testing.assert_array_equal(part, whole[6:11])


def test_outside_is_nothing():
    planes = np.array([[1.0, 0.0, 0.0, 50.0]])
    assert not inside_share(planes, shape=(4, 4, 4), spacing_um=(1, 1, 1)).any()
