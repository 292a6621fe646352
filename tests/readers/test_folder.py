"""Which files of a folder are its slices, and in which order."""

import numpy as np
import pytest
import tifffile
from PIL import Image

from volscan.errors import InputError, SpacingError, UnreadableError
from volscan.readers import open_scan

from .contract import numbers, one_line

STACK = numbers(shape=(12, 5, 6))


def fill(folder, names, samples=STACK, **how):
    for name, one in zip(names, samples, strict=False):
        tifffile.imwrite(folder / name, one, **({"metadata": None} | how))
    return folder


def refused(folder, words, kind=InputError):
    with pytest.raises(kind, match=words) as error:
        open_scan(folder, voxel_um=1)
    return one_line(error)


def test_slices_are_sorted_by_number(tmp_path):
    fill(tmp_path, [f"patch3_rec{z}.tif" for z in range(12)])
    volume = open_scan(tmp_path, voxel_um=1)
    np.testing.assert_array_equal(volume.samples, STACK)
    assert volume.source.format == "folder of TIFF slices"
    assert volume.notices == ()


def test_other_files_are_left_out_and_told(tmp_path):
    fill(tmp_path, [f"patch_{z:03d}.tif" for z in range(12)])
    (tmp_path / ".DS_Store").write_bytes(b"\0\1")
    (tmp_path / "._patch_001.tif").write_bytes(b"\0\5\x16\7")
    (tmp_path / "scan.log").write_text("voltage 60")
    (tmp_path / "Thumbs.db").write_bytes(b"\xd0\xcf\x11\xe0")
    (tmp_path / "masks").mkdir()
    tifffile.imwrite(tmp_path / "patch_overview.tif", np.zeros((50, 3), np.uint8))
    volume = open_scan(tmp_path, voxel_um=1)
    np.testing.assert_array_equal(volume.samples, STACK)
    assert [(n.code, n.count) for n in volume.notices] == [
        ("files_left_out", 2),
        ("files_left_out", 1),
    ]
    told = " ".join(n.message for n in volume.notices)
    assert all(name in told for name in ("scan.log", "Thumbs.db", "patch_overview.tif"))
    assert ".DS_Store" not in told


def test_a_gap_is_refused_with_its_neighbours(tmp_path):
    fill(tmp_path, [f"patch_{z:03d}.tif" for z in range(12)])
    (tmp_path / "patch_006.tif").unlink()
    message = refused(tmp_path, "gap")
    assert "patch_005.tif" in message
    assert "patch_007.tif" in message


def test_numbering_in_even_steps_is_told(tmp_path):
    fill(tmp_path, [f"patch_{z * 10:03d}.tif" for z in range(12)])
    volume = open_scan(tmp_path, voxel_um=1)
    np.testing.assert_array_equal(volume.samples, STACK)
    assert [n.code for n in volume.notices] == ["numbered_in_steps"]


def test_a_number_that_occurs_twice(tmp_path):
    fill(tmp_path, ["a_1.tif", "a_01.tif", "a_2.tif"])
    refused(tmp_path, "same number")
    only = tmp_path / "only"
    only.mkdir()
    refused(fill(only, ["a_1.tif", "a_01.tif"]), "same number")


def test_tiles_that_look_like_slices(tmp_path):
    fill(tmp_path, [f"tile_x{x}_y{y}.tif" for x in range(3) for y in range(4)])
    refused(tmp_path, "tiles, channels or time points")


def test_two_series_in_a_folder(tmp_path):
    fill(tmp_path, [f"a_{z}.tif" for z in range(6)])
    fill(tmp_path, [f"b_{z}.tif" for z in range(5)])
    assert "b_0.tif" in refused(tmp_path, "does not belong")


def test_one_slice_of_another_size_is_named(tmp_path):
    fill(tmp_path, [f"a_{z}.tif" for z in range(6)])
    tifffile.imwrite(tmp_path / "a_4.tif", np.zeros((5, 7), np.uint16))
    assert "a_4.tif" in refused(tmp_path, "5 × 7")


def test_one_slice_of_another_type_is_named(tmp_path):
    fill(tmp_path, [f"a_{z}.tif" for z in range(6)])
    tifffile.imwrite(tmp_path / "a_3.tif", np.zeros((5, 6), np.uint8))
    assert "a_3.tif" in refused(tmp_path, "uint8")


def test_mixed_file_types_are_refused(tmp_path):
    fill(tmp_path, [f"a_{z}.tif" for z in range(6)])
    Image.fromarray(STACK[6]).save(tmp_path / "a_6.png")
    assert "a_6.png" in refused(tmp_path, "mixes file types")


def test_empty_folders_and_folders_without_slices(tmp_path):
    refused(tmp_path, "an empty folder", UnreadableError)
    (tmp_path / "sub").mkdir()
    refused(tmp_path, "only 1 folders", UnreadableError)
    np.save(tmp_path / "scan.npy", STACK)
    assert "scan.npy" in refused(tmp_path, "holds no TIFF, PNG or DICOM", UnreadableError)


def test_a_folder_of_stacks_is_refused(tmp_path):
    for z in (1, 2):
        tifffile.imwrite(tmp_path / f"a{z}.tif", STACK, photometric="minisblack", metadata=None)
    refused(tmp_path, "several pages")


def test_text_named_like_a_slice_is_refused(tmp_path):
    fill(tmp_path, [f"a_{z}.tif" for z in range(6)])
    (tmp_path / "a_2.tif").write_text("gone")
    assert "a_2.tif" in refused(tmp_path, "is none", UnreadableError)


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "P", "LA"])
def test_colour_png_is_refused(tmp_path, mode):
    for z in range(3):
        Image.new(mode, (6, 5)).save(tmp_path / f"a{z}.png")
    refused(tmp_path, f"colour picture \\(mode {mode}\\)")


def test_one_bit_png_becomes_0_and_1(tmp_path):
    for z in range(3):
        Image.fromarray(STACK[z] % 2 == 0).save(tmp_path / f"a{z}.png")
    samples = open_scan(tmp_path, voxel_um=1).samples
    assert samples.dtype == np.uint8
    np.testing.assert_array_equal(samples, STACK[:3] % 2 == 0)


def test_spacing_from_tags_in_every_slice(tmp_path):
    how = {
        "imagej": True,
        "resolution": (0.5, 0.5),
        "metadata": {"axes": "YX", "unit": "um", "spacing": 3.0},
    }
    fill(tmp_path, [f"a{z}.tif" for z in range(3)], **how)
    assert open_scan(tmp_path).spacing_um == (3.0, 2.0, 2.0)
    other = how | {"resolution": (0.4, 0.4)}
    tifffile.imwrite(tmp_path / "a1.tif", STACK[1], **other)
    assert "a1.tif" in refused(tmp_path, "differs")


def test_png_resolution_is_no_spacing_of_slices(tmp_path):
    for z in range(3):
        Image.fromarray(STACK[z]).save(tmp_path / f"a{z}.png", dpi=(25400, 25400))
    with pytest.raises(SpacingError, match="distance of slices"):
        open_scan(tmp_path)
