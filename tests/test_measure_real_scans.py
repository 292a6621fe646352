"""Real scans made by others, measured whole, in the folder that VOLSCAN_REAL_DATA names.

Sources and licences: tests/readers/test_real_scans.py. Neither holds layers of parallel fibres.
"""

import os
import zipfile
from pathlib import Path

import numpy as np
import pytest

from volscan.pipeline import measure

DATA = Path(os.environ["VOLSCAN_REAL_DATA"])


def codes(results):
    return {w["code"] for w in results.to_dict()["warnings"]}


def test_an_engine_block_has_no_walls_and_says_so():
    results = measure(DATA / "engine.nii.gz", voxel_um=300, up="+z", mirrored=False)
    document = results.to_dict()
    assert "no_fibres" in codes(results)
    assert document["fibres"]["count"] in (0, None)
    assert not document["walls"]
    assert 0.3 < results.porosity.total.value < 0.9


def test_a_root_network_has_no_layers_and_says_so(tmp_path):
    with zipfile.ZipFile(DATA / "root_network.npy.zip") as archive:
        path = Path(archive.extract(archive.namelist()[0], tmp_path))
    results = measure(path, voxel_um=5, up="+z", mirrored=False, envelope="block")
    assert "no_fibres" in codes(results)
    # 0.19 % of the array is root: with the whole array as envelope the count is exact.
    solid = float((np.load(path, mmap_mode="r") > 0).mean())
    assert results.porosity.total.value == pytest.approx(1.0 - solid, abs=1e-6)
