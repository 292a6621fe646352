"""Euler number, surface and separate pores, held by closed forms.

Euler numbers of worked solids are elementary topology (parts - tunnels + cavities; counted for the
Menger sponge from its closed cubical complex); areas are closed forms.
"""

import math

import numpy as np
import pytest
from pore_solids import block, level_frame, material, prism, sampled
from skimage.measure import euler_number as reference_euler

from volscan.kernels.topology import euler_number
from volscan.pores import measure_pores


def menger(level):
    seed = np.ones((3, 3, 3), bool)
    for axes in ((0, 1), (0, 2), (1, 2)):
        cut = [slice(None)] * 3
        for a in axes:
            cut[a] = slice(1, 2)
        seed[tuple(cut)] = False
    out = np.ones((1, 1, 1), bool)
    for _ in range(level):
        out = np.kron(out, seed)
    return out


def log_pile(n, layers):
    """n rods in each of so many layers, touching at every crossing."""
    size = 2 * n + 1
    out = np.zeros((layers, size, size), bool)
    for k in range(layers):
        if k % 2:
            out[k, :, 1::2] = True
        else:
            out[k, 1::2] = True
    return out


def struts(n):
    size = 2 * n - 1
    z, y, x = np.indices((size,) * 3) % 2
    return (z + y + x) <= 1


def ring():
    out = np.ones((1, 3, 3), bool)
    out[0, 1, 1] = False
    return out


def hollow():
    out = np.ones((3, 3, 3), bool)
    out[1, 1, 1] = False
    return out


def corner_touch():
    out = np.zeros((2, 2, 2), bool)
    out[0, 0, 0] = out[1, 1, 1] = True
    return out


def two_rings():
    out = np.ones((1, 3, 5), bool)
    out[0, 1, 1] = out[0, 1, 3] = False
    return out


def walls(n):
    out = np.zeros((1, 2 * n - 1, 2 * n - 1), bool)
    out[:, ::2] = out[:, :, ::2] = True
    return out


@pytest.mark.parametrize(
    ("body", "chi"),
    [
        (np.ones((1, 1, 1), bool), 1), (np.ones((4, 3, 2), bool), 1), (corner_touch(), 1),
        (ring(), 0), (hollow(), 2), (two_rings(), -1), (walls(4), -8),
        (menger(1), -4), (menger(2), -80), (menger(3), -1408),
        (log_pile(3, 2), -3), (log_pile(5, 4), -55), (log_pile(4, 6), -56),
        (struts(2), -4), (struts(3), -27), (struts(4), -80),
        (np.zeros((2, 2, 2), bool), 0),
    ],
)  # fmt: skip
def test_euler_number_of_worked_solids_is_exact(body, chi):
    assert euler_number(body) == chi


def test_euler_number_agrees_with_a_general_library():
    rng = np.random.default_rng(5)
    for share in (0.1, 0.4, 0.7):
        body = rng.random((12, 9, 10)) < share
        assert euler_number(body) == reference_euler(body, connectivity=3)


def _structure(f, envelope=None, **changes):
    pores = measure_pores(
        material(f, **changes), level_frame(), block(f.shape) if envelope is None else envelope
    )
    return pores.structure


@pytest.mark.parametrize("radius", [4.0, 12.0])
def test_surface_of_a_ball_and_a_rod_has_no_staircase(radius):
    n = round(2 * radius + 9)
    c = n / 2 - 0.3
    ball = sampled(
        lambda z, y, x: (z - c) ** 2 + (y - c) ** 2 + (x - c) ** 2 <= radius**2, (n,) * 3
    )
    found = _structure(ball).specific_surface_per_um
    # Counting voxel faces reads 1.5 times the area; a plane patch a cell reads it within the
    # 1 %, and the level's place in a map of shares, 0.05 voxel of the radius, twice for an area.
    share = 0.01 + 2 * 0.05 / radius
    assert found.value * n**3 == pytest.approx(4 * math.pi * radius**2, rel=share)
    assert abs(found.value * n**3 - 4 * math.pi * radius**2) < 2 * found.u * n**3
    # A slanting rod through the whole block: its surface to volume is 2 / R.
    t = math.radians(8)
    rod = sampled(
        lambda z, y, x: (
            ((y - c) * math.cos(t) - (x - c) * math.sin(t)) ** 2 + (z - c) ** 2 <= radius**2
        ),
        (n,) * 3,
    )
    found = _structure(rod).specific_surface_per_um
    assert found.value / rod.mean() == pytest.approx(2 / radius, rel=share)


def test_surface_by_height_and_inside_a_prism():
    f = np.zeros((24, 20, 20), np.float32)
    f[8:12] = 1
    whole = _structure(f)
    assert whole.specific_surface_per_um.value == pytest.approx(2 / 24, rel=0.01)
    heights = np.array(whole.surface_by_height)
    assert heights[:, 1].mean() == pytest.approx(2 / 24, rel=0.01)
    low = heights[np.argmax(heights[:16, 1]), 0]
    assert low == pytest.approx(7.5, abs=0.7)
    part = _structure(f, prism([[2, 2], [15, 2], [15, 17], [2, 17]], 3.5, 9.5))
    # One face of two lies inside.
    assert part.specific_surface_per_um.value == pytest.approx(1 / 6, rel=0.01)


def test_sealed_pores_are_listed_and_their_walls_are_out_of_reach():
    f = np.zeros((30, 24, 24), np.float32)
    f[4:26, 4:20, 4:20] = 1
    f[8:14, 8:14, 8:14] = 0
    f[18:21, 9:12, 9:12] = 0
    found = _structure(f)
    assert [round(p.volume_um3) for p in found.sealed] == [216, 27]
    assert found.sealed[0].centre_um == pytest.approx((10.5, 10.5, 10.5), abs=1e-6)
    assert found.sealed[0].equivalent_diameter_um == pytest.approx((6 * 216 / math.pi) ** (1 / 3))
    assert found.euler_number == 3  # one body and two cavities
    areas = np.array(found.surface_by_height)
    assert areas[:, 2].sum() < areas[:, 1].sum()
    outer = 2 * 16 * 16 + 4 * 22 * 16
    # Edges of a box are cut off by half a cell.
    assert areas[:, 2].mean() * f.size == pytest.approx(outer, rel=0.05)
    pore = f.size - 22 * 16 * 16 + 216 + 27
    assert found.largest_share == pytest.approx((pore - 243) / pore, rel=1e-6)
