"""Values that are no scan, and what is said of those that are odd."""

import numpy as np
import pytest

from volscan.errors import InputError
from volscan.readers import checked_samples
from volscan.readers.greys import _SLAB_VOXELS, grey_statistics
from volscan.volume import Volume

from .contract import one_line

RNG = np.random.default_rng(20)
NOISE = RNG.normal(1000, 50, (8, 40, 40))


def volume(samples):
    return Volume(samples, (1, 1, 1), "given by the user")


def codes(samples):
    return [n.code for n in checked_samples(volume(samples)).notices]


def scan(high=4000.0, solid=0.12):
    """Air at 1000 and a block at `high`, with noise: about the share of solid in a scaffold."""
    samples = NOISE.copy()
    samples[:, : round(40 * solid)] += high - 1000
    return samples


@pytest.mark.parametrize(
    "dtype", ["uint8", "int8", "uint16", "int16", "int32", "uint32", "int64", "float32", "float64"]
)
def test_counts_agree_with_plain_numpy(dtype):
    low = 0 if dtype.startswith("u") else -100
    samples = RNG.integers(low, 120, (9, 20, 30)).astype(dtype)
    grey = grey_statistics(samples)
    assert (grey.low, grey.high) == (samples.min(), samples.max())
    assert grey.at_low == np.count_nonzero(samples == samples.min())
    assert grey.at_high == np.count_nonzero(samples == samples.max())
    middle = (float(samples.min()) + float(samples.max())) / 2
    assert grey.bright == np.count_nonzero(samples > middle)
    assert grey.counts.sum() == samples.size
    # 8- and 16-bit integers have a bin for each value, others 65536 bins over the range.
    bin_width = grey.edges[1] - grey.edges[0]
    for percent in (1, 50, 99):
        expected = np.percentile(samples, percent, method="inverted_cdf")
        assert grey.percentile(percent) == pytest.approx(expected, abs=bin_width)


def test_slabs_add_up(monkeypatch):
    samples = RNG.normal(size=(30, 20, 20)).astype(np.float32)
    whole = grey_statistics(samples)
    monkeypatch.setattr("volscan.readers.greys._SLAB_VOXELS", 900)
    assert _SLAB_VOXELS != 900
    parts = grey_statistics(samples)
    np.testing.assert_array_equal(whole.counts, parts.counts)
    assert (whole.low, whole.high, whole.bright) == (parts.low, parts.high, parts.bright)


def test_a_good_scan_passes_without_a_word():
    for dtype in (np.uint16, np.float32, np.int32):
        assert codes(scan().astype(dtype)) == []


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ({(1, 2, 3): np.nan, (4, 5, 6): np.nan}, "2 samples are not a number and 0 are infinite"),
        ({(1, 2, 3): np.inf, (4, 5, 6): -np.inf}, "0 samples are not a number and 2 are infinite"),
    ],
)
def test_nan_and_infinity_are_counted(place, words):
    samples = scan().astype(np.float32)
    for index, value in place.items():
        samples[index] = value
    with pytest.raises(InputError, match=words) as error:
        checked_samples(volume(samples))
    one_line(error)


def test_an_all_nan_volume():
    with pytest.raises(InputError, match="none of its 64 samples"):
        checked_samples(volume(np.full((4, 4, 4), np.nan)))


@pytest.mark.parametrize("samples", [np.zeros((4, 4, 4), np.uint8), np.full((4, 4, 4), 2.5)])
def test_a_constant_image(samples):
    with pytest.raises(InputError, match="constant image"):
        checked_samples(volume(samples))


@pytest.mark.parametrize(
    ("low", "high", "dtype"),
    [(0, 1, "uint8"), (0, 127, "int8"), (0, 255, "uint8"), (0, 1, "float32"), (5, 9, "int32")],
)
def test_masks_are_accepted_and_told(low, high, dtype):
    mask = np.where(scan() > 2000, high, low).astype(dtype)
    assert codes(mask) == ["already_segmented"]
    assert codes(scan() > 2000) == ["already_segmented"]


def test_a_mask_with_soft_edges_is_told():
    soft = np.where(scan() > 2000, 255, 0).astype(np.uint8)
    soft[0, 0, :20] = 100
    assert codes(soft) == ["nearly_two_valued"]


@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
def test_saturated_polymer_is_refused(dtype):
    clipped = np.minimum(scan(), 3000).astype(dtype)
    with pytest.raises(InputError, match="saturated: 100% of") as error:
        checked_samples(volume(clipped))
    assert "wider grey-value window" in one_line(error)


def test_touched_saturation_is_told():
    # The largest tenth of the polymer is clipped: mean + 1.28 standard deviations.
    clipped = np.minimum(scan(), 4000 + 1.28 * 50).astype(np.uint16)
    assert codes(clipped) == ["saturated"]


def test_contrast_stretched_in_a_viewer_passes():
    # 0.35 % of all voxels clipped at the top, a common default: 3 % of those above mid-range.
    samples = scan()
    assert codes(np.minimum(samples, np.quantile(samples, 0.9965)).astype(np.uint16)) == []


def test_air_that_was_cut_off_is_told():
    assert codes(np.maximum(scan(), 1000).astype(np.uint16)) == ["air_cut_off"]


def test_samples_are_not_changed():
    samples = scan().astype(np.uint16)
    before = samples.copy()
    checked_samples(volume(samples))
    np.testing.assert_array_equal(samples, before)
