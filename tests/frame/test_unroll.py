"""The sheet keeps blur, noise and place: against closed forms of discs and noise."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.frame.test_mandrel import SHAPE, frame, grid, material
from volscan.frame.unroll import stretch_of, unroll

ROUND = {"oval": (0.0, 0.0), "bend_per_um": (0.0, 0.0)}


def _scan_of(tube, fraction):
    return material(fraction > 0.5).__class__(
        **{**material(fraction > 0.5).__dict__, "fraction": fraction.astype(np.float32)}
    )


def test_a_gaussian_ring_keeps_its_width_and_its_place():
    # Around the tube runs a ring whose cross-section is a Gaussian of 1.5 voxels: as narrow as a
    # scan's own blur leaves anything.
    tube = frame(**ROUND)
    x, _, h = np.moveaxis(tube.to_build(grid(*SHAPE)), -1, 0)
    sheet = unroll(_scan_of(tube, np.exp(-((x - 40) ** 2 + (h - 4.5) ** 2) / (2 * 1.5**2))), tube)
    rows = sheet.material.fraction[:, 40, :].astype(float)
    places = grid(*sheet.material.fraction.shape)[:, 40]
    built = sheet.frame.to_build(places)
    weight = rows / rows.sum()
    mean = (weight[..., None] * built).sum(axis=(0, 1))
    assert mean[0] == pytest.approx(40.0, abs=0.01)
    assert mean[2] == pytest.approx(4.5, abs=0.01)
    var = (weight[..., None] * (built - mean) ** 2).sum(axis=(0, 1))
    # Splines of third order bring a Gaussian of 1.5 voxels back to a part in a hundred: of a
    # fibre 5 voxels across that is less than 0.01 voxel of its diameter.
    assert math.sqrt(var[0]) == pytest.approx(1.5, rel=0.01)
    assert math.sqrt(var[2]) == pytest.approx(1.5, rel=0.01)


def test_the_mean_of_noise_over_a_volume_scatters_as_told():
    tube = frame(**ROUND)
    rng = np.random.default_rng(7)
    sheet = unroll(_scan_of(tube, rng.standard_normal(SHAPE)), tube)
    edge = 4
    whole = sheet.material.fraction
    # The sheet's middle height, where its scale is the scan's.
    low = round(-sheet.frame.to_build(np.zeros(3))[2] + 4.5 - edge / 2)
    part = whole[low : low + edge]
    n_y, n_x = (n // edge for n in part.shape[1:])
    blocks = part[:, : n_y * edge, : n_x * edge].reshape(edge, n_y, edge, n_x, edge)
    means = blocks.mean(axis=(0, 2, 4), dtype=float)
    expected = math.sqrt(sheet.material.noise_correlation_vox / edge**3)
    # Some 1000 blocks tell their scatter to 2.3 %; their edges share noise with their neighbours'.
    assert means.std() == pytest.approx(expected, rel=0.1)


def test_the_sheet_spans_a_turn_and_more_and_repeats_itself_past_the_seam():
    tube = frame()
    x, y, h = np.moveaxis(tube.to_build(grid(*SHAPE)), -1, 0)
    wave = np.exp(-((h - 4.5) ** 2) / 18) * (1 + np.cos(3 * y / tube.radius_um + x / 20))
    sheet = unroll(_scan_of(tube, wave), tube)
    s = sheet.material.fraction
    rows = s.shape[1]
    assert rows > 1.14 * tube.turn_um
    turn = round(tube.turn_um)
    # A turn is 150.8 voxels: 0.2 voxel of a wave 50 voxels long and 1 high, 0.03 at its steepest.
    assert np.abs(s[:, : rows - turn] - s[:, turn:]).max() < 0.05


def test_a_strip_is_as_wide_on_the_sheet_as_geometry_says():
    # A strip of width d at angle a to the axis, on a cylinder of radius r, unrolled at R: two
    # helices, from their own points.
    r, big, a, d = 30.0, 40.0, math.radians(35), 2.0
    t = np.linspace(0, 10, 5)
    lines = []
    for side in (-0.5, 0.5):
        # On the cylinder's own sheet: along the strip, and across it by half its width.
        x = t * math.cos(a) - side * d * math.sin(a)
        y = t * math.sin(a) + side * d * math.cos(a)
        lines.append(np.stack([x, y * big / r], axis=-1))
    along = lines[0][-1] - lines[0][0]
    along /= np.linalg.norm(along)
    apart = lines[1][2] - lines[0][0]
    width = abs(along[0] * apart[1] - along[1] * apart[0])
    assert stretch_of(along[0], along[1], r / big) == pytest.approx(width / d, rel=1e-9)
