import itertools

import numpy as np
import pytest
from pore_solids import sampled
from scipy import ndimage

from volscan.kernels.distance import distance_to_surface, nearest_site
from volscan.kernels.surface import surface_discs

SPACINGS = [(1.0, 1.0, 1.0), (2.0, 1.0, 1.5)]


@pytest.mark.parametrize("spacing", SPACINGS)
def test_nearest_site_is_the_nearest(spacing):
    rng = np.random.default_rng(3)
    sites = rng.random((13, 37, 41)) < 0.01
    voxels = np.flatnonzero(sites)
    squared, ids = nearest_site(voxels, shape=sites.shape, spacing_um=spacing)
    at = np.indices(sites.shape).reshape(3, -1).T * spacing
    all_squared = ((at[:, None] - at[voxels][None]) ** 2).sum(-1)
    # Plain search in float64; the kernel stores float32 (relative rounding 6e-8).
    np.testing.assert_allclose(squared.ravel(), all_squared.min(1), rtol=3e-7)
    own = all_squared[np.arange(at.shape[0]), ids.ravel()]
    np.testing.assert_allclose(own, all_squared.min(1), rtol=3e-7)


def test_no_site_is_infinitely_far():
    squared, ids = nearest_site(np.empty(0, np.int64), shape=(3, 4, 5), spacing_um=(1, 1, 1))
    assert np.isinf(squared).all()
    assert (ids == -1).all()


def _all_discs(points, surface):
    away = points[:, None] - surface.centres_um[None]
    height = (away * surface.normals[None]).sum(-1)
    lateral = np.sqrt(np.maximum((away**2).sum(-1) - height**2, 0))
    return np.sqrt(height**2 + np.maximum(lateral - surface.disc_radius_um, 0) ** 2).min(1)


@pytest.mark.parametrize("spacing", SPACINGS)
@pytest.mark.parametrize("blur", [0.0, 0.8])
def test_distance_equals_a_search_over_all_discs(spacing, blur):
    counts = tuple(round(36 / s) for s in spacing)
    ball = sampled(
        lambda z, y, x: (z - 17.3) ** 2 + (y - 18.2) ** 2 + (x - 17.9) ** 2 <= 8.4**2,
        counts,
        spacing_um=spacing,
    )
    f = ndimage.gaussian_filter(ball, [blur / s for s in spacing]) if blur else ball
    surface = surface_discs(f, level=0.5, spacing_um=spacing)
    dist, ids = distance_to_surface(f, surface, level=0.5)
    void = f < 0.5
    points = np.argwhere(void) * np.asarray(spacing)
    excess = dist[void] - _all_discs(points, surface)
    # The walk may end beside the nearest disc where jagged (unblurred) faces have several equal
    # feet: by less than half a voxel, seldom, and never below the true minimum.
    assert excess.min() > -1e-3
    assert excess.max() < 0.5 * max(spacing)
    assert np.mean(excess > 0.02) < 0.05
    assert (ids[void] >= 0).all()
    assert (dist[~void] == 0).all()


@pytest.mark.parametrize(("blur", "bias"), [(0.0, 0.1), (0.8, 0.05)])
def test_distance_is_free_of_the_half_voxel_bias(blur, bias):
    # Closed form: distance to a ball. To voxel centres it would be 0.3 to 0.5 too far.
    centre, radius = np.array([29.7, 30.2, 30.4]), 12.3
    f = sampled(
        lambda z, y, x: (z - 29.7) ** 2 + (y - 30.2) ** 2 + (x - 30.4) ** 2 <= radius**2, (60,) * 3
    )
    f = ndimage.gaussian_filter(f, blur) if blur else f
    # A ball's half-maximum surface recedes by sigma² / R (curvature 2 / R times sigma² / 2).
    radius -= blur**2 / radius
    surface = surface_discs(f, level=0.5, spacing_um=(1, 1, 1))
    dist, _ = distance_to_surface(f, surface, level=0.5)
    true = np.linalg.norm(np.indices(f.shape).T - centre, axis=-1).T - radius
    error = (dist - true)[f < 0.5]
    assert abs(error.mean()) < bias
    assert error.std() < 0.1


def test_surface_lies_between_voxels_where_the_grey_says():
    # A flat face: the linear crossing is exact where the map is linear across the face.
    f = np.zeros((12, 5, 6), np.float32)
    for k in range(12):
        f[k] = np.clip(0.5 - (k - 4.8) / 6, 0, 1)
    for axes in itertools.permutations(range(3)):
        turned = np.ascontiguousarray(f.transpose(axes))
        surface = surface_discs(turned, level=0.5, spacing_um=(2.0, 2.0, 2.0))
        axis = axes.index(0)
        np.testing.assert_allclose(surface.centres_um[:, axis], 9.6, atol=1e-4)
        np.testing.assert_allclose(surface.normals[:, axis], 1.0, atol=1e-6)
        assert surface.slope_per_um == pytest.approx(1 / 12, rel=1e-5)


def test_a_solid_one_voxel_thin_has_two_faces():
    f = np.zeros((9, 5, 5), np.float32)
    f[4] = 1.0
    surface = surface_discs(f, level=0.5, spacing_um=(1, 1, 1))
    assert surface.voxels.size == 50
    dist, _ = distance_to_surface(f, surface, level=0.5)
    np.testing.assert_allclose(dist[:, 2, 2], [3.5, 2.5, 1.5, 0.5, 0, 0.5, 1.5, 2.5, 3.5])
