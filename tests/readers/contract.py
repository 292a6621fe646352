"""What every reader must do, whatever the format: a class to inherit from."""

from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest

from volscan.errors import InputError, SpacingError, UnreadableError
from volscan.readers import open_scan

SHAPE = (4, 5, 6)
# Three different values, each exact in decimal, so that a swapped axis shows.
SPACING_UM = (4.0, 2.5, 2.25)


def numbers(dtype: Any = np.uint16, shape: tuple[int, int, int] = SHAPE) -> np.ndarray:
    """Every voxel a value of its own, so that a swapped axis or byte shows."""
    return (np.arange(np.prod(shape)).reshape(shape) + 3).astype(dtype)


def one_line(error: pytest.ExceptionInfo[BaseException]) -> str:
    text = str(error.value)
    assert "\n" not in text
    assert text
    return text


class ReaderContract:
    """Subclasses say how other software writes the format.

    `write(folder, samples)` returns the path to open; `payload(path)` the file that a truncation
    is tried on.
    """

    tells_spacing: ClassVar[bool] = True
    is_mapped: ClassVar[bool] = True
    dtypes: ClassVar[tuple[str, ...]] = ("uint8", "uint16", "int16", "float32")

    def write(self, folder: Path, samples: np.ndarray) -> Path:
        raise AssertionError("a subclass writes")

    def payload(self, path: Path) -> Path:
        return path

    def opened(self, path: Path, **more: Any) -> Any:
        given = {} if self.tells_spacing else {"voxel_um": SPACING_UM}
        return open_scan(path, **(given | more))

    def test_samples_come_back_in_z_y_x_with_their_type(self, tmp_path):
        for dtype in self.dtypes:
            folder = tmp_path / dtype
            folder.mkdir()
            samples = numbers(dtype)
            volume = self.opened(self.write(folder, samples))
            assert volume.samples.dtype == samples.dtype
            assert volume.samples.dtype.isnative
            np.testing.assert_array_equal(volume.samples, samples)

    def test_samples_are_read_only_and_mapped_where_the_format_allows(self, tmp_path):
        volume = self.opened(self.write(tmp_path, numbers()))
        assert not volume.samples.flags.writeable
        with pytest.raises(ValueError, match="read-only"):
            volume.samples[0, 0, 0] = 1
        base = volume.samples
        while base is not None and not isinstance(base, np.memmap):
            base = base.base if isinstance(base, np.ndarray) else None
        assert (base is not None) == self.is_mapped

    def test_spacing_is_told_or_asked_for(self, tmp_path):
        path = self.write(tmp_path, numbers())
        if self.tells_spacing:
            volume = open_scan(path)
            # Single-precision headers carry seven digits.
            assert volume.spacing_um == pytest.approx(SPACING_UM, rel=1e-6)
            assert volume.spacing_from != "given by the user"
        else:
            with pytest.raises(SpacingError, match="--voxel-um") as error:
                open_scan(path)
            assert str(path) in one_line(error)

    def test_the_users_spacing_wins_and_a_disagreement_is_named(self, tmp_path):
        path = self.write(tmp_path, numbers())
        volume = open_scan(path, voxel_um=9.0)
        assert volume.spacing_um == (9.0, 9.0, 9.0)
        assert volume.spacing_from == "given by the user"
        found = [n for n in volume.notices if n.code == "voxel_size_overridden"]
        assert len(found) == self.tells_spacing
        if found:
            assert "9" in found[0].message
            assert "2.5" in found[0].message
        near = [s * 1.0005 for s in SPACING_UM]
        notices = open_scan(path, voxel_um=near).notices
        assert "voxel_size_overridden" not in [n.code for n in notices]

    def test_the_hash_follows_the_bytes(self, tmp_path):
        (tmp_path / "a").mkdir()
        (tmp_path / "b").mkdir()
        changed = numbers()
        changed[-1, -1, -1] += 1
        a = self.write(tmp_path / "a", numbers())
        b = self.write(tmp_path / "b", changed)
        assert self.opened(a).source.sha256 == self.opened(a).source.sha256
        assert self.opened(a).source.sha256 != self.opened(b).source.sha256
        assert len(self.opened(a).source.sha256) == 64

    def test_content_decides_and_not_the_name(self, tmp_path):
        path = self.write(tmp_path, numbers())
        if path.is_dir():
            renamed = path.with_name("anything.tif")
        else:
            renamed = path.with_name("anything.jpg")
        path.rename(renamed)
        np.testing.assert_array_equal(self.opened(renamed).samples, numbers())

    def test_a_truncated_file_is_refused(self, tmp_path):
        path = self.write(tmp_path, numbers(shape=(4, 40, 30)))
        victim = self.payload(path)
        data = victim.read_bytes()
        victim.write_bytes(data[: int(len(data) * 0.6)])
        with pytest.raises(UnreadableError) as error:
            self.opened(path)
        assert str(victim) in one_line(error) or str(path) in str(error.value)

    def test_an_empty_file_and_a_pointer_are_refused(self, tmp_path):
        path = self.write(tmp_path, numbers())
        victim = self.payload(path)
        victim.write_bytes(b"")
        with pytest.raises(UnreadableError, match="0 bytes"):
            self.opened(path)
        # The text of a pointer: github.com/git-lfs/git-lfs, docs/spec.md.
        victim.write_bytes(
            b"version https://git-lfs.github.com/spec/v1\n"
            b"oid sha256:4d7a214614ab2935c943f9e0ff69d22eadbb8f32b1258daaa5e2ca24d17e2393\n"
            b"size 12345\n"
        )
        with pytest.raises(UnreadableError, match="pointer"):
            self.opened(path)

    def answer(self, path: Path) -> str:
        try:
            return str(self.opened(path).shape)
        except InputError as error:
            return str(error)

    def test_damaged_bytes_are_read_or_refused_in_one_line(self, tmp_path):
        """Whatever stands in a file, the answer is a volume or one clear line."""
        random = np.random.default_rng(5)
        path = self.write(tmp_path, numbers(np.uint8, (4, 10, 12)))
        for victim in {path, self.payload(path)} - {path if path.is_dir() else None}:
            sound = victim.read_bytes()
            for _ in range(8):
                data = bytearray(sound)
                for at in random.integers(0, min(len(data), 600), random.integers(1, 8)):
                    data[at] = random.integers(256)
                victim.write_bytes(data[: random.integers(1, len(data) * 3)])
                assert "\n" not in self.answer(path)
            victim.write_bytes(sound)

    def test_one_slice_is_refused(self, tmp_path):
        path = self.write(tmp_path, numbers(shape=(1, 5, 6)))
        with pytest.raises(InputError, match=r"one slice only|single DICOM") as error:
            self.opened(path)
        assert str(path) in one_line(error)
