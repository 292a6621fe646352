"""A tube's truth against closed forms, sampled distances, and the frame rules done once more."""

from __future__ import annotations

import json
import math
import tomllib

import numpy as np
import pytest
from scipy.spatial import cKDTree

from volscan.design import Design
from volscan.errors import SettingsError
from volscan.phantom.files import make_phantom
from volscan.phantom.make import phantom_from_dict
from volscan.phantom.scanner import ScannerSpec
from volscan.phantom.tube_scan import mount_tube, tube_share, tube_spec
from volscan.phantom.tube_shell import shell_solid_fraction, shell_volume_um3
from volscan.phantom.tube_truth import middle_um, tube_truth
from volscan.phantom.tube_wind import build_tube

SLEEVE = {
    "mandrel_diameter_um": 240,
    "diameter_um": 20,
    "winding_angle_deg": 40,
    "starts": 5,
    "layers": 4,
    "layer_height_um": 18,
    "length_um": 300,
}


def tube_of(**changes):
    return build_tube(tube_spec(**{**SLEEVE, **changes}))


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"winding_angle_deg": [0]},
        {"winding_angle_deg": [60]},
        # An even number of straight fibres: what one side's arc gains the other loses.
        {"winding_angle_deg": [0], "bend_um": 12.0, "oval": 0.05, "starts": 8},
    ],
)
def test_one_layer_holds_the_volume_of_its_fibres(changes):
    """Fibres that do not meet hold section times length (Pappus)."""
    spec = {"winding_angle_deg": [-35], "layers": 1, "starts": 4, **changes}
    tube = tube_of(**spec)
    part = middle_um(tube.spec)
    fraction, error = shell_solid_fraction(tube, part)
    wound = math.radians(tube.spec.winding_deg(0, 130.0))
    length = tube.spec.starts * (part[1] - part[0]) / math.cos(wound)
    shell = math.pi * (140**2 - 120**2) * (part[1] - part[0])
    assert shell_volume_um3(tube, part) == pytest.approx(shell, rel=1e-12)
    exact = length * math.pi * 10**2 / shell
    # Chords whose ends are on the curve, 0.02 µm of sagitta, shorten a helix by 1e-4 at most.
    assert abs(fraction - exact) < 4 * error + 1e-4 * exact
    assert error < 1e-3 * exact
    told = tube_truth(tube)["porosity"]
    assert told["mass_conserving"] == pytest.approx(1 - exact, abs=1e-4 * exact)


@pytest.mark.parametrize(
    "changes",
    [
        {"morphology": "fused", "lean": 8.0},
        {"bend_um": 20.0, "bend_toward_deg": 30, "oval": 0.08, "turn_um": 40.0, "starts": 6},
    ],
)
def test_the_union_is_that_of_the_balls_along_the_fibres(changes):
    """Random points, told solid by their distance to finely sampled centrelines."""
    tube = tube_of(**changes)
    spec = tube.spec
    part = (0.0, 250.0)
    fraction, error = shell_solid_fraction(tube, part)
    rng = np.random.default_rng(5)
    n = 60_000
    s, phi = rng.uniform(*part, n), rng.uniform(0, 2 * math.pi, n)
    r = rng.uniform(spec.inner_radius_um, spec.outer_radius_um, n)
    ends = tube.segments_um()
    fine = np.concatenate([(1 - t) * ends[:, 0] + t * ends[:, 1] for t in np.linspace(0, 1, 10)])
    distance, _ = cKDTree(fine).query(
        tube.positions_um(np.column_stack([s, phi, r])), distance_upper_bound=10.0
    )
    rho = r + spec.oval * spec.mean_radius_um * np.cos(2 * phi)
    weight = rho * (1 - spec.curvature_per_um * rho * np.cos(phi - math.radians(30)))
    hit = distance < 10
    sampled = (weight * hit).sum() / weight.sum()
    # Weights vary by a factor of two about their mean: the binomial error, 1.2 times. Points at
    # most 0.6 µm off along a fibre tell its distance 0.02 µm too large at its surface: 0.4 % of
    # its section, a quarter of the noise.
    noise = 1.2 * math.sqrt(sampled * (1 - sampled) / n)
    assert abs(fraction - sampled) < 4 * math.hypot(noise, error)


def test_a_scan_holds_the_solid_that_the_truth_tells():
    tube = tube_of(axis="y", lean=3.0)
    scanner = ScannerSpec(voxel_um=(5.0, 5.0, 5.0), mount_tilt_deg=12.0, mount_azimuth_deg=40.0)
    mounting, shape = mount_tube(tube, scanner)
    share = tube_share(tube, mounting, shape=shape, scanner=scanner)
    truth = tube_truth(tube, mounting)
    axis, origin = np.array(truth["frame"]["axis"]), np.array(truth["frame"]["origin_um"])
    grid = np.moveaxis(np.indices(shape), 0, -1) * 5.0 - origin
    x = grid @ axis
    (low, _), (high, _) = truth["envelope"]["outline_um"][:2]
    solid = share[(x >= low) & (x < high)].sum(dtype=float) * 5.0**3
    # Voxels count whole or not at all at the two cuts: each is off by up to half of 5 µm, of random
    # phase (standard deviation 1.4 µm), some 20 of them in each of 2 × 20 cut fibres, against
    # 240 µm of length: 1.4 sqrt(2) / 240 / sqrt(20 × 20), 4e-4 in all.
    told = (1 - truth["porosity"]["total"]) * truth["envelope"]["volume_um3"]
    assert solid == pytest.approx(told, rel=1e-3)
    # The shell holds it all: nothing stands inside the lumen or outside the wall.
    radius = np.linalg.norm(grid - x[..., None] * axis, axis=-1)
    inner = truth["tube"]["lumen_diameter_um"] / 2
    reach = 5.0 * math.sqrt(3) / 2
    outer = inner + truth["tube"]["wall_thickness_um"]
    assert share[(radius < inner - reach) | (radius > outer + reach)].max() == 0.0
    assert share[(radius > inner + 8) & (radius < outer - 8)].max() == 1.0


def unrolled(tube, mounting, frame, strand):
    """Place of a fibre's points on the sheet at its own radius, by the words of the results."""
    points = mounting.to_scan_xyz(tube.positions_um(strand.places))
    axis = np.array(frame["axis"])[::-1]
    across = np.array(frame["across"])[::-1]
    off = points - np.array(frame["origin_um"])[::-1]
    x = off @ axis
    flat = off - x[:, None] * axis
    h = np.linalg.norm(flat, axis=1)
    # y = h × x at `across`: the way in which y grows.
    angle = np.unwrap(np.arctan2(flat @ np.cross(across, axis), flat @ across))
    return x, angle, h


@pytest.mark.parametrize(
    "mount",
    [
        {"axis": "z"},
        {"axis": "y", "in_plane_deg": 33.0},
        {"axis": "x", "mount_tilt_deg": 20.0, "mount_azimuth_deg": 115.0, "in_plane_deg": 71.0},
        # End for end: the axis is told the other way and leans turn their sign.
        {"axis": "z", "mount_tilt_deg": 170.0, "mount_azimuth_deg": 20.0, "in_plane_deg": -8.0},
    ],
    ids=["z", "y", "oblique", "end for end"],
)
@pytest.mark.parametrize("angle", [[40, -55], [-30]], ids=["both hands", "left"])
def test_truth_in_the_measured_frame_follows_from_the_fibres_in_the_scan(mount, angle):
    lean = {"kind": "mixed", "low": -6.0, "high": 9.0}
    tube = tube_of(winding_angle_deg=angle, lean=lean, seed=3, axis=mount["axis"])
    turns = {k: v for k, v in mount.items() if k != "axis"}
    mounting, _ = mount_tube(tube, ScannerSpec(voxel_um=(5.0, 5.0, 5.0), **turns))
    truth = tube_truth(tube, mounting)
    frame, radius = truth["frame"], truth["frame"]["radius_um"]
    leading = int(np.argmax(np.abs(frame["axis"])))
    assert "zyx"[leading] == mount["axis"]
    assert frame["axis"][leading] > 0
    tilt = turns.get("mount_tilt_deg", 0.0)
    assert frame["mount_tilt_deg"] == pytest.approx(min(tilt, 180 - tilt), abs=1e-9)
    assert truth["fibres"]["count"] == len(tube.strands)
    for wall in truth["walls"]:
        family = truth["fibres"]["families"][wall["family"]]
        own = [
            s
            for s in tube.strands
            if s.start == wall["start"] and (_hand(s) > 0) == (family["winding_angle_deg"] > 0)
        ]
        directions, starts, offsets = [], [], []
        for strand in own:
            x, turn, h = unrolled(tube, mounting, frame, strand)
            np.testing.assert_allclose(h, tube.spec.radius_um(strand.layer), rtol=1e-9)
            assert min(abs(x[0]), abs(x[-1])) < 1e-6
            rate, start = np.polyfit(x, turn, 1)
            alpha = math.degrees(math.atan(rate * h[0])) % 180
            directions.append(alpha)
            # A whole turn between two stacked fibres' angles is no displacement.
            whole = round((start - starts[0]) / (2 * math.pi)) if starts else 0
            starts.append(start - 2 * math.pi * whole)
            offsets.append(h[0] * (starts[-1] - starts[0]) * math.cos(math.radians(alpha)))
        assert wall["direction_deg"] == pytest.approx(np.mean(directions), abs=1e-3)
        by_layer = [b["direction_deg"] for b in family["by_layer"]]
        np.testing.assert_allclose(by_layer, directions, atol=1e-9)
        np.testing.assert_allclose(wall["layer_offset_um"], offsets, atol=1e-6)
        rise = np.diff(wall["layer_heights_um"])[0]
        slope = np.polyfit(np.arange(len(offsets)), offsets, 1)[0] / rise
        assert wall["tilt_deg"] == pytest.approx(math.degrees(math.atan(slope)), abs=1e-6)
        a = math.radians(wall["direction_deg"])
        np.testing.assert_allclose(
            wall["lean_vector"], [-slope * math.sin(a), slope * math.cos(a)], atol=1e-8
        )
        # Place along the normal on the sheet at mean radius, where the fibres cross x = 0.
        at_mean = math.atan(radius * math.tan(math.radians(directions[0])) / _radius(own[0]))
        period = 2 * math.pi * radius * math.cos(at_mean)
        miss = (np.mean(starts) * radius * math.cos(at_mean) - _folded(wall, period)) / period
        assert abs(miss - round(miss)) < 1e-9
        assert 0 <= wall["position_um"] < abs(period)


def _folded(wall, period):
    """The place as the right-angled direction's cosine would sign it."""
    return wall["position_um"] if wall["direction_deg"] < 90 or period < 0 else -wall["position_um"]


def _radius(strand):
    return strand.places[0, 2]


def _hand(strand):
    s, phi, _ = strand.places.T
    return (phi[-1] - phi[0]) / (s[-1] - s[0])


def test_numbers_of_the_whole_tube():
    truth = tube_truth(tube_of(winding_angle_deg=[50, -30]))
    told = truth["tube"]
    assert told["lumen_diameter_um"] == 240
    assert told["wall_thickness_um"] == 3 * 18 + 20
    assert told["mean_radius_um"] == truth["frame"]["radius_um"] == 120 + 37
    # Families are sorted by lay-down direction: the left-handed helix comes first.
    for place, (angle, layers) in enumerate([(-30, (1, 3)), (50, (0, 2))]):
        pitch = math.pi * 240 / math.tan(math.radians(abs(angle)))
        assert told["pitch_um"][place] == pytest.approx(pitch, rel=1e-12)
        own = [math.atan(2 * math.pi * (130 + 18 * k) / pitch) for k in layers]
        signed = math.copysign(math.degrees(np.mean(own)), angle)
        assert told["winding_angle_deg"][place] == pytest.approx(signed, rel=1e-12)
        family = truth["fibres"]["families"][place]
        gaps = [
            2 * math.pi * (130 + 18 * k) * math.cos(a) / 5 for k, a in zip(layers, own, strict=True)
        ]
        assert family["spacing_um"] == pytest.approx(np.mean(gaps), rel=1e-12)
        assert (family["layers"], family["walls"], family["count"]) == (2, 5, 10)
        assert family["rise_per_fibre_um"] == 36
    assert truth["fibres"]["layer_count"] == 4
    assert truth["fibres"]["layer_height_um"] == 18
    json.dumps(truth, allow_nan=False)


def test_bend_and_ovality_are_told():
    tube = tube_of(bend_um=15.0, bend_toward_deg=60.0, oval=-0.04, oval_toward_deg=10.0)
    frame = tube_truth(tube)["frame"]
    assert frame["bend_um"] == 15.0
    assert frame["ovality"] == pytest.approx(0.08)
    np.testing.assert_allclose(frame["bend_toward"], [0, math.sin(math.pi / 3), 0.5], atol=1e-12)
    wide = math.radians(100)
    np.testing.assert_allclose(frame["wide_toward"], [0, math.sin(wide), math.cos(wide)])
    # The ends lie toward the centre of curvature, the sagitta away from the middle.
    start, middle = (np.array(frame[k]) for k in ("origin_um", "axis_point_um"))
    assert (start - middle) @ frame["bend_toward"] == pytest.approx(15.0, rel=1e-9)


PHANTOM = {
    "name": "tendon sleeve",
    "tube": {**SLEEVE, "layers": 2, "length_um": 150},
    "scanner": {
        "voxel_um": [8.0, 6.0, 5.0],
        "psf_fwhm_um": 6.0,
        "contrast_to_noise": 6.0,
        "cupping": 0.1,
    },
}


def test_a_mapping_with_a_tube_is_scanned_like_any_phantom():
    volume, truth, spec = phantom_from_dict(PHANTOM)
    assert volume.spacing_um == (8.0, 6.0, 5.0)
    assert spec.starts == 5
    assert truth["name"] == "tendon sleeve"
    assert truth["material"]["contrast_to_noise"] == 6.0
    # Air of three diameters and the point spread on every side of the outermost fibre (radius
    # 158 µm), less what the evenly spaced starts leave out: 158 (1 - cos 36°) = 30 µm.
    assert 2 * 128 < (volume.samples.shape[2] - 1) * 5.0 - 2 * 66 < 2 * 158 + 10


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"scaffold": {}}, "not both"),
        ({"scanner": {"voxel_um": 5, "voxels": 3}}, "unknown key voxels"),
        ({"scanner": {}}, "needs voxel_um"),
        ({"tube": {**SLEEVE, "pivots": 5}}, r"unknown key pivots in \[tube\]"),
        ({"tube": {"starts": 5}}, "cannot be used: missing"),
        ({"tube": {**SLEEVE, "lean": {"kind": "mixed", "low": 1}}}, "lean.high is missing"),
        ({"tube": {**SLEEVE, "length_um": "long"}}, "cannot be used"),
        ({"tube": 5}, r"needs a \[tube\] table"),
        ({"scanner": {"voxel_um": 0.05}}, "too large"),
    ],
)
def test_tables_that_cannot_be_are_refused(change, message):
    with pytest.raises(SettingsError, match=message):
        phantom_from_dict({**PHANTOM, **change})


def test_a_tube_is_written_with_its_design_on_the_sheet(tmp_path):
    scan, design, truth = make_phantom(PHANTOM, tmp_path / "sleeve")
    assert scan.stat().st_size > 0
    assert json.loads(truth.read_text("utf-8"))["frame"]["kind"] == "mandrel"
    values = tomllib.loads(design.read_text("utf-8"))
    assert values["print"]["collector"] == "mandrel"
    assert Design.load(design).collector == "mandrel"
    pattern = values["pattern"]
    # On the sheet at mean radius, 139 µm, of an angle told at the mandrel, 120 µm.
    wound = math.degrees(math.atan(139 / 120 * math.tan(math.radians(40))))
    np.testing.assert_allclose(pattern["directions_deg"], [180 - wound, wound])
    gap = 2 * math.pi * 139 * math.cos(math.radians(wound)) / 5
    np.testing.assert_allclose(pattern["spacing_um"], [gap, gap])
