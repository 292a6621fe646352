import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pore_solids import block, level_frame, material, sampled
from scipy import ndimage

from volscan.pores import measure_pores


def _bottle(neck, counts=(50, 40, 40)):
    """A ball-shaped pore of 24 reached from the top of a solid block by a straight neck."""

    def solid(z, y, x):
        z, y, x = np.broadcast_arrays(z, y, x)
        away2 = (y - 19.6) ** 2 + (x - 19.4) ** 2
        ball = (z - 18.0) ** 2 + away2 < 12.0**2
        return ~(ball | ((away2 < neck**2 / 4) & (z > 18)))

    return sampled(solid, counts, parts=3)


def test_a_probe_wider_than_the_neck_stays_out():
    neck = 10.0
    pores = measure_pores(material(_bottle(neck)), level_frame(), block((50, 40, 40)))
    curve = np.array(pores.accessible_by_probe)
    ball_share = 4 / 3 * np.pi * 12**3
    total = ball_share + np.pi * 25 * 20  # the neck's own part, roughly 20 long
    below = curve[curve[:, 0] < neck - 0.5]
    above = curve[curve[:, 0] > neck + 0.5]
    # Just below the neck's width all but the neck's rounded end is covered; above, only what a
    # sphere sitting on the open top face covers of the neck: none, the neck being narrower.
    assert below[-1, 1] > 0.95
    assert above[:, 1].max() == 0.0
    assert ball_share / total > 0.8
    assert pores.accessible_share == pytest.approx(1.0)


def test_a_sealed_pore_is_not_reached():
    def solid(z, y, x):
        z, y, x = np.broadcast_arrays(z, y, x)
        sealed = (z - 12) ** 2 + (y - 12) ** 2 + (x - 12) ** 2 < 64
        tube = (z - 30) ** 2 + (y - 12) ** 2 < 36
        return ~(sealed | tube)

    f = sampled(solid, (42, 25, 25))
    pores = measure_pores(material(f), level_frame(), block(f.shape))
    ball, tube = 4 / 3 * np.pi * 8**3, np.pi * 36 * 25
    # Voxel counts of a ball and a tube this size are good to about half a percent.
    assert pores.accessible_share == pytest.approx(tube / (ball + tube), abs=0.01)
    assert pores.accessible_by_probe[0] == (0.0, pores.accessible_share)
    # The sealed ball is the largest pore, and no probe of that size gets in.
    assert pores.size_histogram[-1, 0] == pytest.approx(16.0, abs=0.5)
    assert pores.accessible_by_probe[-1][1] == 0.0


def test_open_void_is_reached_by_every_probe():
    # One bead in the air: every probe up to the largest comes everywhere, but for the wedge
    # between the probe and the bead, which small spheres reach and large ones do not.
    f = sampled(lambda z, y, x: (z - 15) ** 2 + (y - 15) ** 2 + (x - 15) ** 2 <= 16, (31, 31, 31))
    pores = measure_pores(material(f), level_frame(), block(f.shape))
    shares = [share for _, share in pores.accessible_by_probe]
    assert shares[0] == 1.0
    assert min(shares[:12]) > 0.99


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 1000), st.floats(0.47, 0.53), st.tuples(*[st.integers(6, 16)] * 3))
def test_the_curve_only_falls_and_starts_at_the_open_share(seed, share, counts):
    rng = np.random.default_rng(seed)
    f = ndimage.gaussian_filter(rng.random(counts), 1.2) > share
    pores = measure_pores(material(f.astype(np.float32)), level_frame(), block(counts))
    if not pores.accessible_by_probe:
        assert f.all() or not f.any()
        return
    curve = np.array(pores.accessible_by_probe)
    assert (np.diff(curve[:, 0]) > 0).all()
    assert (np.diff(curve[:, 1]) <= 1e-12).all()
    # Independent: 6-connected void that touches a face (scipy labels).
    labels, _ = ndimage.label(~f)
    rim = np.ones(counts, bool)
    rim[1:-1, 1:-1, 1:-1] = False
    reached = np.isin(labels, np.setdiff1d(labels[rim], [0])).sum() / (~f).sum()
    assert curve[0, 1] == pytest.approx(reached, abs=1e-12)
    assert pores.accessible_share == curve[0, 1]
