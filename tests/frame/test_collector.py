"""A plate in the scan: found, placed, taken out; and never found where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from volscan.frame.collector import collector_notices
from volscan.frame.plate import find_plate_frame
from volscan.phantom.make import phantom_from_dict
from volscan.prepare.ct import prepare_ct
from volscan.volume import Volume

PRINT = {
    "directions_deg": [0, 90], "spacing_um": 120, "diameter_um": 20, "layers": 4,
    "layer_height_um": 16, "walls": 4, "lean": 5.0,
}  # fmt: skip


def scanned(*, collector_um, level=1.0, tilt=0.0):
    scanner = {
        "voxel_um": 4.0, "psf_fwhm_um": 8.0, "contrast_to_noise": 8.0, "seed": 3,
        "mount_tilt_deg": tilt, "mount_azimuth_deg": 50.0, "margin_um": [60.0, 40.0, 40.0],
        "collector_um": collector_um, "collector_level": level, "dtype": "float32",
    }  # fmt: skip
    volume, truth, _ = phantom_from_dict(
        {"name": "on its plate", "scaffold": PRINT, "scanner": scanner}, throats_too=False
    )
    return volume, truth


def heights(truth, shape):
    h, origin = (np.array(v) for v in (truth["frame"]["axes"]["h"], truth["frame"]["origin_um"]))
    z, y, x = np.indices(shape) * 4.0
    return z * h[0] + y * h[1] + x * h[2] - origin @ h


def degrees_between(a, b):
    return float(np.degrees(np.arccos(min(1.0, float(np.dot(a, b))))))


# Dimmer than, as bright as, and brighter than polymer.
@pytest.mark.parametrize(
    ("level", "tilt", "thickness"), [(0.7, 0.0, 60.0), (1.0, 6.0, 60.0), (3.0, 15.0, 40.0)]
)
def test_a_plate_is_found_and_what_remains_is_the_print(level, tilt, thickness):
    without, bare_truth = scanned(collector_um=0.0, tilt=tilt)
    volume, truth = scanned(collector_um=thickness, level=level, tilt=tilt)
    bare, material = prepare_ct(without), prepare_ct(volume)
    plate = material.collector
    assert bare.collector is None
    assert plate is not None
    assert plate.up == "+z"
    h, origin = (np.array(v) for v in (truth["frame"]["axes"]["h"], truth["frame"]["origin_um"]))
    # A plane through thousands of columns: a hundredth of a degree is 0.1 µm over the view.
    assert degrees_between(plate.normal, h) < 0.02
    assert abs(plate.offset_um - origin @ h) < 3 * plate.u_offset_um
    # The anchors of the print alone: the polymer of thin fibres is a first guess either way.
    assert material.air == pytest.approx(bare.air, abs=0.1 * bare.noise_air)
    assert material.polymer == pytest.approx(bare.polymer, abs=0.02 * (bare.polymer - bare.air))
    # Both scans hold the same polymer. Noise sums to 2 standard errors in each; what lies within
    # blur below the face is cut off with the plate, under 1 % of a print of four layers.
    total = float(bare.fraction.sum(dtype=np.float64))
    noise = bare.noise_air / (bare.polymer - bare.air) * np.sqrt(bare.fraction.size)
    rest = float(material.fraction.sum(dtype=np.float64)) - total
    assert abs(rest) < 0.02 * total + 3 * noise
    # The lowest layer is not lost: as much polymer about it as without the plate. The weight falls
    # off slowly, as the two scans' voxels lie differently against the face.
    lowest = []
    for m, t in ((material, truth), (bare, bare_truth)):
        near = np.clip(2.0 - np.abs(heights(t, m.solid.shape) - 4.0) / 16.0, 0.0, 1.0)
        lowest.append(float((m.fraction * near).sum(dtype=np.float64)) * (m.polymer - m.air))
    assert lowest[0] == pytest.approx(lowest[1], rel=0.02)
    assert [n.code for n in material.notices if n.code.startswith("collector")] == [
        "collector_excluded"
    ]


def test_the_plate_gives_the_frame_and_shows_up():
    volume, truth = scanned(collector_um=60.0, level=2.0, tilt=4.0)
    turned = Volume(
        np.ascontiguousarray(volume.samples[::-1]), volume.spacing_um, "given by the user"
    )
    frame = find_plate_frame(prepare_ct(volume))
    assert frame.up == "+z"
    assert frame.up_confirmed
    assert frame.u_tilt_deg is not None
    assert degrees_between(frame.h, truth["frame"]["axes"]["h"]) < 0.02
    # The scan's end may cut the plate.
    cut = prepare_ct(replace(volume, samples=np.ascontiguousarray(volume.samples[18:])))
    assert cut.collector is not None
    assert degrees_between(cut.collector.normal, truth["frame"]["axes"]["h"]) < 0.02
    down = prepare_ct(turned)
    frame = find_plate_frame(down)
    assert frame.up == "-z"
    assert degrees_between(frame.h, np.array(truth["frame"]["axes"]["h"]) * [-1, 1, 1]) < 0.02
    # The user's word goes before the plate's, and the clash is told.
    assert find_plate_frame(down, up="+z").up == "+z"
    assert [n.code for n in collector_notices(down, "+z")] == ["collector_not_below"]
    assert collector_notices(down, None) == ()


def test_blocks_films_and_membranes_are_not_plates():
    rng = np.random.default_rng(5)
    z = np.arange(50)[:, None, None]
    shape = (50, 80, 80)
    y, x = np.indices(shape[1:])
    bars = ((x % 20 < 5) | (y % 20 < 5))[None]
    block = np.broadcast_to((z > 10) & (z < 40), shape)
    membrane = (bars & (z > 8) & (z < 42)) | (np.abs(z - 25) < 3)
    film = ((bars & (z > 18) & (z < 42)) | (np.abs(z - 15) < 4)) & (np.hypot(y - 40, x - 40) < 35)
    for solid in (block, membrane, film):
        grey = 100.0 + 80.0 * solid + rng.normal(0, 10, shape)
        volume = Volume(grey.astype(np.float32), (4.0, 4.0, 4.0), "given by the user")
        assert prepare_ct(volume).collector is None
