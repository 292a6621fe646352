"""What is written is read back, by this project and by other software, and never half there."""

import hashlib

import nibabel as nib
import numpy as np
import pytest
import SimpleITK as sitk
import tifffile

from volscan.errors import InputError, OutputError, SettingsError
from volscan.readers import open_scan
from volscan.writers import write_metaimage, write_nifti, write_npy, write_nrrd, write_tiff

SPACING_UM = (4.1, 2.3, 2.2)
WRITERS = {
    "a.ome.tif": write_tiff,
    "a.mha": write_metaimage,
    "a.nrrd": write_nrrd,
    "a.nii": write_nifti,
    "a.nii.gz": write_nifti,
}
COMPRESSING = ("a.ome.tif", "a.mha", "a.nrrd")
DTYPES = ("uint8", "int8", "uint16", "int16", "uint32", "int32", "float32", "float64")


def numbers(dtype="uint16", shape=(4, 5, 6)):
    return (np.arange(np.prod(shape)).reshape(shape) + 3).astype(dtype)


@pytest.mark.parametrize("dtype", DTYPES)
@pytest.mark.parametrize("name", WRITERS)
def test_round_trip(tmp_path, name, dtype):
    samples = numbers(dtype)
    WRITERS[name](tmp_path / name, samples, spacing_um=SPACING_UM)
    volume = open_scan(tmp_path / name)
    assert volume.samples.dtype == samples.dtype
    np.testing.assert_array_equal(volume.samples, samples)
    assert volume.spacing_um == SPACING_UM
    assert volume.notices == ()


@pytest.mark.parametrize("name", COMPRESSING)
def test_compressed_round_trip(tmp_path, name):
    samples = numbers(shape=(4, 50, 60)) // 1000
    WRITERS[name](tmp_path / name, samples, spacing_um=SPACING_UM, compress=True)
    assert (tmp_path / name).stat().st_size < samples.nbytes
    volume = open_scan(tmp_path / name)
    np.testing.assert_array_equal(volume.samples, samples)
    assert volume.spacing_um == SPACING_UM


@pytest.mark.parametrize("name", WRITERS)
def test_views_and_booleans(tmp_path, name):
    whole = numbers(shape=(6, 7, 8))
    for samples in (
        whole[::-1, ::2, 1:],
        whole.transpose(2, 1, 0),
        whole.astype(">u2"),
        whole > 99,
    ):
        WRITERS[name](tmp_path / name, samples, spacing_um=SPACING_UM)
        np.testing.assert_array_equal(open_scan(tmp_path / name).samples, samples)


def test_npy_round_trip(tmp_path):
    for samples in (numbers(), numbers("float32").transpose(2, 0, 1), numbers() > 50):
        write_npy(tmp_path / "a.npy", samples)
        np.testing.assert_array_equal(np.load(tmp_path / "a.npy"), samples)
        np.testing.assert_array_equal(open_scan(tmp_path / "a.npy", voxel_um=1).samples, samples)


def test_tiff_as_tifffile_reads_it(tmp_path):
    for compress in (False, True):
        path = tmp_path / "a.ome.tif"
        write_tiff(path, numbers(), spacing_um=SPACING_UM, compress=compress)
        with tifffile.TiffFile(path) as tif:
            assert tif.series[0].axes == "ZYX"
            np.testing.assert_array_equal(tif.asarray(), numbers())
            pixels = tifffile.xml2dict(tif.ome_metadata)["OME"]["Image"]["Pixels"]
        for axis, um in zip("ZYX", SPACING_UM, strict=True):
            assert pixels[f"PhysicalSize{axis}"] == um
            assert pixels[f"PhysicalSize{axis}Unit"] == "µm"


@pytest.mark.parametrize("name", ["a.mha", "a.nrrd", "a.nii.gz"])
def test_as_simpleitk_reads_it(tmp_path, name):
    WRITERS[name](tmp_path / name, numbers("int16"), spacing_um=SPACING_UM)
    image = sitk.ReadImage(str(tmp_path / name))
    np.testing.assert_array_equal(sitk.GetArrayFromImage(image), numbers("int16"))
    # SimpleITK turns NIfTI units into mm and leaves NRRD's as they are.
    factor = 1 if name == "a.nrrd" else 1000
    spacing = [s * factor for s in image.GetSpacing()[::-1]]
    # NIfTI keeps single precision.
    assert spacing == pytest.approx(SPACING_UM, rel=1e-6)
    # NIfTI space points to +x, +y, theirs to -x, -y: a half turn about z, no mirror.
    turn = -1 if name == "a.nii.gz" else 1
    assert image.GetDirection() == (turn, 0, 0, 0, turn, 0, 0, 0, 1)


def test_compressed_as_simpleitk_reads_it(tmp_path):
    for name in ("a.mha", "a.nrrd"):
        WRITERS[name](tmp_path / name, numbers(), spacing_um=SPACING_UM, compress=True)
        image = sitk.ReadImage(str(tmp_path / name))
        np.testing.assert_array_equal(sitk.GetArrayFromImage(image), numbers())


def test_nifti_as_nibabel_reads_it(tmp_path):
    write_nifti(tmp_path / "a.nii", numbers("float32"), spacing_um=SPACING_UM)
    image = nib.load(tmp_path / "a.nii")
    np.testing.assert_array_equal(np.asarray(image.dataobj).T, numbers("float32"))
    assert image.header.get_xyzt_units()[0] == "micron"
    assert image.header.get_zooms() == pytest.approx(SPACING_UM[::-1], rel=1e-6)
    np.testing.assert_allclose(image.affine, np.diag([*SPACING_UM[::-1], 1]), rtol=1e-6)


@pytest.mark.parametrize("name", WRITERS)
def test_the_same_scan_gives_the_same_bytes(tmp_path, name):
    digests = set()
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        WRITERS[name](tmp_path / folder / name, numbers(), spacing_um=SPACING_UM)
        digests.add(hashlib.sha256((tmp_path / folder / name).read_bytes()).hexdigest())
    assert len(digests) == 1


class _Breaks(np.ndarray):
    """An array whose second slice cannot be had."""

    def __iter__(self):
        yield np.asarray(self)[0]
        raise KeyboardInterrupt


@pytest.mark.parametrize("name", [*WRITERS, "a.npy"])
def test_nothing_is_left_half_written(tmp_path, name):
    def write(samples):
        if name == "a.npy":
            write_npy(tmp_path / name, samples)
        else:
            WRITERS[name](tmp_path / name, samples, spacing_um=SPACING_UM)

    write(numbers())
    before = (tmp_path / name).read_bytes()
    with pytest.raises(KeyboardInterrupt):
        write(numbers().view(_Breaks))
    assert (tmp_path / name).read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == [name]


@pytest.mark.parametrize("name", WRITERS)
def test_what_cannot_be_written(tmp_path, name):
    write = WRITERS[name]
    with pytest.raises(OutputError, match="nowhere") as error:
        write(tmp_path / "nowhere" / name, numbers(), spacing_um=SPACING_UM)
    assert "\n" not in str(error.value)
    with pytest.raises(InputError, match="3-D"):
        write(tmp_path / name, numbers()[0], spacing_um=SPACING_UM)
    with pytest.raises(InputError, match="complex64"):
        write(tmp_path / name, numbers().astype(np.complex64), spacing_um=SPACING_UM)
    for bad in ((0, 1, 1), (1, 1), (1, 1, np.nan)):
        with pytest.raises(SettingsError, match="voxel spacing"):
            write(tmp_path / name, numbers(), spacing_um=bad)
    assert list(tmp_path.iterdir()) == []


def test_limits_of_formats(tmp_path):
    with pytest.raises(InputError, match="64-bit"):
        write_tiff(tmp_path / "a.tif", numbers("int64"), spacing_um=SPACING_UM)
    long = np.broadcast_to(np.uint8(0), (2, 2, 32768))
    with pytest.raises(InputError, match="32767"):
        write_nifti(tmp_path / "a.nii", long, spacing_um=SPACING_UM)
