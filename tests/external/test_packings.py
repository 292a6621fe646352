"""Throats and cavities of packings whose closed forms are textbook geometry.

Touching spheres of radius R (Graton and Fraser 1935, J. Geol. 43, 785; derived by elementary
geometry from the windows between 3 or 4 spheres):

    packing  throat / R         largest cavity / R
    SC       sqrt(2) - 1        sqrt(3) - 1
    BCC      sqrt(3/2) - 1      sqrt(5/3) - 1
    FCC      2/sqrt(3) - 1      sqrt(2) - 1

Log pile of fibre diameter d, spacing s and layer step h (elementary geometry): vertical throat
s - d; lateral throat along the end layers min(s - d, max(2h - d, h)), base and top being solid;
largest inscribed sphere sqrt(s² + h²) - d in the inside of a tall pile with h <= s.

Inscribed spheres of simple channels: a slit or a round channel reads its width everywhere; a
channel of square section w reads 0.92847 w on average (computed to the digits shown from the
definition, largest disc in the section that contains the point).
"""

import math

import numpy as np
import pytest
from pore_solids import block, lattice, level_frame, material, pile, prism, sampled

from volscan.geometry import Envelope
from volscan.pores import measure_pores

PACKINGS = {
    "SC": ([(0, 0, 0)], 2.0, math.sqrt(2) - 1, math.sqrt(3) - 1),
    "BCC": (
        [(0, 0, 0), (0.5, 0.5, 0.5)],
        4 / math.sqrt(3),
        math.sqrt(1.5) - 1,
        math.sqrt(5 / 3) - 1,
    ),
    "FCC": (
        [(0, 0, 0), (0, 0.5, 0.5), (0.5, 0, 0.5), (0.5, 0.5, 0)],
        2 * math.sqrt(2),
        2 / math.sqrt(3) - 1,
        math.sqrt(2) - 1,
    ),
}


@pytest.mark.parametrize("name", PACKINGS)
def test_throat_and_cavity_of_sphere_packings(name):
    places, cell_over_r, throat, cavity = PACKINGS[name]
    n = 80  # voxels along two cells
    cell = n / 2
    radius = cell / cell_over_r
    f = sampled(lattice(places, cell=cell, radius=radius), (n,) * 3)
    pores = measure_pores(material(f), level_frame(), block(f.shape))
    for found in (pores.throat_x_um, pores.throat_y_um, pores.throat_h_um):
        assert found is not None
        # A quarter of a voxel of voxelisation (docs/theory/pores.md), twice: contacts of touching
        # spheres are narrower than a voxel and fill up, which closes the three-sphere windows.
        assert found.value == pytest.approx(2 * radius * throat, abs=0.5)
        assert found.u is not None
        assert 0.1 < found.u < 0.5
    largest = pores.size_histogram[-1, 0]
    assert largest == pytest.approx(2 * radius * cavity, abs=0.5)
    assert pores.accessible_share == pytest.approx(1.0, abs=0.01)


def test_throat_of_touching_spheres_of_radius_40():
    # Suggested check: 16.57 voxels within 1 for R = 20 voxels doubled, here one cell of R = 40
    # measured at half resolution, so that the merged path is held to a closed form too.
    n = 80
    f = sampled(lattice([(0, 0, 0)], cell=80.0, radius=40.0), (n,) * 3, parts=2)
    pores = measure_pores(material(f), level_frame(), block(f.shape), exact=False)
    assert pores.throat_h_um is not None
    # Half a merged voxel of voxelisation: 0.25 × 2, twice.
    assert pores.throat_h_um.value == pytest.approx(80 * (math.sqrt(2) - 1), abs=1.0)
    assert any(n.code == "pores_merged_voxels" for n in pores.notices)


@pytest.mark.parametrize(
    ("d", "s", "h"), [pytest.param(20.0, 60.0, 20.0, marks=pytest.mark.slow), (12.0, 48.0, 10.0)]
)
def test_log_pile_throats(d, s, h):
    pad, layers = 8, 4
    height = d + (layers - 1) * h
    counts = (round(height) + 2 * pad, round(2 * s), round(2 * s))
    f = sampled(pile(diameter=d, pitch=s, rise=h, layers=layers, base=pad - 0.5), counts)
    envelope = prism(
        [[0, 0], [2 * s - 1, 0], [2 * s - 1, 2 * s - 1], [0, 2 * s - 1]],
        pad - 0.5,
        pad - 0.5 + height,
    )
    pores = measure_pores(material(f), level_frame(), envelope)
    lateral = min(s - d, max(2 * h - d, h))
    assert pores.throat_x_um is not None
    assert pores.throat_y_um is not None
    # A quarter of a voxel of voxelisation.
    assert pores.throat_x_um.value == pytest.approx(lateral, abs=0.25)
    assert pores.throat_y_um.value == pytest.approx(lateral, abs=0.25)
    assert pores.throat_h_um is not None
    assert pores.throat_h_um.value == pytest.approx(s - d, abs=0.25)


def test_largest_sphere_inside_a_log_pile():
    # Two cells of a periodic pile, whole array: d = 16, s = 48, h = 16.
    d, s, h = 16.0, 48.0, 16.0
    counts = (96, 96, 96)
    f = sampled(pile(diameter=d, pitch=s, rise=h, layers=8, base=-d / 2 - 0.5 - h), counts)
    inside = np.zeros(counts, bool)
    inside[24:72, 12:84, 12:84] = True
    envelope = Envelope("mask", block(counts).outline_um, 23.5, 71.5, 0.0, inside=inside)
    pores = measure_pores(material(f), level_frame(), envelope)
    # A quarter of a voxel of voxelisation.
    assert pores.size_histogram[-1, 0] == pytest.approx(math.hypot(s, h) - d, abs=0.25)


def _channel(shape, counts=(40, 40, 24), spacing=(1.0, 1.0, 1.0), parts=4):
    f = sampled(shape, counts, spacing_um=spacing, parts=parts)
    return measure_pores(
        material(f, spacing_um=spacing), level_frame(), block(counts, spacing_um=spacing)
    )


@pytest.mark.parametrize("spacing", [(1.0, 1.0, 1.0), (2.0, 1.0, 1.0)])
@pytest.mark.parametrize("width", [7.3, 21.0])
def test_slit_and_round_channel_read_their_width(spacing, width):
    counts = (round(40 / spacing[0]), 40, 16)
    slit = _channel(lambda z, y, x: (abs(z - 19.2) > width / 2) | (y < -9), counts, spacing)
    tube = _channel(
        lambda z, y, x: (z - 19.2) ** 2 + (y - 19.7) ** 2 > width**2 / 4, counts, spacing
    )
    for pores in (slit, tube):
        for found in (pores.inscribed_mean_um, pores.inscribed_d50_um):
            assert found is not None
            # A quarter of the coarsest voxel of voxelisation, the stated u's main part;
            # the thin rim of small spheres beside a wall takes the mean down by a little more.
            assert found.value == pytest.approx(width, abs=0.3 * max(spacing))
            assert 0.25 * max(spacing) * (1 - 1e-9) <= found.u < 0.5 * max(spacing)


@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
def test_square_channel_reads_0_92847_of_its_width(turn_deg):
    w = 30.0
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))

    def shape(z, y, x):
        u, v = (z - 23.4) * c + (y - 23.6) * s, (y - 23.6) * c - (z - 23.4) * s
        return (abs(u) > w / 2) | (abs(v) > w / 2)

    pores = _channel(shape, (48, 48, 12))
    assert pores.inscribed_mean_um is not None
    # 1 %: a quarter of a voxel of 30, and what little the voxels in the corners lack.
    assert pores.inscribed_mean_um.value == pytest.approx(0.92847 * w, rel=0.01)


def test_error_falls_when_the_voxel_is_halved():
    # The same ball-shaped pore of 13 µm at voxels of 2, 1 and 0.5 µm.
    errors = []
    for spacing in (2.0, 1.0, 0.5):
        n = round(20 / spacing)
        f = sampled(
            lambda z, y, x: (z - 9.7) ** 2 + (y - 9.9) ** 2 + (x - 10.2) ** 2 > 6.5**2,
            (n,) * 3,
            spacing_um=(spacing,) * 3,
        )
        m = material(f, spacing_um=(spacing,) * 3)
        pores = measure_pores(m, level_frame(), block(f.shape, spacing_um=(spacing,) * 3))
        assert pores.inscribed_mean_um is not None
        assert pores.inscribed_mean_um.u is not None
        errors.append(abs(pores.inscribed_mean_um.value - 13.0))
        # Two standard uncertainties (JCGM 100).
        assert errors[-1] < 2 * pores.inscribed_mean_um.u
    assert errors[2] < errors[1] < errors[0]
