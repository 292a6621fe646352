"""Ring kernels against plain loops in numpy."""

from __future__ import annotations

import numpy as np

from volscan.kernels.rings import ring_sums, subtract_rings


def test_sums_are_those_of_a_plain_count():
    rng = np.random.default_rng(3)
    values = rng.normal(size=(4, 9, 11)).astype(np.float32)
    counted = rng.random(values.shape) < 0.6
    bins = rng.integers(0, 5, (9, 11)).astype(np.int32)
    sectors = rng.integers(0, 3, (9, 11)).astype(np.uint8)
    sums, counts = ring_sums(values, counted, bins=bins, sectors=sectors, n_bins=5, n_sectors=3)
    for z in range(4):
        for h in range(3):
            for b in range(5):
                here = counted[z] & (bins == b) & (sectors == h)
                assert counts[z, h, b] == here.sum()
                # The same float64 additions in another order.
                assert abs(sums[z, h, b] - values[z][here].sum(dtype=np.float64)) < 1e-12


def test_profiles_are_subtracted_by_linear_interpolation():
    rng = np.random.default_rng(4)
    values = rng.normal(size=(3, 8, 7)).astype(np.float32)
    profile = rng.normal(size=(3, 6)).astype(np.float32)
    place = rng.uniform(-1, 7, (8, 7)).astype(np.float32)
    expected = values - np.stack([np.interp(place, np.arange(6), p) for p in profile])
    subtract_rings(values, profile, place)
    # float32 rounding of numbers near one.
    assert np.abs(values - expected).max() < 2e-6
