"""Image formation held against what was asked for, measured with numpy and scipy alone."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage, optimize

from volscan.phantom import solids
from volscan.phantom.pointspread import blur
from volscan.phantom.scaffold import build_scaffold
from volscan.phantom.scanner import ScannerSpec, correlated_noise, grey_volume, mount, polymer_share
from volscan.phantom.spec import scaffold_spec

LONE = {
    "directions_deg": [0], "spacing_um": 200, "diameter_um": 20, "layers": 1,
    "layer_height_um": 16, "walls": 1,
}  # fmt: skip


@pytest.mark.parametrize("voxel", [(4.0, 4.0, 4.0), (8.0, 4.0, 4.0)])
@pytest.mark.parametrize("tilt", [0.0, 7.0])
def test_voxels_add_up_to_the_volume_of_the_fibre(voxel, tilt):
    scaffold = build_scaffold(scaffold_spec(**LONE, overhang_um=100))
    scanner = ScannerSpec(voxel, mount_tilt_deg=tilt, mount_azimuth_deg=20, in_plane_deg=31)
    mounting, shape = mount(scaffold, scanner)
    share = polymer_share(scaffold, mounting, shape=shape, voxel_um=voxel)
    assert share.min() >= 0
    assert share.max() <= 1
    # A capsule: cylinder and two half spheres.
    length = float(np.ptp(scaffold.strands[0].points_um[:, 0]))
    volume = math.pi * 10**2 * length + 4 / 3 * math.pi * 10**3
    # Ramps as wide as a sub-box take a disc of five voxels' area within 0.1 % (see the raster);
    # 0.2 % with the round ends, and twice the coarse edge.
    assert share.sum(dtype=np.float64) * math.prod(voxel) == pytest.approx(volume, rel=2e-3)
    # Its middle is where the mounting puts it.
    centre = np.array(ndimage.center_of_mass(share)) * voxel
    middle = mounting.to_scan_xyz(scaffold.strands[0].points_um.mean(axis=0))[::-1]
    assert centre == pytest.approx(middle, abs=0.02 * min(voxel))


def test_finer_samples_come_closer_to_a_disc():
    errors = []
    for samples in (1, 4):
        made = solids.cylinder(
            diameter_um=5.0, direction_zyx=(0.0, 0.3, 1.0), shape=(9, 15, 15), samples=samples
        )
        # Across x the oblique cylinder's section is the area over the cosine.
        wanted = made.truth["area_um2"] * math.hypot(1.0, 0.3)
        middle = made.share[:, :, 5:10].sum(axis=(0, 1), dtype=np.float64)
        errors.append(float(np.abs(middle / wanted - 1).max()))
    assert errors[1] < 1e-3
    assert errors[1] < errors[0]


@pytest.mark.parametrize("shape", ["gaussian", "two_gaussians", "long_tail"])
def test_line_spread_is_as_wide_as_asked(shape):
    fwhm = 6.0
    # A plane one voxel thick shows the line spread along its normal; voxels of 0.5 so that the
    # voxel box, which adds in quadrature, widens it by (0.5/6)²/2 ≈ 0.3 % at most.
    image = np.zeros((121, 1, 1), dtype=np.float32)
    image[60] = 1.0
    spread = blur(image, (fwhm, 0.0, 0.0), spacing_um=(0.5, 0.5, 0.5), shape=shape)[:, 0, 0]
    # Kernels are cut at 4.5 standard deviations and keep unit sum: 1e-5 of rounding.
    assert spread.sum() == pytest.approx(1.0, abs=1e-4)
    x = (np.arange(121) - 60) * 0.5
    rising = np.interp(spread[60] / 2, spread[:61], x[:61])
    assert -2 * rising == pytest.approx(fwhm, rel=0.01)


def test_contrast_to_noise_is_as_asked():
    share = np.zeros((40, 60, 60), dtype=np.float32)
    share[:, :30] = 1.0
    scanner = ScannerSpec((2.0,) * 3, contrast_to_noise=4.0, dtype="float32", seed=9)
    samples = grey_volume(share, scanner).samples.astype(np.float64)
    polymer, air = samples[:, :30], samples[:, 30:]
    # 72 000 samples: the standard deviation is known to 1/sqrt(2n) = 0.26 %; 4 of them.
    cnr = (polymer.mean() - air.mean()) / air.std()
    assert cnr == pytest.approx(4.0, rel=0.011)
    assert polymer.std() == pytest.approx(air.std(), rel=0.015)


@pytest.mark.parametrize("distance", [0.0, 2.0, 3.0])
def test_noise_is_correlated_over_the_distance_asked(distance):
    noise = correlated_noise((64, 64, 64), distance, np.random.default_rng(4)).astype(np.float64)
    lags = np.arange(0, 7)
    found = np.array(
        [np.mean([np.mean(noise * np.roll(noise, k, axis=a)) for a in range(3)]) for k in lags]
    )
    # Of 262 144 samples some n / (2 sqrt(pi) s)³ are independent, s half the distance: down to
    # 1 700 at distance 3. Variance then has a relative error of sqrt(2/1700) = 3.4 %, at 3 of them.
    assert found[0] == pytest.approx(1.0, abs=0.1)
    if distance == 0:
        # White: correlations of neighbours are 0 with a standard error of 1/sqrt(n) = 0.002.
        assert np.abs(found[1:]).max() < 0.008
        return
    fit = optimize.curve_fit(lambda x, w: np.exp(-((x / w) ** 2)), lags, found / found[0], p0=2.0)
    # Lags 0 to 6 are each known to 0.04 or better (3 axes).
    assert fit[0][0] == pytest.approx(distance, rel=0.06)


def test_cupping_drift_and_rings_are_as_deep_as_asked():
    share = np.zeros((20, 81, 81), dtype=np.float32)
    plain = {"dtype": "float32", "air": 0.0, "polymer": 1.0}
    cupped = grey_volume(share, ScannerSpec((2.0,) * 3, cupping=0.2, **plain)).samples
    assert cupped[0, 40, 40] == pytest.approx(-0.2)
    assert cupped[0, 0, 0] == pytest.approx(0.0, abs=1e-6)
    drifting = grey_volume(share, ScannerSpec((2.0,) * 3, drift=0.1, **plain)).samples
    assert drifting[-1, 5, 5] - drifting[0, 5, 5] == pytest.approx(0.1)
    ringed = grey_volume(share, ScannerSpec((2.0,) * 3, rings=0.05, seed=3, **plain)).samples
    # The same in every slice and under a quarter turn about the middle.
    assert np.array_equal(ringed[0], ringed[-1])
    assert ringed[0] == pytest.approx(np.rot90(ringed[0]), abs=1e-6)
    # 41 rings of unit noise along a radius: standard deviation within 4 / sqrt(82) of it.
    assert ringed[0, 40, 40:].std() == pytest.approx(0.05, rel=0.44)


def test_a_periodic_pile_of_voxels_has_the_worked_porosity():
    # 1 - π d²/(4 s h) + V_ov/(h s²) with V_ov/d³ = 0.0564613 at h = 0.8 d (integral of two crossing
    # strips): (d, s, h) = (1, 5, 0.8) gives 0.806474.
    made = solids.log_pile(diameter_um=20, spacing_um=100, layer_height_um=16)
    assert made.truth["porosity"] == pytest.approx(0.806474, abs=1e-6)
    # Fibres of 20 voxels: partial volumes are exact to 1e-4.
    assert 1 - made.share.mean(dtype=np.float64) == pytest.approx(0.806474, abs=1e-4)


@pytest.mark.parametrize(
    ("kind", "porosity"),
    # Kepler: π/6, π sqrt3/8, π sqrt2/6 solid (Conway & Sloane).
    [
        ("sc", 1 - math.pi / 6),
        ("bcc", 1 - math.pi * math.sqrt(3) / 8),
        ("fcc", 1 - math.pi * math.sqrt(2) / 6),
    ],
)
def test_packings_fill_what_they_must(kind, porosity):
    made = solids.sphere_packing(kind, cell_voxels=32)
    assert made.truth["porosity"] == pytest.approx(porosity, abs=1e-12)
    # Partial volumes of spheres of 11 to 16 voxels' radius are exact to a few 1e-4.
    assert 1 - made.share.mean(dtype=np.float64) == pytest.approx(porosity, abs=1e-3)
