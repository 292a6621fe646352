"""Each format, written by other software, through the tests that all readers share."""

import gzip
import zlib
from pathlib import Path

import nibabel as nib
import numpy as np
import pydicom
import pydicom.uid
import pytest
import SimpleITK as sitk
import tifffile
from PIL import Image

from volscan.errors import InputError, SpacingError, UnreadableError
from volscan.readers import RawLayout, open_scan

from .contract import SPACING_UM, ReaderContract

Z_UM, Y_UM, X_UM = SPACING_UM
_MM = tuple(s / 1000 for s in SPACING_UM[::-1])


def _image(samples: np.ndarray) -> sitk.Image:
    image = sitk.GetImageFromArray(samples)
    image.SetSpacing(_MM)
    return image


class TestMetaImageAttached(ReaderContract):
    def write(self, folder, samples):
        sitk.WriteImage(_image(samples), str(folder / "scan.mha"))
        return folder / "scan.mha"


class TestMetaImageDetached(ReaderContract):
    def write(self, folder, samples):
        sitk.WriteImage(_image(samples), str(folder / "scan.mhd"))
        return folder / "scan.mhd"

    def payload(self, path):
        return path.with_name("scan.raw")


class TestMetaImageCompressed(ReaderContract):
    is_mapped = False

    def write(self, folder, samples):
        sitk.WriteImage(_image(samples), str(folder / "scan.mha"), useCompression=True)
        return folder / "scan.mha"


class TestNrrdWithoutUnit(ReaderContract):
    """SimpleITK writes space directions and no space units: the unit is not told."""

    tells_spacing = False

    def write(self, folder, samples):
        sitk.WriteImage(_image(samples), str(folder / "scan.nrrd"))
        return folder / "scan.nrrd"


class TestNrrdWithUnit(ReaderContract):
    def write(self, folder, samples):
        sitk.WriteImage(_image(samples), str(folder / "scan.nrrd"))
        data = (folder / "scan.nrrd").read_bytes()
        units = b'space units: "mm" "mm" "mm"\n\n'
        (folder / "scan.nrrd").write_bytes(data.replace(b"\n\n", b"\n" + units, 1))
        return folder / "scan.nrrd"


class TestNrrdDetached(ReaderContract):
    tells_spacing = False

    def write(self, folder, samples):
        sitk.WriteImage(_image(samples), str(folder / "scan.nhdr"))
        return folder / "scan.nhdr"

    def payload(self, path):
        return path.with_name("scan.raw")


class TestNrrdCompressed(ReaderContract):
    tells_spacing = False
    is_mapped = False

    def write(self, folder, samples):
        sitk.WriteImage(_image(samples), str(folder / "scan.nrrd"), useCompression=True)
        return folder / "scan.nrrd"


def _nifti(samples: np.ndarray, path: Path, kind: type = nib.Nifti1Image) -> Path:
    image = kind(samples.T, np.diag([X_UM, Y_UM, Z_UM, 1]))
    image.header.set_xyzt_units("micron")
    image.to_filename(path)
    return path


class TestNifti1(ReaderContract):
    def write(self, folder, samples):
        return _nifti(samples, folder / "scan.nii")


class TestNifti1Gzipped(ReaderContract):
    is_mapped = False

    def write(self, folder, samples):
        return _nifti(samples, folder / "scan.nii.gz")


class TestNifti2(ReaderContract):
    def write(self, folder, samples):
        return _nifti(samples, folder / "scan.nii", nib.Nifti2Image)


class TestNiftiBigEndian(ReaderContract):
    is_mapped = False

    def write(self, folder, samples):
        header = nib.Nifti1Header(endianness=">")
        header.set_data_dtype(samples.dtype)
        header.set_xyzt_units("micron")
        affine = np.diag([X_UM, Y_UM, Z_UM, 1])
        nib.Nifti1Image(samples.T, affine, header).to_filename(folder / "scan.nii")
        assert (folder / "scan.nii").read_bytes()[:4] == (348).to_bytes(4, "big")
        return folder / "scan.nii"


class TestNumPy(ReaderContract):
    tells_spacing = False

    def write(self, folder, samples):
        np.save(folder / "scan.npy", samples)
        return folder / "scan.npy"


class TestNumPyFortranOrder(ReaderContract):
    tells_spacing = False

    def write(self, folder, samples):
        np.save(folder / "scan.npy", np.asfortranarray(samples))
        return folder / "scan.npy"


class TestRaw(ReaderContract):
    """The layout stands beside the file, as a user would type it."""

    tells_spacing = False
    layouts: dict = {}  # noqa: RUF012 - filled by `write`, by path

    def write(self, folder, samples):
        (folder / "scan.raw").write_bytes(b"0123456789" + samples.tobytes())
        self.layouts[folder] = RawLayout(samples.shape, samples.dtype.name, offset=10)
        return folder / "scan.raw"

    def opened(self, path, **more):
        return super().opened(path, raw=self.layouts[path.parent], **more)

    def test_spacing_is_told_or_asked_for(self, tmp_path):
        path = self.write(tmp_path, np.zeros((4, 5, 6), np.uint8))
        with pytest.raises(SpacingError, match="--voxel-um"):
            open_scan(path, raw=self.layouts[tmp_path])

    def test_the_users_spacing_wins_and_a_disagreement_is_named(self, tmp_path):
        path = self.write(tmp_path, np.zeros((4, 5, 6), np.uint8))
        volume = self.opened(path, voxel_um=9.0)
        assert volume.spacing_um == (9.0, 9.0, 9.0)
        assert volume.notices == ()


_OME = {
    "axes": "ZYX",
    "PhysicalSizeX": X_UM,
    "PhysicalSizeXUnit": "µm",
    "PhysicalSizeY": Y_UM,
    "PhysicalSizeYUnit": "µm",
    "PhysicalSizeZ": Z_UM / 1000,
    "PhysicalSizeZUnit": "mm",
}


class TestOmeTiff(ReaderContract):
    def write(self, folder, samples):
        path = folder / "scan.ome.tif"
        tifffile.imwrite(path, samples, ome=True, photometric="minisblack", metadata=_OME)
        return path


class TestOmeTiffCompressedTiles(ReaderContract):
    is_mapped = False

    def write(self, folder, samples):
        path = folder / "scan.ome.tif"
        tifffile.imwrite(
            path,
            samples,
            ome=True,
            photometric="minisblack",
            compression="lzw",
            tile=(16, 16),
            metadata=_OME,
        )
        return path


class TestImageJTiff(ReaderContract):
    """Big-endian, as ImageJ writes them; uint8 and float32 are its other types."""

    is_mapped = False
    dtypes = ("uint8", "uint16", "float32")

    def write(self, folder, samples):
        tifffile.imwrite(
            folder / "scan.tif",
            samples,
            imagej=True,
            byteorder=">",
            resolution=(1 / X_UM, 1 / Y_UM),
            metadata={"axes": "ZYX", "spacing": Z_UM, "unit": "\\u00B5m"},
        )
        return folder / "scan.tif"


class TestPlainTiff(ReaderContract):
    """Resolution tags alone (here 2.25 µm, in cm) say nothing of the slices' distance."""

    tells_spacing = False

    def write(self, folder, samples):
        tifffile.imwrite(
            folder / "scan.tif",
            samples,
            photometric="minisblack",
            resolution=(1e4 / X_UM, 1e4 / Y_UM),
            resolutionunit="CENTIMETER",
            metadata=None,
        )
        return folder / "scan.tif"


class TestBigTiff(ReaderContract):
    tells_spacing = False

    def write(self, folder, samples):
        path = folder / "scan.tif"
        tifffile.imwrite(path, samples, bigtiff=True, photometric="minisblack", metadata=None)
        return path


class TestFolderOfTiff(ReaderContract):
    tells_spacing = False
    is_mapped = False

    def write(self, folder, samples):
        (folder / "slices").mkdir()
        for z, one in enumerate(samples):
            # From 8 to 11: in alphabetical order 10 would come before 8.
            tifffile.imwrite(folder / "slices" / f"patch_{z + 8}.tif", one, metadata=None)
        return folder / "slices"

    def payload(self, path):
        return path / "patch_9.tif"


class TestFolderOfPng(ReaderContract):
    tells_spacing = False
    is_mapped = False
    dtypes = ("uint8", "uint16")

    def write(self, folder, samples):
        (folder / "slices").mkdir()
        for z, one in enumerate(samples):
            Image.fromarray(one).save(folder / "slices" / f"patch_{z:04d}.png")
        return folder / "slices"

    def payload(self, path):
        return path / "patch_0001.png"


def write_dicom(path: Path, samples: np.ndarray, **tags: object) -> None:
    """Write one CT slice with pydicom; keywords replace or add tags."""
    data = pydicom.Dataset()
    data.file_meta = pydicom.dataset.FileMetaDataset()
    data.file_meta.TransferSyntaxUID = pydicom.uid.ExplicitVRLittleEndian
    data.SOPClassUID = pydicom.uid.CTImageStorage
    # Roots under 1.2.826.0.1.3680043.8.498 are pydicom's for tests and examples.
    data.SOPInstanceUID = f"1.2.826.0.1.3680043.8.498.{zlib.crc32(path.name.encode())}"
    data.SeriesInstanceUID = "1.2.826.0.1.3680043.8.498.1"
    data.Modality = "CT"
    data.Rows, data.Columns = samples.shape
    data.SamplesPerPixel = 1
    data.PhotometricInterpretation = "MONOCHROME2"
    data.BitsAllocated = data.BitsStored = 8 * samples.dtype.itemsize
    data.HighBit = data.BitsStored - 1
    data.PixelRepresentation = int(samples.dtype.kind == "i")
    data.PixelData = samples.tobytes()
    data.PixelSpacing = [Y_UM / 1000, X_UM / 1000]
    data.ImageOrientationPatient = [1, 0, 0, 0, 1, 0]
    for name, value in tags.items():
        setattr(data, name, value)
    data.save_as(path, enforce_file_format=True)


class TestDicomSeries(ReaderContract):
    """File names in reverse of the positions; thickness is not the distance of the slices."""

    is_mapped = False
    dtypes = ("uint8", "uint16", "int16")

    def write(self, folder, samples):
        (folder / "series").mkdir()
        for z, one in enumerate(samples):
            write_dicom(
                folder / "series" / f"im{90 - z}",
                one,
                ImagePositionPatient=[0, 0, z * Z_UM / 1000],
                InstanceNumber=z + 1,
                SliceThickness=0.007,
            )
        return folder / "series"

    def payload(self, path):
        return path / "im89"

    def test_an_empty_file_and_a_pointer_are_refused(self, tmp_path):
        """Without an ending such a file is no slice, and the series then has a gap."""
        path = self.write(tmp_path, np.zeros((4, 5, 6), np.uint8))
        (path / "im89").write_bytes(b"")
        with pytest.raises(InputError, match="unevenly spaced"):
            self.opened(path)


def test_a_gzipped_file_that_is_no_nifti_is_an_archive(tmp_path):
    (tmp_path / "scan.npy.gz").write_bytes(gzip.compress(b"anything" * 100))
    with pytest.raises(UnreadableError, match="unpack"):
        open_scan(tmp_path / "scan.npy.gz")
