"""Real scans made by others, in the folder that VOLSCAN_REAL_DATA names.

root_network.npy.zip: plant-root network, from the course kmader/Quantitative-Big-Imaging-2019
(Apache-2.0). engine.nii.gz: industrial CT of an engine block, General Electric, from
neurolabusc/VolumeRenderingData (MIT).
"""

import os
import zipfile
from pathlib import Path

import nibabel as nib
import numpy as np
import pytest

from volscan.errors import SpacingError, UnreadableError
from volscan.readers import open_scan
from volscan.scaninfo import scan_info

DATA = Path(os.environ["VOLSCAN_REAL_DATA"])


def test_engine_block():
    path = DATA / "engine.nii.gz"
    image = nib.load(path)
    volume = open_scan(path)
    np.testing.assert_array_equal(volume.samples, np.asarray(image.dataobj).T)
    # Its header says 1 mm: a placeholder, but what it says.
    assert image.header.get_xyzt_units()[0] == "mm"
    assert volume.spacing_um == (1000, 1000, 1000)
    info = scan_info(volume)
    assert [n.code for n in info.notices] == ["air_cut_off"]
    assert info.noise is None
    given = open_scan(path, voxel_um=300)
    assert [n.code for n in given.notices] == ["voxel_size_overridden"]


def test_root_network(tmp_path):
    archive = DATA / "root_network.npy.zip"
    with pytest.raises(UnreadableError, match="unpack"):
        open_scan(archive)
    with zipfile.ZipFile(archive) as z:
        path = Path(z.extract(z.namelist()[0], tmp_path))
    with pytest.raises(SpacingError, match="--voxel-um"):
        open_scan(path)
    volume = open_scan(path, voxel_um=5)
    assert volume.shape == (470, 474, 1597)
    info = scan_info(volume)
    assert info.mapped
    assert [n.code for n in info.notices] == ["already_segmented"]
    assert info.saturated_share == pytest.approx(0.0019, abs=5e-5)
