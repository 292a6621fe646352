"""Artefacts of image formation: each is in the image as asked, seen with numpy and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage

from volscan.errors import SettingsError
from volscan.phantom.artefacts import Artefacts, artefacts_from_dict, with_bodies
from volscan.phantom.make import phantom_from_dict
from volscan.phantom.scanner import ScannerSpec, grey_volume

CONTRAST = 16000.0


def image(share: np.ndarray, artefacts: dict, **rest) -> np.ndarray:
    """Return the image in shares of the contrast."""
    scanner = ScannerSpec(
        voxel_um=(2.0, 2.0, 2.0), artefacts=artefacts, **{"dtype": "float32", **rest}
    )
    air, polymer = scanner.levels
    return (grey_volume(share.astype(np.float32), scanner).samples - air) / (polymer - air)


def small() -> np.ndarray:
    share = np.zeros((40, 64, 64), dtype=np.float32)
    share[18:22, 24:40, 24:40] = 1.0
    return share


def test_cupping_drift_and_rings_add_to_air():
    empty = np.zeros((20, 61, 61), dtype=np.float32)
    bowl = image(empty, {"cupping": 0.1})
    assert bowl[5, 30, 30] == pytest.approx(-0.1, abs=1e-5)
    assert bowl[5, 0, 0] == pytest.approx(0.0, abs=1e-5)
    ramp = image(empty, {"drift": 0.2})
    assert ramp[-1].mean() - ramp[0].mean() == pytest.approx(0.2, abs=1e-5)
    ring = image(empty, {"rings": 0.05, "ring_centre_voxels": [3, -4]})
    assert np.ptp(ring, axis=0).max() < 1e-6
    # The same value along a circle about (33, 26): quarter turns of one offset.
    assert ring[0, 33, 26 + 12] == pytest.approx(ring[0, 33 + 12, 26], abs=1e-5)
    uneven = image(empty, {"rings": 0.05, "ring_height_voxels": 5})
    assert np.ptp(uneven[:5], axis=0).max() < 1e-6
    assert np.abs(uneven[4] - uneven[5]).max() > 0.01


def test_fringes_overshoot_a_straight_edge_by_what_was_asked():
    share = np.zeros((9, 9, 80), dtype=np.float32)
    share[..., 40:] = 1.0
    wide = {"psf_fwhm_um": (16.0, 16.0, 16.0)}
    plain, bent = image(share, {"drift": 0.0}, **wide), image(share, {"fringes": 0.15}, **wide)
    added = (bent - plain)[4, 4, 20:60]
    # The second difference on a grid of 0.3 standard deviations is short of the derivative by
    # step²/12 of its fourth over its second: about 1 %.
    assert added.max() == pytest.approx(0.15, rel=0.03)
    assert added.min() == pytest.approx(-0.15, rel=0.03)
    assert abs(added.sum()) < 1e-3


def test_bodies_have_their_size():
    share = small()
    voxel = (2.0, 2.0, 2.0)
    specks = with_bodies(
        share, artefacts_from_dict({"specks": {"count": 1, "diameter_um": 16}}), voxel_um=voxel,
        seed=1,
    )  # fmt: skip
    volume = (specks - share).sum(dtype=np.float64) / 5.0 * 8.0
    # A surface soft over one voxel adds radius × (voxel / 2)² / 3 × 4π: 2 % here.
    assert volume == pytest.approx(math.pi / 6 * 16**3, rel=0.05)
    tape = with_bodies(
        share, artefacts_from_dict({"tape": {"thickness_um": 6, "gap_um": 8}}), voxel_um=voxel,
        seed=1,
    )  # fmt: skip
    profile = (tape - share)[5, :, 5]
    assert profile.sum() * 2.0 == pytest.approx(6.0, rel=0.01)
    # From the print's last row (39) a gap of 8 µm and half the thickness.
    middle = ndimage.center_of_mass(profile)[0]
    assert middle * 2.0 == pytest.approx(39 * 2.0 + 8.0 + 3.0, abs=0.1)
    held = with_bodies(
        share, artefacts_from_dict({"holder": {"wall_um": 8, "level": 1}}), voxel_um=voxel, seed=1
    )
    outer = 63.0 - 4.0
    ring = math.pi * (outer**2 - (outer - 8) ** 2)
    assert (held - share)[5].sum() * 4.0 == pytest.approx(ring, rel=0.01)


def test_glue_lies_mostly_beside_the_print():
    share = small()
    glued = with_bodies(
        share, artefacts_from_dict({"glue": {"diameter_um": 24}}), voxel_um=(2.0,) * 3, seed=1
    )
    body = np.argwhere(glued - share > 0.5)
    assert np.mean(body[:, 2] > 39) > 0.5


def test_greys_are_cut_rescaled_and_kept_to_their_bits():
    share = small()
    cut = image(share, {"clip": [0.2, 0.7]})
    assert (cut.min(), cut.max()) == (pytest.approx(0.2, abs=1e-5), pytest.approx(0.7, abs=1e-5))
    scanner = ScannerSpec(voxel_um=(2.0,) * 3, dtype="uint8", artefacts={"rescale": [-0.5, 1.5]})
    samples = grey_volume(share, scanner).samples
    # 0 and 1 of -0.5 to 1.5 stretched over 255.
    assert set(np.unique(samples)) == {64, 191}
    bits = ScannerSpec(voxel_um=(2.0,) * 3, air=500.0, polymer=9000.0, artefacts={"bits": 12})
    assert grey_volume(share, bits).samples.max() == 4095


def test_the_truth_tells_what_was_put_in_and_the_stored_levels():
    values = {
        "scaffold": {
            "directions_deg": [0, 90], "spacing_um": 60, "diameter_um": 20, "layers": 2,
            "layer_height_um": 16.0, "walls": 3,
        },
        "scanner": {
            "voxel_um": 5.0, "dtype": "uint8", "contrast_to_noise": 10.0,
            "artefacts": {"rescale": [-1.0, 2.0], "rings": 0.1},
        },
    }  # fmt: skip
    _, truth, _ = phantom_from_dict(values, throats_too=False)
    material = truth["material"]
    assert material["artefacts"] == {"rescale": (-1.0, 2.0), "rings": 0.1}
    assert material["air"] == pytest.approx(85.0)
    assert material["polymer"] == pytest.approx(170.0)
    assert material["noise"] == pytest.approx(8.5)


@pytest.mark.parametrize(
    ("table", "word"),
    [
        ({"ringz": 1}, "ringz"),
        ({"glue": {"diameter": 1}}, "diameter"),
        ({"rings": -1}, "at least 0"),
        ({"clip": [1, 0]}, "low and a high"),
        ({"tape": {"side": "up"}}, "side"),
        ({"bits": 20}, "bits"),
    ],
)
def test_tables_that_cannot_be_are_refused(table, word):
    with pytest.raises(SettingsError, match=word):
        artefacts_from_dict(table)


def test_bodies_without_room_are_refused():
    share = small()
    with pytest.raises(SettingsError, match="room"):
        with_bodies(
            share, artefacts_from_dict({"specks": {"diameter_um": 90}}), voxel_um=(2.0,) * 3, seed=1
        )
    share[:, 2, 2] = 1.0
    with pytest.raises(SettingsError, match="does not fit"):
        with_bodies(share, artefacts_from_dict({"holder": {}}), voxel_um=(2.0,) * 3, seed=1)
    assert artefacts_from_dict(None) is None
    assert Artefacts().to_dict() == {}
