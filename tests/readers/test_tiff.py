"""TIFF: where the voxel size stands, what is no stack of grey slices, and damaged files."""

import struct

import numpy as np
import pytest
import tifffile

from volscan.errors import InputError, SpacingError, UnreadableError
from volscan.readers import open_scan

from .contract import numbers, one_line

STACK = numbers()


def ome(path, samples=STACK, **sizes):
    metadata = {"axes": "ZYX", **sizes}
    tifffile.imwrite(path, samples, ome=True, photometric="minisblack", metadata=metadata)
    return path


def imagej(path, *, resolution=(0.4, 0.4), **metadata):
    tifffile.imwrite(
        path, STACK, imagej=True, resolution=resolution, metadata={"axes": "ZYX", **metadata}
    )
    return path


@pytest.mark.parametrize(
    ("unit", "um"),
    [("µm", 1.0), ("μm", 1.0), ("nm", 1e-3), ("mm", 1e3), ("cm", 1e4), ("m", 1e6), ("in", 25400)],
)
def test_ome_units(tmp_path, unit, um):
    # The units are those of UnitsLength in the OME schema, ome.xsd 2016-06.
    sizes = {f"PhysicalSize{a}": v for a, v in zip("ZYX", (3.0, 2.0, 1.5), strict=True)}
    units = {f"PhysicalSize{a}Unit": unit for a in "ZYX"}
    volume = open_scan(ome(tmp_path / "a.tif", **sizes, **units))
    assert volume.spacing_um == pytest.approx((3 * um, 2 * um, 1.5 * um), rel=1e-9)
    assert volume.spacing_from == "OME-XML"


def test_ome_unit_defaults_to_micrometre(tmp_path):
    # ome.xsd: attribute PhysicalSizeXUnit, default "µm".
    path = ome(tmp_path / "a.tif", PhysicalSizeX=2.0, PhysicalSizeY=2.0, PhysicalSizeZ=3.0)
    assert open_scan(path).spacing_um == (3.0, 2.0, 2.0)


def test_ome_without_the_slices_distance_is_asked_for(tmp_path):
    path = ome(tmp_path / "a.tif", PhysicalSizeX=2.0, PhysicalSizeY=2.0)
    with pytest.raises(SpacingError, match="PhysicalSizeZ"):
        open_scan(path)
    # What the file does tell is still held against the user's number.
    assert [n.code for n in open_scan(path, voxel_um=3.0).notices] == ["voxel_size_overridden"]
    assert open_scan(path, voxel_um=(3.0, 2.0, 2.0)).notices == ()


@pytest.mark.parametrize("unit", ["pixel", "reference frame"])
def test_ome_units_that_are_no_length(tmp_path, unit):
    sizes = {f"PhysicalSize{a}": 1.0 for a in "ZYX"}
    units = {f"PhysicalSize{a}Unit": unit for a in "ZYX"}
    with pytest.raises(SpacingError, match="no length"):
        open_scan(ome(tmp_path / "a.tif", **sizes, **units))


def test_ome_spacing_of_zero_is_refused_or_replaced(tmp_path):
    sizes = {f"PhysicalSize{a}": 2.0 for a in "YX"}
    path = ome(tmp_path / "a.tif", PhysicalSizeZ=0.0, **sizes)
    with pytest.raises(SpacingError, match="cannot be") as error:
        open_scan(path)
    one_line(error)
    volume = open_scan(path, voxel_um=2.0)
    assert [n.code for n in volume.notices] == ["header_spacing_unusable"]


@pytest.mark.parametrize("unit", ["um", "micron", "microns", "\\u00B5m", "micrometer"])
def test_imagej_units(tmp_path, unit):
    volume = open_scan(imagej(tmp_path / "a.tif", spacing=3.5, unit=unit))
    # 0.4 pixels for each micrometre, stored as a fraction of 32-bit integers.
    assert volume.spacing_um == pytest.approx((3.5, 2.5, 2.5), rel=1e-6)
    assert volume.spacing_from == "ImageJ metadata"


@pytest.mark.parametrize(
    ("metadata", "words"),
    [
        ({"spacing": 3.0, "unit": "pixel"}, "no length"),
        ({"spacing": 3.0}, "no unit"),
        ({"unit": "um"}, "no spacing"),
    ],
)
def test_imagej_that_tells_half_of_it(tmp_path, metadata, words):
    with pytest.raises(SpacingError, match=words):
        open_scan(imagej(tmp_path / "a.tif", **metadata))


@pytest.mark.parametrize("axes", ["TYX", "CYX", "TZYX", "ZCYX"])
def test_time_series_and_channels_are_no_stack(tmp_path, axes):
    samples = STACK if len(axes) == 3 else np.stack([STACK, STACK], axis=axes.index("Z") ^ 1)
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, samples, ome=True, photometric="minisblack", metadata={"axes": axes})
    with pytest.raises(InputError, match=r"time points|channels") as error:
        open_scan(path, voxel_um=1)
    assert "export one grey" in one_line(error)


def test_colour_is_refused(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((4, 5, 6, 3), np.uint8), photometric="rgb")
    with pytest.raises(InputError, match="colour"):
        open_scan(tmp_path / "a.tif", voxel_um=1)
    palette = np.zeros((3, 256), np.uint16)
    with tifffile.TiffWriter(tmp_path / "b.tif") as tif:
        for one in STACK.astype(np.uint8):
            tif.write(one, photometric="palette", colormap=palette, metadata=None)
    with pytest.raises(InputError, match="colour map"):
        open_scan(tmp_path / "b.tif", voxel_um=1)


def test_pages_of_different_size_are_refused(tmp_path):
    with tifffile.TiffWriter(tmp_path / "a.tif") as tif:
        for size in (5, 5, 4):
            tif.write(np.zeros((size, 6), np.uint16), metadata=None)
    with pytest.raises(InputError, match="different size"):
        open_scan(tmp_path / "a.tif", voxel_um=1)


def test_complex_samples_are_refused(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", STACK.astype(np.complex64), photometric="minisblack")
    with pytest.raises(InputError, match="complex64"):
        open_scan(tmp_path / "a.tif", voxel_um=1)


def test_one_bit_masks_become_0_and_1(tmp_path):
    mask = STACK % 3 == 0
    tifffile.imwrite(tmp_path / "a.tif", mask, photometric="minisblack", metadata=None)
    samples = open_scan(tmp_path / "a.tif", voxel_um=1).samples
    assert samples.dtype == np.uint8
    np.testing.assert_array_equal(samples, mask)


def test_twelve_bit_samples_keep_their_values(tmp_path):
    # Two 12-bit numbers in three bytes, most significant first (TIFF 6.0, BitsPerSample): written
    # by hand, since few writers make such files.
    pairs = [(0x123, 0xABC), (0xFFF, 0x001)]
    strip = b"".join(((a << 12) | b).to_bytes(3, "big") for a, b in pairs)
    pages = b""
    at = 8
    for k in range(2):
        entries = [
            (256, 4, 2),
            (257, 4, 2),
            (258, 3, 12),
            (259, 3, 1),
            (262, 3, 1),
            (273, 4, at),
            (278, 4, 2),
            (279, 4, len(strip)),
        ]
        directory = struct.pack("<H", len(entries))
        for tag, kind, value in entries:
            directory += struct.pack("<HHII", tag, kind, 1, value)
        end = at + 6 + len(directory) + 4
        pages += strip + directory + struct.pack("<I", end + 6 if k == 0 else 0)
        at = end
    (tmp_path / "a.tif").write_bytes(struct.pack("<2sHI", b"II", 42, 8 + 6) + pages)
    samples = open_scan(tmp_path / "a.tif", voxel_um=1).samples
    np.testing.assert_array_equal(samples[0], pairs)
    np.testing.assert_array_equal(samples[1], pairs)


def test_display_tags_are_told_and_not_applied(tmp_path):
    tifffile.imwrite(
        tmp_path / "a.tif",
        STACK,
        photometric="miniswhite",
        metadata=None,
        extratags=[(274, "H", 1, 2, True)],
    )
    volume = open_scan(tmp_path / "a.tif", voxel_um=1)
    np.testing.assert_array_equal(volume.samples, STACK)
    assert [n.code for n in volume.notices] == ["orientation_tag_ignored", "stored_inverted"]


def tiny_tiff(width, height, *, strip_bytes, compression=1, loops=False):
    """A TIFF of one directory, of any claimed size (layout: TIFF 6.0, section 2)."""
    entries = [
        (256, 4, width),
        (257, 4, height),
        (258, 3, 16),
        (259, 3, compression),
        (262, 3, 1),
        (273, 4, 8),
        (277, 3, 1),
        (278, 4, height),
        (279, 4, strip_bytes),
    ]
    directory = struct.pack("<H", len(entries))
    for tag, kind, value in entries:
        directory += struct.pack("<HHII", tag, kind, 1, value)
    at = 8 + 140
    directory += struct.pack("<I", at if loops else 0)
    return struct.pack("<2sHI", b"II", 42, at) + bytes(140) + directory


@pytest.mark.parametrize("compression", [1, 5, 8])
def test_a_tiny_file_that_asks_for_terabytes(tmp_path, compression):
    # 1.4 million × 1.4 million × 2 bytes = 3.6 TiB in 262 bytes.
    data = tiny_tiff(1_400_000, 1_400_000, strip_bytes=100, compression=compression)
    assert len(data) == 262
    for z in (1, 2):
        (tmp_path / f"a{z}.tif").write_bytes(data)
    with pytest.raises(UnreadableError) as error:
        open_scan(tmp_path, voxel_um=1)
    assert "GiB" in one_line(error)


def test_directories_that_loop(tmp_path):
    (tmp_path / "a.tif").write_bytes(tiny_tiff(4, 4, strip_bytes=32, loops=True))
    with pytest.raises(UnreadableError, match="loop"):
        open_scan(tmp_path / "a.tif", voxel_um=1)


def test_a_longer_loop(tmp_path):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, STACK, photometric="minisblack", metadata=None)
    with tifffile.TiffFile(path) as tif:
        second, last = tif.pages[1].offset, tif.pages[3].offset
    data = bytearray(path.read_bytes())
    (count,) = struct.unpack_from("<H", data, last)
    struct.pack_into("<I", data, last + 2 + 12 * count, second)
    path.write_bytes(data)
    with pytest.raises(UnreadableError, match="loop"):
        open_scan(path, voxel_um=1)


def test_a_missing_tile_is_refused_and_not_read_as_zeros(tmp_path):
    path = tmp_path / "a.tif"
    big = numbers(shape=(2, 32, 32))
    tifffile.imwrite(
        path, big, photometric="minisblack", tile=(16, 16), compression="zlib", metadata=None
    )
    with tifffile.TiffFile(path, mode="r+") as tif:
        tag = tif.pages[1].tags["TileByteCounts"]
        tag.overwrite([0, *tag.value[1:]])
    with pytest.raises(UnreadableError, match="slice 2 of 2 lacks part"):
        open_scan(path, voxel_um=1)


def test_a_text_file_renamed(tmp_path):
    (tmp_path / "a.tif").write_text("not a picture at all\n" * 40)
    with pytest.raises(UnreadableError, match="text, not a scan") as error:
        open_scan(tmp_path / "a.tif", voxel_um=1)
    one_line(error)


def test_one_file_of_an_ome_set_is_refused(tmp_path):
    path = ome(tmp_path / "a.tif", **{f"PhysicalSize{a}": 1.0 for a in "ZYX"})
    with tifffile.TiffFile(path) as tif:
        xml = tif.ome_metadata
    part = '<TiffData FirstZ="{z}" IFD="0" PlaneCount="1"><UUID FileName="b{z}.tif">urn:uuid:{z}'
    parts = "".join((part + "</UUID></TiffData>").format(z=z) for z in range(4))
    head, tail = xml.split("<TiffData")[0], xml.split("/>")[-1]
    tifffile.imwrite(path, STACK[0], description=(head + parts + tail).encode(), metadata=None)
    with pytest.raises(InputError):
        open_scan(path)
