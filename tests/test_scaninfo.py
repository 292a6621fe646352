"""What is said of a scan before it is measured."""

import numpy as np
import pytest
from scipy import ndimage, stats

from volscan.errors import InputError
from volscan.readers import open_scan
from volscan.scaninfo import estimated_noise, scan_info
from volscan.volume import Volume

RNG = np.random.default_rng(7)
# One sample in four by four, centred in three of them: steps of four voxels.
_ONE_OF_FOUR = np.zeros((4, 4))
_ONE_OF_FOUR[2, 2] = 1


def test_the_facts_of_a_known_scan(tmp_path):
    samples = RNG.normal(1000, 20, (12, 64, 48)).astype(np.uint16)
    samples[:, 20:24] += 3000
    np.save(tmp_path / "scan.npy", samples)
    info = scan_info(open_scan(tmp_path / "scan.npy", voxel_um=(4, 2, 2)))
    assert info.shape == (12, 64, 48)
    assert info.size_um == (48, 128, 96)
    assert info.spacing_from == "given by the user"
    assert (info.grey_min, info.grey_max) == (samples.min(), samples.max())
    assert dict(info.grey_percentiles)[50.0] == np.median(samples)
    assert info.saturated_share == np.mean(samples == samples.max())
    assert info.memory_bytes == samples.nbytes
    assert info.mapped
    text = str(info)
    for part in ("scan.npy", "12 × 64 × 48", "uint16", "4 × 2 × 2 µm", "mapped from disk"):
        assert part in text


def test_values_that_are_no_scan_are_refused():
    with pytest.raises(InputError, match="constant image"):
        scan_info(Volume(np.zeros((4, 20, 20)), (1, 1, 1), "given by the user"))


@pytest.mark.parametrize("sigma", [3.0, 40.0])
def test_white_noise(sigma):
    samples = RNG.normal(0, sigma, (20, 120, 120))
    # Sampling: the median of 16 slices of 12 544 responses, most of them dependent (36 times the
    # same voxels): about 0.5 %; 2 % leaves four standard errors.
    assert estimated_noise(samples) == pytest.approx(sigma, rel=0.02)


def test_noise_that_is_correlated_over_two_voxels():
    samples = ndimage.gaussian_filter(RNG.normal(0, 40, (24, 120, 120)), 2 / 2.355)
    # At a distance of four voxels the correlation is exp(-16 / (4 × 0.85²)) = 0.004, negligible;
    # fewer independent samples than white noise has.
    assert estimated_noise(samples) == pytest.approx(samples.std(), rel=0.04)


def test_slopes_and_structure_hardly_count():
    y, x = np.mgrid[:160, :160]
    samples = RNG.normal(1000, 40, (16, 160, 160))
    samples += 3 * x - 2 * y
    straight = samples.copy()
    straight[:, :, 80:90] += 3000
    # An edge along an image axis cancels as a slope does; sampling as in white noise.
    assert estimated_noise(straight) == pytest.approx(40, rel=0.02)
    solid = np.hypot(x % 40 - 20, y % 40 - 20) < 5
    # Round sections answer wherever one of the kernel's nine samples meets them. If that share of
    # the responses exceeds all noise, the median of the rest stands at a higher rank: the most
    # that structure can do. 2 % for sampling, as above.
    share = np.mean(ndimage.binary_dilation(solid, np.kron(np.ones((3, 3)), _ONE_OF_FOUR)))
    most = 40 * stats.norm.ppf(0.5 + 0.25 / (1 - share)) / stats.norm.ppf(0.75)
    assert 40 * 0.98 < estimated_noise(samples + 3000 * solid) < most * 1.02
    assert most < 1.4 * 40


def test_noise_that_cannot_be_told():
    mask = np.zeros((4, 50, 50), np.uint8)
    mask[:, 20:24] = 255
    assert estimated_noise(mask) is None
    assert estimated_noise(np.zeros((4, 8, 50))) is None
    text = str(scan_info(Volume(mask, (1, 1, 1), "given by the user")))
    assert "cannot be told" in text
    assert "already segmented" in text
