"""Cross-sections gathered by the kernels against plain numpy over every voxel."""

from __future__ import annotations

import numpy as np

from volscan.kernels.sections import (
    mark_near_line,
    section_image,
    sums_along_lines,
    wall_sections,
)


def rotation(seed: int) -> np.ndarray:
    q, _ = np.linalg.qr(np.random.default_rng(seed).standard_normal((3, 3)))
    return q


def positions(shape, spacing):
    grid = np.stack(np.meshgrid(*(np.arange(n) for n in shape), indexing="ij"), axis=-1)
    return grid * np.array(spacing)


def test_section_image_sums_every_voxel_into_its_bin():
    rng = np.random.default_rng(0)
    fraction = rng.random((9, 14, 11)).astype(np.float32)
    spacing = np.array([2.0, 1.0, 1.5])
    axes = rotation(1)
    where = positions(fraction.shape, spacing) @ axes.T
    total, count = section_image(fraction, spacing, axes[1], axes[2], -20.0, -20.0, 1.7, (24, 25))
    expected_total, expected_count = np.zeros((24, 25)), np.zeros((24, 25))
    for value, (_, n, h) in zip(fraction.ravel(), where.reshape(-1, 3), strict=True):
        i, j = int(np.floor((h + 20) / 1.7)), int(np.floor((n + 20) / 1.7))
        if 0 <= i < 24 and 0 <= j < 25:
            expected_total[i, j] += value
            expected_count[i, j] += 1
    # A voxel that lies on a bin's edge to the last bit may fall on either side.
    assert np.abs(count - expected_count).sum() <= 2
    assert abs(total.sum() - expected_total.sum()) < 1e-3
    assert expected_count.sum() > 0.5 * fraction.size


def test_wall_sections_gather_values_and_mean_positions():
    rng = np.random.default_rng(4)
    fraction = rng.random((10, 12, 16)).astype(np.float32)
    near = (rng.random(fraction.shape) < 0.2).astype(np.uint8) * 2
    spacing = np.array([1.0, 1.2, 0.9])
    axes = rotation(7)
    where = positions(fraction.shape, spacing) @ axes.T
    s, n, h = where[..., 0], where[..., 1], where[..., 2]
    position, slope = np.array([float(n.mean()), float(n.mean()) + 2.0]), np.array([0.1, -0.3])
    start = np.full(2, float(np.percentile(s, 20)))
    step = np.full(2, 2.5)
    reach = np.array([float(np.percentile(h, 10)), float(np.percentile(h, 90))])
    out = wall_sections(
        fraction, near, np.uint8(2), spacing, axes, position, slope, 2.0, reach, start, step, 3, 0.8
    )
    for w in range(2):
        across = n - position[w] - slope[w] * h
        kept = (
            (near == 0)
            & (np.abs(across) < 2.0)
            & (h >= reach[0])
            & (h < reach[1])
            & (s >= start[w])
            & (s < start[w] + 3 * step[w])
        )
        assert kept.sum() > 30
        assert abs(out[w, ..., 0].sum() - kept.sum()) <= 1
        for channel, values in ((1, fraction), (2, across), (3, h), (4, s)):
            assert abs(out[w, ..., channel].sum() - values[kept].sum(dtype=np.float64)) < 5.0


def test_marked_voxels_are_those_near_the_line():
    shape, spacing = (14, 15, 16), np.array([1.5, 1.0, 1.2])
    start, end = np.array([4.0, 3.0, 2.0]), np.array([15.0, 9.0, 14.0])
    near = np.zeros(shape, np.uint8)
    mark_near_line(near, np.uint8(4), spacing, start, end, 2.5)
    where = positions(shape, spacing)
    d = end - start
    t = ((where - start) @ d) / (d @ d)
    across = np.linalg.norm(where - start - t[..., None] * d, axis=-1)
    length = np.linalg.norm(d)
    inside = (across <= 2.4) & (t >= 0) & (t <= 1)
    outside = (across > 2.6) | (t * length < -2.6) | (t * length > length + 2.6)
    assert inside.any()
    assert (near[inside] == 4).all()
    assert (near[outside] == 0).all()


def test_sums_along_lines_equal_numpys_interpolation():
    image = np.random.default_rng(3).random((9, 30))
    rows = np.arange(9) - 4.0
    slopes = np.array([-1.3, 0.0, 0.4, 2.0])
    got = sums_along_lines(image, rows, slopes)
    columns = np.arange(30.0)
    for k, slope in enumerate(slopes):
        expected = np.zeros(30)
        for row, values in zip(rows, image, strict=True):
            expected += np.interp(columns + slope * row, columns, values, left=0.0, right=0.0)
        # A line that ends exactly on the last column is left out there.
        inner = slice(9, 21)
        assert np.allclose(got[k, inner], expected[inner])
