import numpy as np
import pytest
from scipy import ndimage

from volscan.kernels.cutcells import cut_area_by_height, level_set_on_grid, open_shares


def test_open_shares_of_a_plane_equal_dense_sampling():
    rng = np.random.default_rng(2)
    for _ in range(20):
        normal, offset = rng.normal(size=3), rng.normal() * 0.5
        z, y, x = np.meshgrid(*[np.arange(2.0)] * 3, indexing="ij")
        corners = normal[0] * (z - 0.5) + normal[1] * (y - 0.5) + normal[2] * (x - 0.5) + offset
        fine = (np.arange(400) + 0.5) / 400
        u, v = np.meshgrid(fine, fine, indexing="ij")
        for axis, found in enumerate(open_shares(corners.astype(np.float32))):
            for end in (0, 1):
                place = [u, v]
                place.insert(axis, np.full_like(u, float(end)))
                inside = sum(n * (p - 0.5) for n, p in zip(normal, place, strict=True)) + offset > 0
                # 400 x 400 points: a line's worth of them, 1/400, at the edge.
                assert found.take(end, axis=axis).item() == pytest.approx(inside.mean(), abs=4e-3)


def test_the_level_set_goes_through_the_voxels_and_is_smooth_between():
    rng = np.random.default_rng(3)
    f = ndimage.gaussian_filter(rng.random((9, 10, 11)), 1.5).astype(np.float32)
    at_voxels = level_set_on_grid(
        f, level=0.5, spacing_um=(2.0, 1.0, 1.5), origin_um=np.zeros(3), axes=np.eye(3),
        steps_um=(2.0, 1.0, 1.5), shape=f.shape,
    )  # fmt: skip
    np.testing.assert_allclose(at_voxels, 0.5 - f, atol=1e-6)
    # Between voxels of a quadratic, whose third differences vanish, the cubic is exact.
    z, y, x = np.meshgrid(*[np.arange(8.0)] * 3, indexing="ij")
    g = 0.5 + 0.01 * (z - 3) ** 2 - 0.02 * (y - 4) * (x - 3)
    half = level_set_on_grid(
        g.astype(np.float32), level=0.5, spacing_um=(1.0, 1.0, 1.0), origin_um=np.full(3, 2.5),
        axes=np.eye(3), steps_um=(1.0, 1.0, 1.0), shape=(3, 3, 3),
    )  # fmt: skip
    z, y, x = np.meshgrid(*[2.5 + np.arange(3.0)] * 3, indexing="ij")
    np.testing.assert_allclose(half, -(0.01 * (z - 3) ** 2 - 0.02 * (y - 4) * (x - 3)), atol=1e-6)


def test_a_turned_grid_sees_the_same_field():
    _, y, x = np.meshgrid(*[np.arange(12.0)] * 3, indexing="ij")
    f = (0.5 + 0.03 * (x - 5.5) + 0.02 * (y - 5.5)).astype(np.float32)
    a = np.radians(30)
    axes = np.array([[1, 0, 0], [0, np.cos(a), np.sin(a)], [0, -np.sin(a), np.cos(a)]])
    start = np.array([5.5, 5.5, 5.5])
    found = level_set_on_grid(
        f, level=0.5, spacing_um=(1.0, 1.0, 1.0), origin_um=start, axes=axes,
        steps_um=(1.0, 1.0, 1.0), shape=(1, 3, 3),
    )  # fmt: skip
    for j in range(3):
        for k in range(3):
            p = start + j * axes[1] + k * axes[2]
            true = -(0.03 * (p[2] - 5.5) + 0.02 * (p[1] - 5.5))
            assert found[0, j, k] == pytest.approx(true, abs=1e-5)


@pytest.mark.parametrize("spacing", [(1.0, 1.0, 1.0), (2.0, 1.0, 0.5)])
def test_area_of_a_slanting_plane_is_exact(spacing):
    n = np.array([0.5, -0.3, 0.8])
    z, y, x = (
        (np.arange(m) * s).reshape([-1 if k == j else 1 for j in range(3)])
        for k, (m, s) in enumerate(zip((12, 14, 40), spacing, strict=True))
    )
    middle = [0.5 * (m - 1) * s for m, s in zip((12, 14, 40), spacing, strict=True)]
    f = 0.5 + 0.01 * (n[0] * (z - middle[0]) + n[1] * (y - middle[1]) + n[2] * (x - middle[2]))
    area = cut_area_by_height(
        f.astype(np.float32), level=0.5, spacing_um=spacing, weights=None, open_void=None,
        height_axis=(spacing[0], 0.0, 0.0, 0.0), base_um=0.0, slab_um=1e9, slabs=1,
    )  # fmt: skip
    # Its projection along x is the whole section where it leaves by no other face.
    section = 11 * spacing[0] * 13 * spacing[1]
    reach = (abs(n[0]) * middle[0] + abs(n[1]) * middle[1]) / n[2]
    if reach < middle[2]:
        true = section * np.linalg.norm(n) / n[2]
        # float32 differences of corner values.
        assert area[0, 0] == pytest.approx(true, rel=1e-3)
    assert area[0, 0] == area[0, 1] > 0
