"""What `open_scan` does whatever the format: raw layouts, refusals, the user's spacing."""

import numpy as np
import pytest

from volscan.errors import InputError, SettingsError, SpacingError, UnreadableError
from volscan.readers import RawLayout, open_scan
from volscan.readers.units import micrometres_in

from .contract import numbers, one_line

STACK = numbers()


def refused(path, words, kind=UnreadableError, **how):
    with pytest.raises(kind, match=words) as error:
        open_scan(path, **how)
    assert str(path) in one_line(error)


def test_missing_and_unknown_files(tmp_path):
    refused(tmp_path / "nothing.tif", "no such file")
    (tmp_path / "a.bin").write_bytes(bytes(range(256)) * 4)
    refused(tmp_path / "a.bin", "--raw-shape")
    (tmp_path / "a.zip").write_bytes(b"PK\x03\x04" + bytes(100))
    refused(tmp_path / "a.zip", "unpack")
    (tmp_path / "a.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    refused(tmp_path / "a.png", "give the folder", InputError)
    (tmp_path / "a.mha").write_text("Dear colleague,\nhere is the scan = good\n")
    refused(tmp_path / "a.mha", "text, not a scan")


def test_raw_in_both_byte_orders_with_an_offset(tmp_path):
    for order, code in (("little", "<"), ("big", ">")):
        for dtype in ("uint16", "int16", "float32", "uint8"):
            stored = STACK.astype(np.dtype(dtype).newbyteorder(code))
            (tmp_path / "a.raw").write_bytes(b"head" + stored.tobytes())
            layout = RawLayout((4, 5, 6), dtype, order, 4)
            volume = open_scan(tmp_path / "a.raw", voxel_um=2, raw=layout)
            assert volume.samples.dtype == np.dtype(dtype)
            np.testing.assert_array_equal(volume.samples, STACK)


def test_raw_length_must_fit_and_both_numbers_are_named(tmp_path):
    STACK.tofile(tmp_path / "a.raw")
    for shape, need in (((4, 5, 7), "280"), ((4, 5, 5), "200")):
        with pytest.raises(UnreadableError, match=need) as error:
            open_scan(tmp_path / "a.raw", voxel_um=1, raw=RawLayout(shape, "uint16"))
        assert "240" in one_line(error)
    refused(tmp_path, "a folder", voxel_um=1, raw=RawLayout((4, 5, 6), "uint16"))


@pytest.mark.parametrize(
    ("layout", "words"),
    [
        ({"shape": (4, 5), "dtype": "uint8"}, "three positive"),
        ({"shape": (4, 5, 0), "dtype": "uint8"}, "three positive"),
        ({"shape": (4, 5, 6), "dtype": "complex64"}, "number type"),
        ({"shape": (4, 5, 6), "dtype": "grey"}, "number type"),
        ({"shape": (4, 5, 6), "dtype": "uint8", "byte_order": "middle"}, "little or big"),
        ({"shape": (4, 5, 6), "dtype": "uint8", "offset": -1}, "negative"),
    ],
)
def test_raw_layouts_that_cannot_be(layout, words):
    with pytest.raises(SettingsError, match=words):
        RawLayout(**layout)


@pytest.mark.parametrize("bad", [0, -1, np.nan, np.inf, (1, 2), (1, 2, 0)])
def test_spacing_that_cannot_be_given(tmp_path, bad):
    np.save(tmp_path / "a.npy", STACK)
    with pytest.raises(SettingsError, match="voxel spacing"):
        open_scan(tmp_path / "a.npy", voxel_um=bad)


def test_spacing_for_each_axis(tmp_path):
    np.save(tmp_path / "a.npy", STACK)
    assert open_scan(tmp_path / "a.npy", voxel_um=(3, 2, 1)).spacing_um == (3, 2, 1)
    with pytest.raises(SpacingError):
        open_scan(tmp_path / "a.npy")


def test_modality(tmp_path):
    np.save(tmp_path / "a.npy", STACK)
    assert open_scan(tmp_path / "a.npy", voxel_um=1, modality="oct").modality == "oct"
    with pytest.raises(SettingsError, match="ct, oct"):
        open_scan(tmp_path / "a.npy", voxel_um=1, modality="mri")


@pytest.mark.parametrize(
    ("array", "words"),
    [
        (STACK.astype(complex), "complex128"),
        (np.array([[["a", "b"]] * 2] * 2), "one real number"),
        (np.zeros((2, 2, 2), [("a", "u1"), ("b", "u1")]), "one real number"),
        (STACK[0], "2-D array"),
        (np.stack([STACK] * 3), "4-D array"),
        (np.zeros((0, 3, 3), np.uint8), "no samples"),
    ],
)
def test_arrays_that_are_no_scan(tmp_path, array, words):
    np.save(tmp_path / "a.npy", array)
    refused(tmp_path / "a.npy", words, InputError, voxel_um=1)


def test_arrays_of_objects_are_never_unpickled(tmp_path):
    np.save(tmp_path / "a.npy", np.array([[[print]]], dtype=object), allow_pickle=True)
    refused(tmp_path / "a.npy", "one real number", InputError, voxel_um=1)


def test_a_boolean_array_becomes_a_mask(tmp_path):
    np.save(tmp_path / "a.npy", STACK > 50)
    samples = open_scan(tmp_path / "a.npy", voxel_um=1).samples
    assert samples.dtype == np.uint8
    np.testing.assert_array_equal(samples, STACK > 50)


def test_npy_longer_than_its_header_says(tmp_path):
    np.save(tmp_path / "a.npy", STACK)
    with (tmp_path / "a.npy").open("ab") as f:
        f.write(b"more")
    refused(tmp_path / "a.npy", "too long", voxel_um=1)


@pytest.mark.parametrize(
    ("word", "um"),
    [
        ("µm", 1),
        ("μm", 1),
        ("\\u00B5m", 1),
        ("\\u03bcm", 1),
        ("Âµm", 1),
        ("um", 1),
        ("Microns", 1),
        ("micrometre", 1),
        ("millimeters", 1e3),
        ("inches", 25400),
        ("Å", 1e-4),
        ("pixel", None),
        ("", None),
        ("s", None),
    ],
)
def test_units_as_files_write_them(word, um):
    assert micrometres_in(word) == um
