"""DICOM series: ordered and spaced by position, or refused."""

from pathlib import Path

import numpy as np
import pydicom.data
import pytest
import SimpleITK as sitk

from volscan.errors import InputError, SpacingError, UnreadableError
from volscan.readers import open_scan

from .contract import numbers, one_line
from .test_every_reader import write_dicom

STACK = numbers(np.int16)
SAMPLES = Path(pydicom.data.__file__).parent / "test_files"


def series(folder, positions_mm, **tags):
    for k, (place, one) in enumerate(zip(positions_mm, STACK, strict=False)):
        write_dicom(folder / f"im{k}", one, ImagePositionPatient=list(place), **tags)
    return folder


def along_z(*steps_mm):
    return [(0, 0, z) for z in np.cumsum((0, *steps_mm))]


def test_steps_come_from_positions_and_not_from_thickness(tmp_path):
    # Thickness 5 but step 7, as in series of overlapping or spaced reconstruction.
    series(tmp_path, along_z(7, 7, 7), SliceThickness=5, SpacingBetweenSlices=5)
    volume = open_scan(tmp_path)
    assert volume.spacing_um == pytest.approx((7000, 2.5, 2.25), rel=1e-9)
    np.testing.assert_array_equal(volume.samples, STACK)


def test_uneven_steps_are_refused_with_their_sizes(tmp_path):
    series(tmp_path, along_z(4.22, 1.14, 7.38))
    with pytest.raises(InputError, match=r"1\.14, 4\.22, 7\.38 mm") as error:
        open_scan(tmp_path, voxel_um=5)
    one_line(error)


def test_a_tilted_gantry_is_refused(tmp_path):
    # Slices move along z by 2 mm while their plane is tilted by 10° about x: the true step is
    # 2 cos(10°) and they slide by 10°.
    c, s = np.cos(np.radians(10)), np.sin(np.radians(10))
    series(tmp_path, along_z(2, 2, 2), ImageOrientationPatient=[1, 0, 0, 0, c, s])
    with pytest.raises(InputError, match="sideways by 10°"):
        open_scan(tmp_path)


def test_an_oblique_series_is_read(tmp_path):
    c, s = np.cos(np.radians(10)), np.sin(np.radians(10))
    along = [(0, -s * z, c * z) for z in (0.0, 2.0, 4.0, 6.0)]
    rounded = [tuple(round(float(v), 6) for v in p) for p in along]
    axes = [1, 0, 0, 0, round(c, 6), round(s, 6)]
    series(tmp_path, rounded, ImageOrientationPatient=axes)
    # Six decimals of the direction cosines.
    assert open_scan(tmp_path).spacing_um[0] == pytest.approx(2000, rel=1e-5)


@pytest.mark.parametrize(
    ("tags", "words"),
    [
        ({"SeriesInstanceUID": "1.2.826.0.1.3680043.8.498.2"}, "2 DICOM series"),
        ({"ImageOrientationPatient": [0, 1, 0, 1, 0, 0]}, "orientation differs"),
        ({"PixelSpacing": [1, 1]}, "pixel spacing"),
        ({"ImagePositionPatient": [0, 0, 2]}, "same position"),
        ({"NumberOfFrames": 3}, "3 frames"),
    ],
)
def test_one_slice_that_does_not_belong(tmp_path, tags, words):
    series(tmp_path, along_z(2, 2, 2))
    one = np.concatenate([STACK[3]] * 3) if "NumberOfFrames" in tags else STACK[3]
    extra = {"ImagePositionPatient": [0, 0, 6]} | tags
    write_dicom(tmp_path / "im3", one, **extra)
    if "NumberOfFrames" in tags:
        data = pydicom.dcmread(tmp_path / "im3")
        data.Rows = STACK.shape[1]
        data.save_as(tmp_path / "im3")
    with pytest.raises(InputError, match=words) as error:
        open_scan(tmp_path)
    one_line(error)


def test_without_pixel_spacing_the_user_is_asked(tmp_path):
    series(tmp_path, along_z(2, 2, 2), PixelSpacing=None)
    with pytest.raises(SpacingError, match="lack pixel spacing"):
        open_scan(tmp_path)


def test_rescaled_values_and_other_modalities(tmp_path):
    series(tmp_path, along_z(2, 2, 2), RescaleSlope=2, RescaleIntercept=-1000, Modality="MR")
    volume = open_scan(tmp_path)
    np.testing.assert_array_equal(volume.samples, 2 * STACK.astype(np.int32) - 1000)
    assert [n.code for n in volume.notices] == ["other_modality"]


# Series that come with pydicom. Their tags were read with pydicom: 98892001/CT5N has positions
# 2.5 mm apart and pixel spacing 0.488281 mm; 77654033/CT2 skips most of its slices.
def test_a_real_ct_series_is_read_with_its_spacing():
    folder = SAMPLES / "dicomdirtests" / "98892001" / "CT5N"
    files = [pydicom.dcmread(f) for f in sorted(folder.iterdir()) if f.is_file()]
    files.sort(key=lambda f: float(f.ImagePositionPatient[2]))
    steps = np.diff([float(f.ImagePositionPatient[2]) for f in files])
    rows, columns = (float(v) for v in files[0].PixelSpacing)
    volume = open_scan(folder)
    assert volume.spacing_um == pytest.approx(
        (steps[0] * 1000, rows * 1000, columns * 1000), rel=1e-9
    )
    assert steps == pytest.approx(steps[0])
    raw = np.stack([f.pixel_array.astype(float) for f in files])
    slope, inter = float(files[0].RescaleSlope), float(files[0].RescaleIntercept)
    np.testing.assert_array_equal(volume.samples, raw * slope + inter)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("dicomdirtests/77654033/CT2", r"unevenly spaced \(steps of 1\.25, 202\.5 mm"),
        ("dicomdirtests/98892003/MR1", "3 DICOM series"),
        ("dicomdirtests/98892003/MR700", "orientation differs"),
        ("dicomdirtests/77654033/CR1", "one slice only"),
        ("CT_small.dcm", "single DICOM file"),
        ("MR_truncated.dcm", "single DICOM file"),
    ],
)
def test_real_files_that_are_no_stack(name, words):
    with pytest.raises(InputError, match=words) as error:
        open_scan(SAMPLES / name)
    one_line(error)


def test_a_truncated_slice_is_named_and_the_decoders_warnings_come_back(tmp_path, capfd):
    series(tmp_path, along_z(2, 2, 2))
    data = (tmp_path / "im2").read_bytes()
    (tmp_path / "im2").write_bytes(data[:-20])
    with pytest.raises(UnreadableError, match="im2"):
        open_scan(tmp_path)
    assert sitk.ProcessObject.GetGlobalWarningDisplay()
    assert capfd.readouterr().err == ""
