import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from volscan.kernels.distance import distance_to_surface
from volscan.kernels.peaks import peak_spheres, thinned_spheres
from volscan.kernels.spheres import paint_spheres
from volscan.kernels.surface import surface_discs


def plain_painting(radius, offsets, spacing, pore):
    """Try every sphere on every voxel."""
    out = np.zeros(radius.shape, np.float32)
    z, y, x = (n * s for n, s in zip(np.indices(radius.shape), spacing, strict=True))
    slack2 = sum(s * s for s in spacing) / 4
    for at in zip(*np.nonzero(radius > 0), strict=True):
        cz, cy, cx = (
            (i + o / 254) * s
            for i, o, s in zip(at, offsets[at].astype(float), spacing, strict=True)
        )
        away2 = (z - cz) ** 2 + (y - cy) ** 2 + (x - cx) ** 2
        held = (away2 <= float(radius[at]) ** 2 + slack2) & pore
        out[held] = np.maximum(out[held], 2 * radius[at])
    return out


def _random(seed, shape, largest, filled):
    rng = np.random.default_rng(seed)
    radius = (rng.random(shape) * largest).astype(np.float32)
    radius[rng.random(shape) > filled] = 0
    offsets = rng.integers(-127, 128, (*shape, 3)).astype(np.int8)
    return radius, offsets, rng.random(shape) < 0.9


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 10_000),
    st.tuples(st.integers(1, 20), st.integers(1, 12), st.integers(1, 19)),
    st.tuples(*[st.floats(0.5, 2.5)] * 3),
    st.floats(0.1, 9.0),
    st.floats(0.05, 1.0),
)
def test_painting_equals_trying_every_sphere_on_every_voxel(seed, shape, spacing, largest, filled):
    radius, offsets, pore = _random(seed, shape, largest, filled)
    got = paint_spheres(radius, offsets, spacing_um=spacing, pore=pore)
    np.testing.assert_array_equal(got, plain_painting(radius, offsets, spacing, pore))


def test_equal_radii_are_painted_too():
    # Equal spheres cover each other only in the order of their index.
    shape = (12, 13, 14)
    radius = np.zeros(shape, np.float32)
    radius[2:9, 3:9, 4:10] = 3.0
    offsets = np.zeros((*shape, 3), np.int8)
    pore = np.ones(shape, bool)
    got = paint_spheres(radius, offsets, spacing_um=(1, 1, 1), pore=pore)
    np.testing.assert_array_equal(got, plain_painting(radius, offsets, (1, 1, 1), pore))


@pytest.mark.parametrize("spacing", [(1.0, 1.0, 1.0), (2.0, 1.0, 1.0)])
def test_painting_of_a_distance_field_equals_the_plain_version(spacing):
    rng = np.random.default_rng(8)
    solid = (rng.random((16, 22, 24)) < 0.006).astype(np.float32)
    surface = surface_discs(solid, level=0.5, spacing_um=spacing)
    dist, ids = distance_to_surface(solid, surface, level=0.5)
    radius, offsets = peak_spheres(
        dist,
        ids,
        surface.centres_um,
        surface.normals,
        spacing_um=spacing,
        disc_radius_um=surface.disc_radius_um,
    )
    pore = solid < 0.5
    got = paint_spheres(radius, offsets, spacing_um=spacing, pore=pore)
    np.testing.assert_array_equal(got, plain_painting(radius, offsets, spacing, pore))


def test_the_thread_count_changes_nothing():
    radius, offsets, pore = _random(5, (40, 17, 18), 7.0, 0.3)
    before = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        one = paint_spheres(radius, offsets, spacing_um=(1, 1, 1), pore=pore)
    finally:
        numba.set_num_threads(before)
    many = paint_spheres(radius, offsets, spacing_um=(1, 1, 1), pore=pore)
    np.testing.assert_array_equal(one, many)


@pytest.mark.parametrize("shift", [0.0, 0.25, 0.5])
def test_a_peak_between_the_nodes_is_found(shift):
    # A slit of 9.4 voxels whose mid-plane lies anywhere between two nodes: the largest sphere of
    # the mid-plane's boxes has radius 4.7; nodes alone would give up to half a voxel less.
    z = np.arange(24.0)
    f = np.clip(abs(z - 11 - shift) - 4.7 + 0.5, 0, 1).astype(np.float32)
    f = np.ascontiguousarray(np.broadcast_to(f[:, None, None], (24, 8, 8)))
    surface = surface_discs(f, level=0.5, spacing_um=(1, 1, 1))
    dist, ids = distance_to_surface(f, surface, level=0.5)
    radius, offsets = peak_spheres(
        dist,
        ids,
        surface.centres_um,
        surface.normals,
        spacing_um=(1, 1, 1),
        disc_radius_um=surface.disc_radius_um,
    )
    # The faces themselves lie within 0.09 voxel (linear crossing in an unblurred map), and the
    # climb ends within 0.02 of the peak (last step 1/48 voxel).
    assert radius.max() == pytest.approx(4.7, abs=0.11)
    top = np.unravel_index(radius.argmax(), radius.shape)
    assert top[0] + offsets[top][0] / 254 == pytest.approx(11 + shift, abs=0.11)


def test_planes_count_as_solid():
    dist = np.full((10, 4, 4), 50.0, np.float32)
    ids = np.zeros((10, 4, 4), np.int32)
    far = np.array([[60.0, 2.0, 2.0]], np.float32)
    radius, _ = peak_spheres(
        dist,
        ids,
        far,
        np.array([[-1.0, 0, 0]], np.float32),
        spacing_um=(1, 1, 1),
        disc_radius_um=0.5,
        planes_um=(-0.5, 9.5),
    )
    # Half the gap between the planes, whose middle lies between two nodes.
    assert radius.max() == pytest.approx(5.0, abs=0.03)
    assert radius[0].max() <= 1.0


@pytest.mark.parametrize("factor", [2, 3])
def test_thinning_keeps_the_largest_sphere_of_each_cube_in_its_place(factor):
    radius, offsets, _ = _random(7, (7, 8, 10), 5.0, 0.7)
    thin, places = thinned_spheres(radius, offsets, factor=factor)
    for at in np.ndindex(thin.shape):
        cube = tuple(slice(k * factor, (k + 1) * factor) for k in at)
        assert thin[at] == radius[cube].max()
        if thin[at] == 0:
            continue
        best = np.unravel_index(radius[cube].argmax(), radius[cube].shape)
        fine = np.array(at) * factor + np.array(best)
        before = fine + offsets[tuple(fine)] / 254
        middle = np.array(at) * factor + (factor - 1) / 2
        after = middle + places[at] / 254 * factor
        # Half a step of the coarser offsets.
        np.testing.assert_allclose(after, before, atol=0.51 * factor / 254)
