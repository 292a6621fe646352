import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from volscan.kernels.throat import widest_crossing, widest_from_faces


def _random(seed, shape, top):
    rng = np.random.default_rng(seed)
    level = rng.integers(0, top + 1, shape)
    return (
        ndimage.uniform_filter(level, 2).astype(np.uint16) if seed % 2 else level.astype(np.uint16)
    )


def plain_crossing(level, axis):
    """Largest w whose voxels connect the faces, by trying every w (scipy labels, 6 neighbours)."""
    first, last = np.take(level, 0, axis), np.take(level, -1, axis)
    best = 0
    for w in np.unique(level[level > 0]):
        labels, _ = ndimage.label(level >= w)
        a, b = np.take(labels, 0, axis)[first >= w], np.take(labels, -1, axis)[last >= w]
        if np.intersect1d(a, b).size:
            best = int(w)
    return best


def plain_reach(level):
    width = np.zeros_like(level)
    for w in np.unique(level[level > 0]):
        labels, _ = ndimage.label(level >= w)
        rim = np.ones(level.shape, bool)
        rim[1:-1, 1:-1, 1:-1] = False
        reached = np.setdiff1d(labels[rim], [0])
        width[np.isin(labels, reached)] = w
    return width


shapes = st.tuples(st.integers(1, 9), st.integers(1, 9), st.integers(1, 9))


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), shapes, st.integers(1, 12), st.integers(0, 2))
def test_crossing_equals_trying_every_width(seed, shape, top, axis):
    level = _random(seed, shape, top)
    assert widest_crossing(level, axis=axis) == plain_crossing(level, axis)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), shapes, st.integers(1, 12))
def test_reach_equals_trying_every_width(seed, shape, top):
    level = _random(seed, shape, top)
    np.testing.assert_array_equal(widest_from_faces(level), plain_reach(level))


def test_blocked_and_empty():
    wall = np.ones((3, 3, 5), np.uint16)
    wall[:, :, 2] = 0
    assert widest_crossing(wall, axis=2) == 0
    assert widest_crossing(wall, axis=0) == 1
    assert widest_crossing(np.zeros((2, 2, 2), np.uint16), axis=0) == 0
    assert widest_crossing(np.zeros((0, 2, 2), np.uint16), axis=0) == 0
