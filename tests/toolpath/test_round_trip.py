"""Design to file, to print, to scan, to corrected file, to a second print that stands upright.

The print is laid by a machine that reads the file itself (`volscan.phantom.machine`), with the same
lean mechanism both times; between the prints nothing passes but the corrected file.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.toolpath.printing import flat_file, tube_file
from volscan.phantom.machine import printed_scaffold, printed_tube
from volscan.phantom.scanner import ScannerSpec, grey_volume, scan
from volscan.phantom.tube_scan import mount_tube, tube_share
from volscan.pipeline import measure
from volscan.results import Results
from volscan.toolpath import Asked, correct

DIAMETER_UM = 20.0
SCANNER = ScannerSpec(
    voxel_um=(4.0,) * 3, psf_fwhm_um=(8.0,) * 3, contrast_to_noise=10.0,
    mount_tilt_deg=3.0, mount_azimuth_deg=50.0, in_plane_deg=12.0, seed=3,
)  # fmt: skip
# Asked of the whole loop: each family's walls stand within this on average.
UPRIGHT_DEG = 0.3


def lean(direction_deg: float) -> float:
    return 5.0 if direction_deg < 80.0 else -4.0


def flat(text: str) -> Results:
    volume, _ = scan(printed_scaffold(text, lean, diameter_um=DIAMETER_UM), SCANNER)
    return measure(volume, up="+z", mirrored=False, only_walls=True)


def tube(text: str) -> Results:
    wound = printed_tube(text, lean, diameter_um=DIAMETER_UM, mandrel_diameter_um=400.0)
    mounting, shape = mount_tube(wound, SCANNER)
    share = tube_share(wound, mounting, shape=shape, scanner=SCANNER)
    volume = grey_volume(share, SCANNER)
    return measure(volume, collector="mandrel", mirrored=False, only_walls=True)


def means(results: Results) -> list[float]:
    return [
        sum(w.tilt_deg.value for w in own) / len(own)
        for f in results.fibres.families
        if (own := [w for w in results.walls if w.family == f.id])
    ]


def loop(text: str, scanned: Callable[[str], Results], rotation: float) -> None:
    before = scanned(text)
    assert means(before) == pytest.approx([5.0, -4.0], abs=UPRIGHT_DEG)
    asked = Asked(rotation_deg=rotation, damping=1.0)
    done = correct(before.document, text.encode(), asked=asked)
    assert done.shifts
    after = scanned(done.data.decode("ascii"))
    assert means(after) == pytest.approx([0.0, 0.0], abs=UPRIGHT_DEG)


def test_a_straight_patch_stands_upright_after_one_correction():
    # The scan is turned by 12° on the plate: the user says "about -12".
    loop(flat_file(walls=(4, 3), layers=6, absolute=False), flat, -12.0)


@pytest.mark.slow
def test_a_sinusoidal_patch_stands_upright_after_one_correction():
    loop(flat_file(amplitude_mm=0.02, wavelength_mm=0.2, spacing_mm=0.12), flat, -12.0)


@pytest.mark.slow
def test_a_tube_stands_upright_after_one_correction():
    # The lowest fibres lie with their axis half a diameter above the mandrel of 0.4 mm.
    loop(tube_file(radius_mm=0.21), tube, 0.0)
