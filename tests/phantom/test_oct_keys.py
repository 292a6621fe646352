"""Phantom files with an OCT scanner: keys, growing prints, artefacts, and the truth told."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from volscan.errors import SettingsError
from volscan.phantom.files import make_phantom
from volscan.phantom.oct import oct_scan
from volscan.phantom.oct_keys import oct_from_dict
from volscan.phantom.oct_laid import first_layers
from volscan.phantom.oct_spec import OctSpec
from volscan.phantom.scaffold import build_scaffold
from volscan.phantom.spec import scaffold_spec

PRINT = {
    "directions_deg": [0, 90],
    "spacing_um": 100,
    "diameter_um": 20,
    "layers": 6,
    "layer_height_um": 16,
    "walls": 3,
    "lean": 5.0,
}
SCANNER = {"voxel_um": 5.0, "resolution_fwhm_um": 10.0}


def told(scanner: dict[str, Any], **rest: Any) -> tuple[list[Any], dict[str, Any]]:
    values = {"name": "patch", "scaffold": PRINT, "oct": {**SCANNER, **scanner}, **rest}
    volumes, truth, _ = oct_from_dict(values, throats_too=False)
    return volumes, truth


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"oct": {"voxel": 3}}, "unknown key voxel in"),
        ({"oct": {}}, "needs voxel_um"),
        ({"oct": {"voxel_um": [1, 2]}}, "voxel_um needs one value or 3"),
        ({"oct": {"voxel_um": 3.0, "scale": "log"}}, "scale must be db"),
        ({"oct": {"voxel_um": 3.0, "index_polymer": 0.9}}, "must be at least 1"),
        ({"oct": {"voxel_um": 3.0, "layers_laid": 7}}, "layers_laid must be from 1 to 6"),
        ({"oct": {"voxel_um": 3.0, "layers_laid": 1}}, "layers_laid must be at least 2"),
        ({"oct": {"voxel_um": 3.0}, "volume": {"seed": 1}}, "[[volume]]"),
        ({"oct": {"voxel_um": 3.0}, "scanner": {"voxel_um": 3.0}}, "no [scanner]"),
        ({"scanner": {"voxel_um": 3.0}, "volume": [{"seed": 1}]}, "need an [oct] table"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(change: dict[str, Any], words: str, tmp_path: Path):
    with pytest.raises(SettingsError) as caught:
        make_phantom({"name": "patch", "scaffold": PRINT, **change}, tmp_path / "out")
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "out").exists()


def test_a_growing_print_is_written_volume_by_volume(tmp_path: Path):
    spec = {
        "name": "growing",
        "scaffold": PRINT,
        "oct": SCANNER,
        "volume": [{"layers_laid": 2}, {"layers_laid": 4, "shift_um": [5.0, -5.0, 10.0]}, {}],
    }
    paths = make_phantom(spec, tmp_path, throats_too=False)
    assert [p.name for p in paths] == [
        "scan_01.tif", "scan_02.tif", "scan_03.tif", "design.toml", "truth.json",
    ]  # fmt: skip
    stacks = [tifffile.imread(p) for p in paths[:3]]
    assert len({s.shape for s in stacks}) == 1
    truth = json.loads(paths[-1].read_text("utf-8"))
    each = truth["volumes"]
    assert [t["fibres"]["layer_count"] for t in each] == [2, 4, 6]
    assert truth["walls"] == each[2]["walls"]
    # The collector is 5 µm deeper in the second volume, which is a row.
    first, second, _ = (float(np.linalg.norm(t["frame"]["origin_um"])) for t in each)
    assert second - first == pytest.approx(5.0)
    # It is the brightest line; the corners of the field hold no fibre.
    rows = [int(s[:, 1:5, 1:5].astype(float).mean(axis=(1, 2)).argmax()) for s in stacks]
    assert rows[1] - rows[0] == 1
    assert rows[0] == pytest.approx(first / 5.0, abs=1.0)
    # Above the layers that are laid there is air.
    bare = stacks[0][: rows[0] - 9].astype(float)
    full = stacks[2][: rows[0] - 9].astype(float)
    assert full.max() - bare.max() > 30


def test_the_first_layers_are_those_of_the_finished_print():
    scaffold = build_scaffold(
        scaffold_spec(
            **PRINT, missing=[[0, 1, 0], [1, 1, 2]], rise_bow_um=6.0, layer_factor=0.8, loops=True
        )
    )
    part = first_layers(scaffold, 4)
    assert part.spec.layers == 4
    assert part.spec.fibres_per_wall == (2, 2)
    # Two families, three walls, two fibres each, less the one missing; two loops a layer, less
    # those that the missing one would have joined.
    laid = [s for s in part.strands if not s.loop]
    assert len(laid) == 11
    ours = {(s.family, s.wall, s.step, s.loop) for s in part.strands}
    whole = {(s.family, s.wall, s.step, s.loop): s for s in scaffold.strands}
    for s in part.strands:
        assert whole[s.family, s.wall, s.step, s.loop] is s
    assert all(key in ours for key, s in whole.items() if s.step < 2)
    # A parabola over half its height stands out a quarter.
    assert part.spec.form.rise_bow_um[0] == pytest.approx((1.5, 1.5, 1.5))
    assert part.top_um == pytest.approx(3 * 16 + 10 + 10 * (1 - 0.2 * 3 / 5))
    assert first_layers(scaffold, 6) is scaffold


def test_the_scan_is_not_mirrored_and_leans_as_told():
    keys = {"mount_tilt_deg": 4.0, "mount_azimuth_deg": 30.0, "in_plane_deg": 20.0}
    _, truth = told(keys)
    axes = {k: np.array(v)[::-1] for k, v in truth["frame"]["axes"].items()}
    np.testing.assert_allclose(np.cross(axes["x"], axes["y"]), axes["h"], atol=1e-12)
    t, p = math.radians(4.0), math.radians(30.0)
    lean = [math.sin(t) * math.cos(p), math.sin(t) * math.sin(p), -math.cos(t)]
    np.testing.assert_allclose(axes["h"], lean, atol=1e-12)
    assert [w["tilt_deg"] for w in truth["walls"]] == pytest.approx([5.0] * 6)


def test_fibres_lie_where_the_mounting_says():
    # One wall of each direction stands higher than the others: nothing is symmetric.
    few = [[f, j, k] for f in (0, 1) for j in (1, 2) for k in (1, 2)]
    scaffold = build_scaffold(scaffold_spec(**PRINT, missing=few))
    spec = OctSpec(
        voxel_um=(5.0, 5.0, 5.0), resolution_fwhm_um=(10.0, 10.0, 10.0), noise=False,
        interior_db=40.0, cap_db=-300.0, skin_db=-300.0, collector_db=-300.0,
        collector_body_um=0.0, attenuation_per_mm=0.0, numerical_aperture=0.0,
        surface_loss_db=0.0, flank_loss=0.0, index_polymer=1.0, mount_tilt_deg=4.0,
        mount_azimuth_deg=30.0, in_plane_deg=20.0, averages=4, dtype="float32", scale="intensity",
    )  # fmt: skip
    volume, mounting = oct_scan(scaffold, spec)
    # Without index and shadow, light from the inside of the polymer has the polymer's centre.
    image = np.asarray(volume.samples, dtype=np.float64)
    sides = [image.sum(axis=tuple({0, 1, 2} - {a})) for a in range(3)]
    found = [float((s * np.arange(len(s)) * 5.0).sum() / s.sum()) for s in sides][::-1]
    ends = scaffold.segments_um()
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    centre = (ends.mean(axis=1) * length[:, None]).sum(axis=0) / length.sum()
    # 700 speckles × 4 pictures spread over ± 90 µm: standard error 1.7 µm, bound two to three of
    # it. Mirrored it would be 38 µm off, turned the other way 18 µm.
    np.testing.assert_allclose(found, mounting.to_scan_xyz(centre), atol=4.5)


def test_logarithm_and_linear_scales_tell_the_same():
    base = {**SCANNER, "voxel_um": (6.0, 6.0, 6.0), "resolution_fwhm_um": (10.0, 12.0, 12.0)}
    scaffold = build_scaffold(scaffold_spec(**PRINT))
    samples = {}
    for scale in ("db", "amplitude", "intensity"):
        spec = OctSpec(**{**base, "scale": scale, "dtype": "float32"})  # type: ignore[arg-type]
        samples[scale] = np.asarray(oct_scan(scaffold, spec)[0].samples, dtype=np.float64)
    np.testing.assert_allclose(
        10 ** (samples["db"] / 10), samples["intensity"], rtol=1e-4, atol=1e-5
    )
    np.testing.assert_allclose(samples["amplitude"] ** 2, samples["intensity"], rtol=1e-4)
    spec = OctSpec(**base)  # type: ignore[arg-type]
    stored = np.asarray(oct_scan(scaffold, spec)[0].samples, dtype=np.float64)
    gain, offset = spec.gain_offset
    inside = (stored > 0) & (stored < 255)
    off = (stored - offset) / gain - samples["db"]
    assert np.abs(off[inside]).max() <= 0.5 / gain + 1e-3
    assert inside.mean() > 0.99


def test_artefacts_show_where_they_should():
    scaffold = build_scaffold(scaffold_spec(**PRINT))
    base = {"voxel_um": (6.0, 6.0, 6.0), "resolution_fwhm_um": (10.0, 12.0, 12.0), "rows": 60,
            "dtype": "float32"}  # fmt: skip

    def image(**keys: Any) -> np.ndarray:
        spec = OctSpec(**{**base, **keys})  # type: ignore[arg-type]
        return np.asarray(oct_scan(scaffold, spec)[0].samples, dtype=np.float64)

    plain = image()
    collector = int(plain.mean(axis=(1, 2)).argmax())
    # Zero delay at row 20: the collector's image lies as far on the other side.
    mirrored = image(mirror_db=-15.0, zero_delay_um=-6.0 * (collector - 12))
    gained = (mirrored - plain).mean(axis=(1, 2))
    assert int(gained.argmax()) == collector - 24
    # Lines at fixed depth, the same in all columns, at the level asked for.
    lined = image(fixed_lines=2, fixed_lines_db=30.0)
    rows = np.flatnonzero(np.abs(lined[:, :4, :4].mean(axis=(1, 2)) - 30.0) < 1.5)
    free = [r for r in rows if abs(r - collector) > 4]
    assert free
    assert lined[free[0]].std() < 1.0
    # Saturated columns are lit at all depths: 30 dB below what exceeds.
    streaked = image(saturation_db=40.0, streak_db=10.0)
    lit = streaked[-6:].mean(axis=0) - plain[-6:].mean(axis=0)
    strong = plain.max(axis=0) > 44.0
    assert strong.any()
    assert lit[strong].mean() > 20.0
    assert np.abs(lit[plain.max(axis=0) < 38.0]).max() < 1e-6
