"""The two formats with text headers: units, directions, payloads that do not fit."""

import bz2
import gzip
import zlib

import numpy as np
import pytest
import SimpleITK as sitk

from volscan.errors import InputError, SpacingError, UnreadableError
from volscan.readers import open_scan

from .contract import numbers, one_line

STACK = numbers()
LITTLE = STACK.astype("<u2").tobytes()


def nrrd(path, *lines, data=LITTLE, skip=()):
    """Write a NRRD by hand; a line replaces the default line of the same field."""
    fields = {
        "type": "uint16",
        "dimension": "3",
        "sizes": "6 5 4",
        "endian": "little",
        "encoding": "raw",
    }
    fields |= dict(line.split(": ", 1) for line in lines)
    text = "\n".join(f"{k}: {v}" for k, v in fields.items() if k not in skip)
    path.write_bytes(f"NRRD0005\n# comment\n{text}\nmaker:=somebody\n\n".encode() + data)
    return path


# The examples follow the "Definition of NRRD File Format", teem.sourceforge.net/nrrd/format.html,
# sections 4 (space units, space directions) and 6 (spacings, units).
@pytest.mark.parametrize(
    ("lines", "spacing_um"),
    [
        (("spacings: 2.25 2.5 4", 'units: "um" "um" "um"'), (4, 2.5, 2.25)),
        (("spacings: 0.002 2.5 4", 'units: "mm" "microns" "µm"'), (4, 2.5, 2)),
        (
            (
                "space: right-anterior-superior",
                "space directions: (0.002,0,0) (0,0.0025,0) (0,0,0.004)",
                'space units: "mm" "mm" "mm"',
            ),
            (4, 2.5, 2),
        ),
        (
            (
                "space dimension: 3",
                "space directions: (0,3,0) (-4,0,0) (0,0,5)",
                'space units: "um" "um" "um"',
            ),
            (5, 4, 3),
        ),
    ],
)
def test_nrrd_spacing(tmp_path, lines, spacing_um):
    volume = open_scan(nrrd(tmp_path / "a.nrrd", *lines))
    np.testing.assert_array_equal(volume.samples, STACK)
    assert volume.spacing_um == pytest.approx(spacing_um, rel=1e-9)
    assert volume.spacing_from == "NRRD header"
    assert volume.notices == ()


@pytest.mark.parametrize(
    "lines",
    [
        (),
        ("spacings: 1 1 1",),
        ("spacings: 1 1 1", 'units: "pixel" "pixel" "pixel"'),
        ("space: left-posterior-superior", "space directions: (1,0,0) (0,1,0) (0,0,1)"),
    ],
)
def test_nrrd_without_a_unit_is_asked_for(tmp_path, lines):
    with pytest.raises(SpacingError, match="--voxel-um"):
        open_scan(nrrd(tmp_path / "a.nrrd", *lines))


def test_nrrd_spacing_of_nan(tmp_path):
    path = nrrd(tmp_path / "a.nrrd", "spacings: 1 1 nan", 'units: "um" "um" "um"')
    with pytest.raises(SpacingError, match="cannot be"):
        open_scan(path)


def test_nrrd_handedness_of_the_named_space(tmp_path):
    directions = "space directions: (1,0,0) (0,1,0) (0,0,1)"
    path = nrrd(tmp_path / "a.nrrd", "space: left-anterior-superior", directions)
    assert [n.code for n in open_scan(path, voxel_um=1).notices] == ["axes_left_handed"]


def test_nrrd_encodings_and_byte_orders(tmp_path):
    big = STACK.astype(">u2").tobytes()
    for encoding, data in (
        ("gzip", gzip.compress(LITTLE)),
        ("gz", gzip.compress(LITTLE)),
        ("bz2", bz2.compress(LITTLE)),
    ):
        path = nrrd(tmp_path / "a.nrrd", f"encoding: {encoding}", data=data)
        np.testing.assert_array_equal(open_scan(path, voxel_um=1).samples, STACK)
    path = nrrd(tmp_path / "a.nrrd", "endian: big", data=big)
    np.testing.assert_array_equal(open_scan(path, voxel_um=1).samples, STACK)
    path = nrrd(tmp_path / "a.nrrd", "byte skip: -1", data=b"some header" + LITTLE)
    np.testing.assert_array_equal(open_scan(path, voxel_um=1).samples, STACK)
    path = nrrd(tmp_path / "a.nrrd", "line skip: 2", "byte skip: 3", data=b"a\nb\nccc" + LITTLE)
    np.testing.assert_array_equal(open_scan(path, voxel_um=1).samples, STACK)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (("encoding: ascii",), "encoded as ascii"),
        (("type: block",), "type is block"),
        (("sizes: 6 5 2 2", "dimension: 4"), "three axes"),
        (("kinds: domain domain time",), "time"),
        (("kinds: RGB-color domain domain",), "rgb-color"),
        (("data file: LIST",), "several files"),
    ],
)
def test_nrrd_that_is_no_scan(tmp_path, lines, words):
    with pytest.raises(InputError, match=words) as error:
        open_scan(nrrd(tmp_path / "a.nrrd", *lines), voxel_um=1)
    one_line(error)


def test_nrrd_without_byte_order(tmp_path):
    with pytest.raises(UnreadableError, match="byte order"):
        open_scan(nrrd(tmp_path / "a.nrrd", skip=("endian",)), voxel_um=1)


@pytest.mark.parametrize(("change", "word"), [(LITTLE[:-1], "truncated"), (LITTLE + b"1", "too")])
def test_nrrd_payload_that_does_not_fit(tmp_path, change, word):
    with pytest.raises(UnreadableError, match=word):
        open_scan(nrrd(tmp_path / "a.nrrd", data=change), voxel_um=1)
    packed = nrrd(tmp_path / "a.nrrd", "encoding: gzip", data=gzip.compress(change))
    with pytest.raises(UnreadableError, match=word):
        open_scan(packed, voxel_um=1)


def test_nrrd_that_asks_for_terabytes(tmp_path):
    path = nrrd(
        tmp_path / "a.nrrd", "sizes: 90000 90000 90000", "encoding: gzip", data=gzip.compress(b"1")
    )
    with pytest.raises(UnreadableError, match="its header asks for"):
        open_scan(path, voxel_um=1)


def metaimage(path, *lines, data=LITTLE):
    fields = {
        "ObjectType": "Image",
        "NDims": "3",
        "ElementSpacing": "0.002 0.0025 0.004",
        "DimSize": "6 5 4",
        "ElementType": "MET_USHORT",
    }
    fields |= dict(line.split(" = ", 1) for line in lines)
    fields["ElementDataFile"] = fields.pop("ElementDataFile", "LOCAL")
    path.write_bytes("".join(f"{k} = {v}\n" for k, v in fields.items()).encode() + data)
    return path


# MetaIO documentation (ITK, Documentation/docs/learn/metaio.md): positions are in millimetres,
# spacing in the same unit; "to specify a 1x1x3mm voxel spacing, use ElementSpacing = 1 1 3".
@pytest.mark.parametrize(
    ("line", "spacing_um"),
    [
        ("ElementSpacing = 1 1 3", (3000, 1000, 1000)),
        ("ElementSpacing = 0.0023 0.0023 0.0041", (4.1, 2.3, 2.3)),
        # metaTypes.h: MET_DistanceUnitsTypeName "um", "mm", "cm".
        ("DistanceUnits = um", (0.004, 0.0025, 0.002)),
        ("DistanceUnits = mm", (4, 2.5, 2)),
        ("DistanceUnits = cm", (40, 25, 20)),
    ],
)
def test_metaimage_spacing(tmp_path, line, spacing_um):
    volume = open_scan(metaimage(tmp_path / "a.mha", line))
    np.testing.assert_array_equal(volume.samples, STACK)
    assert volume.spacing_um == pytest.approx(spacing_um, rel=1e-9)


def test_metaimage_without_spacing_is_asked_for(tmp_path):
    # Its documentation assumes 1 then; that would be a guess.
    path = metaimage(tmp_path / "a.mha")
    text = path.read_bytes().replace(b"ElementSpacing = 0.002 0.0025 0.004\n", b"")
    path.write_bytes(text)
    with pytest.raises(SpacingError, match="gives no ElementSpacing"):
        open_scan(path)
    path.write_bytes(text.replace(b"DimSize", b"ElementSize = 1 2 3\nDimSize"))
    assert open_scan(path).spacing_um == (3000, 2000, 1000)


def test_metaimage_spacing_of_zero(tmp_path):
    with pytest.raises(SpacingError, match="cannot be"):
        open_scan(metaimage(tmp_path / "a.mha", "ElementSpacing = 0 0 1"))


def test_metaimage_skips_a_header_in_the_data_file(tmp_path):
    (tmp_path / "a.dat").write_bytes(b"0123456" + LITTLE)
    for size in ("7", "-1"):
        path = metaimage(
            tmp_path / "a.mhd", f"HeaderSize = {size}", "ElementDataFile = a.dat", data=b""
        )
        np.testing.assert_array_equal(open_scan(path).samples, STACK)
    assert open_scan(path).source.format == "MetaImage"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("ElementNumberOfChannels = 3", "3 channels"),
        ("DimSize = 6 5 2 2", "one 3-D stack"),
        ("ElementType = MET_ASCII_CHAR", "ElementType is MET_ASCII_CHAR"),
        ("BinaryData = False", "as text"),
        ("ElementDataFile = LIST", "several files"),
        ("ElementDataFile = slice%03d.raw 1 4 1", "several files"),
        ("ElementDataFile = lost.raw", "lost.raw: no such file"),
    ],
)
def test_metaimage_that_is_no_scan(tmp_path, line, words):
    with pytest.raises(InputError, match=words) as error:
        open_scan(metaimage(tmp_path / "a.mha", line))
    one_line(error)


@pytest.mark.parametrize(("change", "word"), [(LITTLE[:-1], "truncated"), (LITTLE + b"1", "too")])
def test_metaimage_payload_that_does_not_fit(tmp_path, change, word):
    with pytest.raises(UnreadableError, match=word):
        open_scan(metaimage(tmp_path / "a.mha", data=change))
    packed = metaimage(tmp_path / "a.mha", "CompressedData = True", data=zlib.compress(change))
    with pytest.raises(UnreadableError, match=word):
        open_scan(packed)


def test_a_metaimage_header_that_stops(tmp_path):
    path = metaimage(tmp_path / "a.mha")
    path.write_bytes(path.read_bytes().split(b"ElementDataFile")[0])
    with pytest.raises(UnreadableError, match="stops before"):
        open_scan(path)


def test_metaimage_directions_as_simpleitk_writes_them(tmp_path):
    image = sitk.GetImageFromArray(STACK)
    image.SetSpacing((0.002, 0.0025, 0.004))
    # Directions: x along world y, y along world -x (right-handed); then mirrored in z.
    for sign, codes in ((1, []), (-1, ["axes_left_handed"])):
        image.SetDirection((0, -1, 0, 1, 0, 0, 0, 0, sign))
        sitk.WriteImage(image, str(tmp_path / "a.mha"))
        volume = open_scan(tmp_path / "a.mha")
        assert volume.spacing_um == pytest.approx((4, 2.5, 2), rel=1e-9)
        assert [n.code for n in volume.notices] == codes
