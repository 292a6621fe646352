"""OCT image formation against published relations and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from volscan.phantom.oct import oct_scan, place
from volscan.phantom.oct_columns import trace_columns
from volscan.phantom.oct_lens import bent
from volscan.phantom.oct_light import depth_factor, transmission
from volscan.phantom.oct_spec import OctSpec
from volscan.phantom.scaffold import Scaffold, build_scaffold
from volscan.phantom.spec import scaffold_spec

DARK = {
    "cap_db": -300.0,
    "skin_db": -300.0,
    "interior_db": -300.0,
    "collector_db": -300.0,
    "surface_loss_db": 0.0,
    "flank_loss": 0.0,
    "attenuation_per_mm": 0.0,
    "numerical_aperture": 0.0,
    "collector_body_um": 0.0,
    "noise": False,
    "dtype": "float32",
    "scale": "intensity",
}


def slab(thickness_um: float, base_um: float = 0.0) -> Scaffold:
    """A plate over two low fibres, which it swallows where it is thick."""
    return build_scaffold(
        scaffold_spec(
            directions_deg=[0],
            spacing_um=100,
            diameter_um=4,
            layers=1,
            layer_height_um=4,
            walls=2,
            overhang_um=60,
            membrane={"base_um": base_um, "thickness_um": thickness_um},
        )
    )


def fibre(diameter_um: float = 20.0) -> Scaffold:
    """A single fibre along x on the collector."""
    return build_scaffold(
        scaffold_spec(
            directions_deg=[0],
            spacing_um=100,
            diameter_um=diameter_um,
            layers=1,
            layer_height_um=diameter_um,
            walls=1,
            overhang_um=60,
        )
    )


def image(scaffold: Scaffold, **keys: object) -> tuple[np.ndarray, OctSpec]:
    spec = OctSpec(**{**DARK, "voxel_um": (2.0, 2.0, 2.0), **keys})  # type: ignore[arg-type]
    return np.asarray(oct_scan(scaffold, spec)[0].samples, dtype=np.float64), spec


def inside(scaffold: Scaffold, **keys: object) -> np.ndarray:
    """Intensity well inside a slab of 120 µm, index 1: rows 30 µm to 130 µm below row 0."""
    samples, _ = image(
        scaffold,
        interior_db=20.0,
        index_polymer=1.0,
        margin_um=(20.0, -20.0, -20.0),
        rows=80,
        **keys,
    )
    return samples[15:65]


def test_speckle_is_fully_developed():
    # Goodman, Speckle Phenomena in Optics, ch. 3: exponential intensity, Rayleigh amplitude,
    # standard deviation of the logarithm (10 / ln 10) π/√6 = 5.57 dB.
    found = inside(slab(120.0)).ravel()
    # About 50 × 20 × 50 voxels over cells of some 60: 1000 independent ones. Standard errors are
    # then 3 % of the mean and near 4 % of the contrast of an exponential; bounds are three.
    mean = float(found.mean())
    assert mean == pytest.approx(100.0, rel=0.1)
    assert found.std() / mean == pytest.approx(1.0, abs=0.12)
    amplitude = np.sqrt(found)
    assert amplitude.std() / amplitude.mean() == pytest.approx(math.sqrt(4 / math.pi - 1), abs=0.06)
    assert (10 * np.log10(found)).std() == pytest.approx(5.57, abs=0.6)
    for t in (0.5, 1.0, 2.0, 3.0):
        p = math.exp(-t)
        assert np.mean(found > t * mean) == pytest.approx(p, abs=3 * math.sqrt(p / 1000) + 0.02)


def test_speckle_of_averaged_pictures_has_the_contrast_of_their_number():
    # Goodman: N independent pictures lower the contrast to 1/√N.
    found = inside(slab(120.0), averages=4)
    assert found.std() / found.mean() == pytest.approx(0.5, abs=0.06)


def test_speckle_is_as_large_as_the_point_spread():
    # Intensity covariance is the squared field covariance (Goodman): exp(-x²/(2 s²)) for an
    # amplitude spread of standard deviation s, whose FWHM is that of the amplitude spread.
    found = inside(slab(120.0), resolution_fwhm_um=(9.0, 12.0, 12.0))
    centred = found - found.mean()
    for axis, fwhm in ((0, 9.0), (2, 12.0)):
        lag = 2
        a = np.take(centred, range(found.shape[axis] - lag), axis=axis)
        b = np.take(centred, range(lag, found.shape[axis]), axis=axis)
        expected = math.exp(-((2.0 * lag) ** 2) * 4 * math.log(2) / fwhm**2)
        # The field has a few hundred speckles: 0.1 is two standard errors of the correlation.
        assert np.mean(a * b) / centred.var() == pytest.approx(expected, abs=0.1)


def test_intensity_falls_as_single_scattering_says():
    # I ∝ exp(-2 µ z): single scattering, z as length, so per optical path by the index less.
    scaffold = slab(200.0)
    samples, spec = image(
        scaffold,
        interior_db=20.0,
        index_polymer=1.5,
        attenuation_per_mm=5.0,
        numerical_aperture=0.1,
        margin_um=(20.0, -10.0, -10.0),
        rows=190,
        averages=4,
    )
    rows = np.arange(25, 140)
    depth_mm = rows * spec.step_um / 1.5e3
    slope = np.polyfit(depth_mm, np.log(samples[rows].mean(axis=(1, 2))), 1)[0]
    # Standard error of the slope: the means of some 100 cells × 4 pictures a row scatter by 5 %,
    # 25 independent rows over a range of 0.15 mm give 0.2 per mm; three of it.
    assert slope == pytest.approx(-10.0, abs=0.7)


def peak_row(line: np.ndarray) -> float:
    """Row of a Gaussian peak from the three rows around its top (a parabola in the log)."""
    i = int(np.argmax(line))
    a, b, c = np.log(line[i - 1 : i + 2])
    return i + 0.5 * (a - c) / (a - 2 * b + c)


def test_a_slab_pushes_the_collector_down_by_its_index():
    # z_optical = n z: Eur. Phys. J. Plus 2023, doi 10.1140/epjp/s13360-023-04458-4.
    keys = {
        "collector_db": 30.0,
        "collector_rough": 0.0,
        "margin_um": (40.0, 60.0, 60.0),
        "index_polymer": 1.47,
    }
    samples, spec = image(slab(50.0), cap_db=30.0, underside_db=-math.inf, **keys)
    # Air to the left of the plate, plate in the middle.
    beside = peak_row(samples[:, samples.shape[1] // 2, 8]) * spec.step_um
    middle = samples[:, samples.shape[1] // 2, samples.shape[2] // 2]
    cut = int(60 / spec.step_um)
    top = peak_row(middle[:cut]) * spec.step_um
    under = (peak_row(middle[cut:]) + cut) * spec.step_um
    # A deposit is shared between two rows, which keeps its centre; the parabola errs by less
    # than 0.02 rows for a Gaussian of this width.
    assert beside - top == pytest.approx(50.0, abs=0.08)
    assert under - top == pytest.approx(1.47 * 50.0, abs=0.08)


def test_a_fibre_in_air_pushes_the_collector_down_by_its_chord():
    # (n - 1) d for the middle of a fibre: 9.4 µm for 20 µm and 1.47.
    scaffold = fibre()
    spec = OctSpec(voxel_um=(1.0, 1.0, 1.0), margin_um=(10.0, 10.0, -40.0))
    mounting, shape = place(scaffold, spec)
    columns = trace_columns(scaffold, mounting, shape=shape, voxel_um=(1.0, 1.0))
    across = (np.arange(shape[0]) - (shape[0] - 1) / 2) * 1.0
    chord = 2 * np.sqrt(np.maximum(100.0 - across**2, 0.0))
    np.testing.assert_allclose(columns.solid_um, np.repeat(chord[:, None], shape[1], 1), atol=1e-9)
    samples, spec = image(
        scaffold,
        collector_db=30.0,
        collector_rough=0.0,
        voxel_um=1.0 * np.ones(3),
        resolution_fwhm_um=(4.0, 1.5, 1.5),
        margin_um=(10.0, 20.0, -40.0),
    )
    lines = samples[:, :, samples.shape[2] // 2]
    push = peak_row(lines[:, lines.shape[1] // 2]) - peak_row(lines[:, 5])
    # The middle column's chord, blurred over 1.5 µm across: the push is less by at most 0.1 µm.
    assert push == pytest.approx(9.4, abs=0.12)


def test_the_written_scale_may_be_divided_by_an_index():
    plain, _ = image(slab(50.0), cap_db=30.0, margin_um=(40.0, -10.0, -10.0), rows=80)
    divided, _ = image(
        slab(50.0),
        cap_db=30.0,
        margin_um=(40.0, -10.0, -10.0),
        rows=80,
        axial_index=1.4,
        voxel_um=(2.0 / 1.4, 2.0, 2.0),
    )
    np.testing.assert_allclose(divided, plain, rtol=1e-4, atol=1e-6)


def test_roll_off_at_the_end_of_the_depth_range():
    # Pixel term alone: 20 log10(2/π) = -3.92 dB at z_max (Leitgeb et al. 2003).
    spec = OctSpec(
        voxel_um=(5.0, 5.0, 5.0), depth_range_um=1000.0, rolloff_spot=0.0, zero_delay_um=0.0
    )
    factor = depth_factor(spec, rows=201)
    assert 20 * math.log10(factor[200]) == pytest.approx(20 * math.log10(2 / math.pi), abs=1e-9)
    # With a spot of width w: exp(-(π² w² / (16 ln 2))) more (Yun et al. 2003).
    wide = depth_factor(
        OctSpec(
            voxel_um=(5.0, 5.0, 5.0), depth_range_um=1000.0, rolloff_spot=1.0, zero_delay_um=0.0
        ),
        rows=201,
    )
    assert math.log(wide[200] / factor[200]) == pytest.approx(-(math.pi**2) / (16 * math.log(2)))


def test_a_level_mirror_shows_the_axial_resolution_and_its_level():
    samples, _ = image(
        slab(50.0),
        cap_db=30.0,
        underside_db=-math.inf,
        voxel_um=(1.0, 4.0, 4.0),
        resolution_fwhm_um=(8.0, 8.0, 8.0),
        margin_um=(40.0, -20.0, -20.0),
    )
    line = np.sqrt(samples[:, samples.shape[1] // 2, samples.shape[2] // 2])
    i = int(np.argmax(line))
    half = line[i] / 2
    up = i - 1 - np.argmax(line[:i][::-1] < half)
    down = i + np.argmax(line[i:] < half)
    width = (down - 1 + (line[down - 1] - half) / (line[down - 1] - line[down])) - (
        up + (half - line[up]) / (line[up + 1] - line[up])
    )
    # Read linearly between rows of 1 µm: the half height of a Gaussian 8 µm wide, whose curvature
    # there is small, within 0.02 µm; sharing between fine rows 0.5 % (volscan.phantom.oct).
    assert width == pytest.approx(8.0, abs=0.06)
    assert 20 * math.log10(line[i]) == pytest.approx(30.0, abs=0.2)


@pytest.mark.parametrize("part", [0.0, 0.25, 0.5, 0.8])
def test_the_axial_spread_is_the_one_stated_in_rows_almost_as_thick(part):
    # Rows of 3 µm under a spread of 5 µm, the collector anywhere within its row.
    samples, spec = image(
        slab(50.0),
        collector_db=30.0,
        collector_rough=0.0,
        index_polymer=1.0,
        voxel_um=(3.0, 6.0, 6.0),
        resolution_fwhm_um=(5.0, 8.0, 8.0),
        margin_um=(40.0, -20.0, -20.0),
        shift_um=(3.0 * part, 0.0, 0.0),
    )
    line = np.sqrt(samples[:, samples.shape[1] // 2, samples.shape[2] // 2])
    rows = np.arange(line.size) * spec.step_um
    middle = float(line @ rows / line.sum())
    sd = math.sqrt(float(line @ (rows - middle) ** 2 / line.sum()))
    # Sampling a Gaussian of 0.71 rows changes its variance by 2 × 4π² 0.5 exp(-2π² 0.5) = 0.2 %
    # at most; what sharing between fine rows leaves is 0.5 %.
    assert sd * math.sqrt(8.0 * math.log(2.0)) == pytest.approx(5.0, rel=0.01)


def test_flanks_are_lost_and_the_cap_is_bright():
    samples, _ = image(
        fibre(40.0),
        cap_db=40.0,
        underside_db=-math.inf,
        cap_half_angle_deg=15.0,
        resolution_fwhm_um=(4.0, 2.0, 2.0),
        voxel_um=(1.0, 1.0, 1.0),
        margin_um=(20.0, 20.0, -30.0),
    )
    across = samples.max(axis=0)[:, samples.shape[2] // 2]
    middle = len(across) // 2
    # At a surface of 45°, sin 45° × 20 µm off the axis, the mirror has fallen by 2^-9.
    assert across[middle] > 50 * across[middle + 14]
    assert across[middle] > 50 * across[middle - 14]


def test_shadow_of_the_cone_at_an_edge_and_below_a_fibre():
    # Half of the cone is dark below an opaque half-plane's edge: amplitude 1/2 both ways.
    plate = slab(20.0, base_um=200.0)
    spec = OctSpec(
        voxel_um=(4.0, 4.0, 4.0),
        attenuation_per_mm=1e4,
        surface_loss_db=0.0,
        flank_loss=0.0,
        numerical_aperture=0.3,
        margin_um=(10.0, -40.0, 80.0),
    )
    mounting, shape = place(plate, spec)
    columns = trace_columns(plate, mounting, shape=shape, voxel_um=(4.0, 4.0))
    rows = int(columns.collector_um.max() / 4.0)
    light = transmission(columns, spec, rows=rows)
    line = light[-1, shape[0] // 2]
    edge = int(np.argmax(columns.solid_um[shape[0] // 2] > 10.0))
    # 19 rays: half a ray is 1/19 of the amplitude, 22 % in its fourth power, either side.
    assert line[edge] == pytest.approx(1 / 16, rel=0.25)
    assert line[edge - 22] == pytest.approx(1.0, abs=1e-5)
    # Below a fibre the cone fills the shadow; a wider one more.
    dark = []
    for aperture in (0.0, 0.05, 0.2):
        one = build_scaffold(
            scaffold_spec(
                directions_deg=[0, 90],
                spacing_um=150,
                diameter_um=20,
                layers=8,
                layer_height_um=20,
                walls=[1, 3],
                missing=[[0, 0, 0], [0, 0, 1], [0, 0, 2]],
                overhang_um=40,
            )
        )
        wide = OctSpec(
            voxel_um=(4.0, 4.0, 4.0),
            numerical_aperture=aperture,
            surface_loss_db=6.0,
            flank_loss=0.0,
        )
        mounting, shape = place(one, wide)
        columns = trace_columns(one, mounting, shape=shape, voxel_um=(4.0, 4.0))
        light = transmission(columns, wide, rows=int(columns.collector_um.max() / 4.0))
        # Half-way between two of the crossing walls, below the single top fibre.
        dark.append(float(light[-1, shape[0] // 2, shape[1] // 2 + 18]))
    assert dark[0] < dark[1] < dark[2]
    # Straight down: 6 dB and the absorption exp(-2 · 3 per mm · 20 µm).
    assert dark[0] == pytest.approx(10**-0.6 * math.exp(-0.12), rel=0.02)


def test_a_fibre_focuses_what_lies_below_it():
    # Thin cylinder lens: f = R / (2 (n - 1)) behind its middle.
    scaffold = fibre(20.0)
    spec = OctSpec(
        voxel_um=(0.25, 0.5, 2.0), index_polymer=1.5, margin_um=(5.0, 5.0, -60.0), rows=400
    )
    mounting, shape = place(scaffold, spec)
    columns = trace_columns(scaffold, mounting, shape=shape, voxel_um=(0.5, 2.0))
    across = np.arange(shape[0], dtype=np.float32) * np.float32(0.5)
    ramp = np.broadcast_to(across[None, :, None], (400, *shape)).copy()
    light = np.ones((200, *shape), dtype=np.float32)
    seen, _ = bent((ramp, np.zeros_like(ramp)), columns, light, spec)
    axis = (shape[0] - 1) / 2 * 0.5
    top = float(columns.ends_um[:, 0].min())
    # f = 10 µm behind the middle: just at the fibre's bottom, 2 rows of which are kept. Rays of
    # the near axis have crossed half a focal length further down: x -> x (1 - 15 / 10).
    depth = top + 10.0 + 15.0
    column = round((axis + 2.0) / 0.5)
    solid = float(columns.solid_um[column, shape[1] // 2])
    row = round((depth + 0.5 * solid) / spec.step_um)
    found = float(seen[row, column, shape[1] // 2]) - axis
    start = column * 0.5 - axis
    # Thin-lens theory at x/R = 0.2: thickness gradient 2 % above the paraxial one; pixels 0.5 µm.
    assert found == pytest.approx(-0.5 * start, abs=0.35)


def test_curvature_moves_whole_columns():
    keys = {"collector_db": 30.0, "collector_rough": 0.0, "margin_um": (20.0, 40.0, 40.0)}
    samples, spec = image(slab(40.0), scan_curvature_um=(0.0, 24.0), **keys)
    row = samples.shape[1] // 2
    edge = peak_row(samples[:, row, 0]) * spec.step_um
    # x (from -1 to 1) of another column in air.
    x = 1 - 2 * 6 / (samples.shape[2] - 1)
    inner = peak_row(samples[:, row, 6]) * spec.step_um
    # Lateral blur of 8 µm over a slope of 0.2 moves the peak of a bent line by under 0.3 µm.
    assert edge - inner == pytest.approx(24.0 * (1 - x**2), abs=0.3)
