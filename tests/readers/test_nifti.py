"""NIfTI, against nibabel: units, scaling, affines, more than three axes, damaged files."""

import gzip
from pathlib import Path

import nibabel as nib
import numpy as np
import pytest

from volscan.errors import InputError, SpacingError, UnreadableError
from volscan.readers import open_scan

from .contract import numbers, one_line

STACK = numbers(np.int16)


def write(path, samples=STACK, *, affine=None, unit="micron", **header):
    affine = np.diag([2.25, 2.5, 4.0, 1.0]) if affine is None else affine
    image = nib.Nifti1Image(samples.T, affine)
    image.header.set_xyzt_units(unit)
    for name, value in header.items():
        image.header[name] = value
    image.to_filename(path)
    return path


@pytest.mark.parametrize(("unit", "um"), [("meter", 1e6), ("mm", 1e3), ("micron", 1.0)])
def test_units(tmp_path, unit, um):
    # xyzt_units: 1 metre, 2 millimetre, 3 micrometre (nifti1.h, NIFTI_UNITS_*).
    volume = open_scan(write(tmp_path / "a.nii", unit=unit))
    assert volume.spacing_um == pytest.approx((4 * um, 2.5 * um, 2.25 * um), rel=1e-9)


def test_a_time_unit_does_not_hide_the_spatial_one(tmp_path):
    path = write(tmp_path / "a.nii")
    image = nib.load(path)
    image.header.set_xyzt_units("mm", "sec")
    image.to_filename(tmp_path / "b.nii")
    assert open_scan(tmp_path / "b.nii").spacing_um == (4000, 2500, 2250)


def test_an_unknown_unit_is_asked_for(tmp_path):
    path = write(tmp_path / "a.nii", unit="unknown")
    with pytest.raises(SpacingError, match="names no unit") as error:
        open_scan(path)
    assert "--voxel-um" in one_line(error)
    assert open_scan(path, voxel_um=(4, 2.5, 2.25)).spacing_um == (4.0, 2.5, 2.25)


def test_single_precision_spacing_reads_as_it_was_typed(tmp_path):
    path = write(tmp_path / "a.nii", affine=np.diag([0.0023, 0.0023, 0.0041, 1]), unit="mm")
    assert open_scan(path).spacing_um == (4.1, 2.3, 2.3)


def test_values_are_scaled_as_nibabel_scales_them(tmp_path):
    image = nib.Nifti1Image(STACK.T, np.diag([2.25, 2.5, 4.0, 1.0]))
    image.header.set_xyzt_units("micron")
    image.header.set_slope_inter(0.5, -1000)
    image.to_filename(tmp_path / "a.nii")
    # nibabel divides by the slope when it writes: the stored numbers are read back scaled.
    expected = np.asarray(nib.load(tmp_path / "a.nii").dataobj).T
    volume = open_scan(tmp_path / "a.nii")
    assert volume.samples.dtype == np.float32
    # Single precision: 24 bits of values up to about 1000.
    np.testing.assert_allclose(volume.samples, expected, atol=1e-4)
    assert [n.code for n in volume.notices] == ["values_scaled"]


def test_one_volume_of_four_axes_is_read_and_two_are_refused(tmp_path):
    one = write(tmp_path / "one.nii", STACK[None])
    np.testing.assert_array_equal(open_scan(one).samples, STACK)
    two = write(tmp_path / "two.nii", np.stack([STACK, STACK]))
    with pytest.raises(InputError, match="2 volumes") as error:
        open_scan(two)
    assert "export one 3-D volume" in one_line(error)


def rotation(deg):
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


def test_a_rotated_affine_keeps_the_spacing_of_the_index_axes(tmp_path):
    affine = np.eye(4)
    affine[:3, :3] = rotation(30) @ np.diag([2.25, 2.5, 4.0])
    volume = open_scan(write(tmp_path / "a.nii", affine=affine))
    assert volume.spacing_um == pytest.approx((4, 2.5, 2.25), rel=1e-6)
    assert volume.notices == ()


def test_a_sheared_affine_is_told(tmp_path):
    affine = np.diag([2.0, 2.0, 4.0, 1.0])
    # The slices slide by tan(5°) of their distance along y: the z step grows by 1 / cos(5°).
    affine[1, 2] = 4.0 * np.tan(np.radians(5))
    volume = open_scan(write(tmp_path / "a.nii", affine=affine))
    step = 4 / np.cos(np.radians(5))
    assert volume.spacing_um == pytest.approx((step, 2, 2), rel=1e-6)
    assert [n.code for n in volume.notices] == ["axes_not_square"]
    assert "5°" in volume.notices[0].message


def test_left_handed_axes_are_told(tmp_path):
    volume = open_scan(write(tmp_path / "a.nii", affine=np.diag([-2.25, 2.5, 4.0, 1.0])))
    assert [n.code for n in volume.notices] == ["axes_left_handed"]


def test_an_affine_that_contradicts_pixdim_is_refused(tmp_path):
    path = write(tmp_path / "a.nii")
    data = bytearray(path.read_bytes())
    # pixdim[3] at byte 76 + 3 × 4 (nifti1.h).
    data[88:92] = np.float32(5.0).tobytes()
    path.write_bytes(data)
    with pytest.raises(SpacingError, match="contradicts itself"):
        open_scan(path)
    assert open_scan(path, voxel_um=4).spacing_um == (4, 4, 4)


@pytest.mark.parametrize("bad", [0.0, np.nan, np.inf, -2.0])
def test_spacing_that_cannot_be(tmp_path, bad):
    path = write(tmp_path / "a.nii")
    data = bytearray(path.read_bytes())
    data[88:92] = np.float32(bad).tobytes()
    data[252:256] = bytes(4)  # no affine in use
    path.write_bytes(data)
    with pytest.raises(SpacingError, match="cannot be"):
        open_scan(path)


def test_header_and_image_in_two_files(tmp_path):
    pair = nib.Nifti1Pair(STACK.T, np.diag([2.25, 2.5, 4.0, 1.0]))
    pair.header.set_xyzt_units("micron")
    pair.to_filename(tmp_path / "a.hdr")
    np.testing.assert_array_equal(open_scan(tmp_path / "a.hdr").samples, STACK)
    (tmp_path / "a.img").unlink()
    with pytest.raises(UnreadableError, match="img file is missing"):
        open_scan(tmp_path / "a.hdr")


@pytest.mark.parametrize("dtype", [np.complex64, [("R", "u1"), ("G", "u1"), ("B", "u1")]])
def test_colour_and_complex_are_refused(tmp_path, dtype):
    samples = np.zeros(STACK.shape, dtype)
    with pytest.raises(InputError, match="sample type"):
        open_scan(write(tmp_path / "a.nii", samples))


def test_more_data_than_the_header_says(tmp_path):
    path = write(tmp_path / "a.nii")
    data = path.read_bytes() + b"\0" * 10
    path.write_bytes(data)
    with pytest.raises(UnreadableError, match="too long"):
        open_scan(path)
    (tmp_path / "a.nii.gz").write_bytes(gzip.compress(data))
    with pytest.raises(UnreadableError, match="too long"):
        open_scan(tmp_path / "a.nii.gz")


def test_a_gzip_stream_whose_checksum_is_wrong(tmp_path):
    packed = bytearray(gzip.compress(write(tmp_path / "a.nii").read_bytes()))
    packed[-6] ^= 0xFF
    (tmp_path / "a.nii.gz").write_bytes(packed)
    with pytest.raises(UnreadableError, match="damaged"):
        open_scan(tmp_path / "a.nii.gz")


@pytest.mark.parametrize(
    "name", ["example4d.nii.gz", "example_nifti2.nii.gz", "anatomical.nii", "standard.nii.gz"]
)
def test_files_that_come_with_nibabel(name):
    from nibabel.testing import data_path

    path = Path(data_path) / name
    image = nib.load(path)
    extra = [n for n in image.shape[3:] if n > 1]
    told = image.header.get_xyzt_units()[0] != "unknown"
    if extra:
        with pytest.raises(InputError, match="volumes"):
            open_scan(path)
        return
    volume = open_scan(path, voxel_um=None if told else 1)
    stored = np.asarray(image.dataobj)
    # Scaled values are kept in single precision.
    np.testing.assert_allclose(
        volume.samples, stored.reshape(stored.shape[:3]).T, rtol=1e-6, atol=1e-6
    )
    if told:
        um = {"mm": 1e3, "micron": 1.0, "meter": 1e6}[image.header.get_xyzt_units()[0]]
        zooms = image.header.get_zooms()[:3][::-1]
        assert volume.spacing_um == pytest.approx([z * um for z in zooms], rel=1e-6)
