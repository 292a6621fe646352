"""The blurred column of discs against a plain picture: discs drawn on a fine grid, then blurred."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from volscan.kernels.discs import column_jacobian, column_values

STEP = 0.05


def plain(n, h, centre_n, centre_h, radius_n, radius_h, sigma_n, sigma_h, share, widening):
    """Draw the union on a grid of STEP, blur with scipy, read off at (n, h)."""
    pad = 5.0 * max(sigma_n, sigma_h) * widening
    across = np.arange(
        min(centre_n) - max(radius_n) - pad, max(centre_n) + max(radius_n) + pad, STEP
    )
    up = np.arange(min(centre_h) - max(radius_h) - pad, max(centre_h) + max(radius_h) + pad, STEP)
    grid_h, grid_n = np.meshgrid(up, across, indexing="ij")
    union = np.zeros(grid_n.shape)
    for a, b, r, q in zip(centre_n, centre_h, radius_n, radius_h, strict=True):
        union[((grid_n - a) / r) ** 2 + ((grid_h - b) / q) ** 2 <= 1.0] = 1.0
    blurred = (1 - share) * gaussian_filter(union, (sigma_h / STEP, sigma_n / STEP))
    blurred += share * gaussian_filter(
        union, (widening * sigma_h / STEP, widening * sigma_n / STEP)
    )
    i = np.clip(np.round((h - up[0]) / STEP).astype(int), 0, up.size - 1)
    j = np.clip(np.round((n - across[0]) / STEP).astype(int), 0, across.size - 1)
    return blurred[i, j], across[j], up[i]


@pytest.mark.parametrize(
    ("centre_n", "centre_h", "radius_h"),
    [
        ([0.0], [0.0], [4.0]),
        ([0.0, 0.6, 1.3], [0.0, 6.0, 12.1], [4.0, 4.0, 4.0]),
        ([0.0, -0.4], [0.0, 12.0], [3.2, 3.2]),
    ],
)
def test_values_equal_a_drawn_and_blurred_union(centre_n, centre_h, radius_h):
    rng = np.random.default_rng(3)
    n = rng.uniform(-8, 8, 300)
    h = rng.uniform(-7, max(centre_h) + 7, 300)
    radius_n = [4.0] * len(centre_n)
    arrays = [np.array(v, dtype=float) for v in (centre_n, centre_h, radius_n, radius_h)]
    expected, at_n, at_h = plain(n, h, *arrays, 1.3, 1.1, 0.2, 2.0)
    got = column_values(
        at_n, at_h, *arrays, sigma_n=1.3, sigma_h=1.1, share=0.2, widening=2.0, row_step=0.1
    )
    # The grid's own step moves a drawn edge by up to 0.025, worth 0.025 / (1.1 √(2π)) = 0.009 of
    # the contrast at worst; over a curved edge it averages to about a third.
    assert np.abs(got - expected).max() < 0.006
    assert abs(float(np.mean(got - expected))) < 5e-4


def test_jacobian_points_where_differences_do():
    centre_n, centre_h = np.array([0.0, 0.5]), np.array([0.0, 5.0])
    radius = np.array([3.0, 3.1])
    rng = np.random.default_rng(5)
    n, h = rng.uniform(-6, 6, 400), rng.uniform(-6, 11, 400)
    optics = dict(sigma_n=1.2, sigma_h=1.2, share=0.1, widening=2.0, row_step=0.05)
    jacobian = column_jacobian(n, h, centre_n, centre_h, radius, radius, **optics)
    # Wide enough that the rows, which move with the discs, do not show as steps.
    delta = 0.15
    for column in range(6):
        values = []
        for sign in (-1, 1):
            a, b, r = centre_n.copy(), centre_h.copy(), radius.copy()
            (a, b, r)[column % 3][column // 3] += sign * delta
            values.append(column_values(n, h, a, b, r, r, **optics))
        difference = (values[1] - values[0]) / (2 * delta)
        # Promised: a tenth. The chord's ends, steep at a disc's top, are averaged over a row.
        misfit = np.linalg.norm(jacobian[:, column] - difference) / np.linalg.norm(difference)
        assert misfit < 0.1
