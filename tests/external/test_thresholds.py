"""Published behaviour of thresholds: Otsu's collapse and the half-maximum rule's thinning.

Sources: Otsu 1979, IEEE Trans. SMC 9(1), 62-66, with two Gaussian classes (values computed by
numerical integration of the criterion); the half-maximum rule of dimensional CT (VDI/VDE 2630
Part 1.3 names the rule) on a round fibre blurred by a Gaussian, whose diameters at half the
plateau follow from convolving a disc: large diameters lose 0.3607 (FWHM / d)² of themselves.
"""

from __future__ import annotations

import numpy as np
import pytest

from volscan.kernels.discs import column_values
from volscan.prepare.otsu import otsu_threshold

FWHM = 2.0 * np.sqrt(2.0 * np.log(2.0))


@pytest.mark.parametrize(
    ("share", "sigma", "threshold"),
    [
        (0.50, 0.10, 0.5000),
        (0.10, 0.15, 0.4991),
        (0.05, 0.20, 0.4553),
        (0.02, 0.15, 0.4945),
        (0.02, 0.20, 0.0545),
        (0.01, 0.15, 0.0273),
    ],
)
def test_otsu_on_two_gaussian_classes(share, sigma, threshold):
    rng = np.random.default_rng(8)
    count = 1_000_000
    bright = rng.random(count) < share
    values = bright + sigma * rng.standard_normal(count)
    got = otsu_threshold(values.reshape(100, 100, 100))
    # A histogram of 256 bins is 0.01 wide, and between well-parted classes (σ = 0.1) hardly a
    # voxel lies from 0.45 to 0.55: the criterion is flat there and the library takes its first
    # maximum. A collapse to 0.02-0.06 is ten times farther away.
    assert got == pytest.approx(threshold, abs=0.04)


@pytest.mark.parametrize(
    ("ratio", "kept"),
    [(1.25, 0.675), (1.5, 0.806), (2.0, 0.9015), (2.5, 0.939), (3.0, 0.9585), (4.0, 0.9770)],
)
def test_half_maximum_diameter_of_a_blurred_round_fibre(ratio, kept):
    """The disc model reproduces the published thinning, which the fits therefore undo."""
    d = 10.0
    sigma = d / ratio / FWHM
    n = np.linspace(0.0, d, 4001)
    profile = column_values(
        n, np.zeros_like(n), np.zeros(1), np.zeros(1), np.full(1, d / 2), np.full(1, d / 2),
        sigma_n=sigma, sigma_h=sigma, share=0.0, widening=2.0, row_step=0.02,
    )  # fmt: skip
    half = np.interp(-0.5, -profile, n)
    # The table gives three to four digits.
    assert 2.0 * half / d == pytest.approx(kept, abs=1.5e-3)
