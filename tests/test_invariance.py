"""One scan told in other ways gives the same answers: axes, mirrors, margins, greys, voxel size.

Every copy holds the same noise, but the grids and sections that a measurement lays over a scan fall
otherwise, so answers may move a little. Two answers that each lie within a standard uncertainty of
the truth differ by at most two, which is the limit for all of them; were it passed, the stated
uncertainty would be too small.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from volscan.phantom.make import phantom_from_dict
from volscan.pipeline import measure
from volscan.quantity import Quantity
from volscan.results import Results
from volscan.volume import Volume

AIR, NOISE = 20000.0, 1600.0
SPEC = {
    "scaffold": {
        "directions_deg": [0, 90], "spacing_um": 100, "diameter_um": 20, "layers": 8,
        "layer_height_um": 16, "walls": 4, "overhang_um": 30,
        "lean": [[-6, -2, 2, 6], [5, 1.5, -3, -7]],
    },
    "scanner": {
        "voxel_um": 4.0, "psf_fwhm_um": 8.0, "contrast_to_noise": 10.0, "mount_tilt_deg": 4.0,
        "mount_azimuth_deg": 50.0, "in_plane_deg": 12.0, "seed": 3, "air": AIR,
        "polymer": AIR + 10 * NOISE,
    },
}  # fmt: skip

# Where the noise falls on the same voxels and nothing but the unit changes, only rounding is left,
# and where it lets an iteration stop.
ROUNDING_DEG, ROUNDING_REL = 0.01, 5e-4


@pytest.fixture(scope="module")
def scan() -> Volume:
    volume, _, _ = phantom_from_dict(SPEC, throats_too=False)
    return volume


@pytest.fixture(scope="module")
def plain(scan) -> Results:
    return measure(scan, up="+z", mirrored=False)


def copied(samples: NDArray[Any], spacing_um: tuple[float, float, float] = (4.0,) * 3) -> Volume:
    return Volume(np.ascontiguousarray(samples), spacing_um, "made for a test")


def lengths(results: Results) -> dict[str, Quantity]:
    """What is a length, families told apart by their spacing and lateral throats by their size."""
    found = {
        "diameter": results.fibres.diameter_um,
        "layer height": results.fibres.layer_height_um,
        "scaffold height": results.fibres.scaffold_height_um,
        "blur": results.material.blur_um,
    }
    families = sorted(results.fibres.families, key=lambda f: f.spacing_um.value)
    for number, family in enumerate(families):
        found[f"spacing {number}"] = family.spacing_um
        found[f"family diameter {number}"] = family.diameter_um
        found[f"rise {number}"] = family.rise_per_fibre_um
    if results.pores.throat_um.h is not None:
        across = sorted(
            (results.pores.throat_um.x, results.pores.throat_um.y), key=lambda q: q.value
        )
        found["throat across, narrow"], found["throat across, wide"] = across
        found["throat along h"] = results.pores.throat_um.h
        found["inscribed mean"] = results.pores.inscribed_diameter_um.mean
    return found


def shares(results: Results) -> dict[str, Quantity]:
    porosity = results.porosity
    if porosity.total is None:
        return {}
    return {
        "total": porosity.total,
        "threshold": porosity.estimators.threshold,
        "partial volume": porosity.estimators.partial_volume,
        "fibre model": porosity.estimators.fibre_model,
        "accessible": porosity.accessible,
    }


def leans(results: Results, to_plain: NDArray[np.float64]) -> NDArray[np.float64]:
    """Lean vectors (n, 3) [z, y, x] in the plain scan, in the order of the plain scan's walls.

    The plain scan's leans stand at least 1.5 degrees apart, far more than they may differ.
    """
    axes = np.array([results.frame.axes.x, results.frame.axes.y])
    return np.array([np.array(w.lean_vector) @ axes for w in results.walls]) @ to_plain.T


def same_walls(other: Results, plain: Results, to_plain: NDArray[np.float64], ratio: float) -> None:
    """Every wall is found again: its lean vector in space, and its tilt's size."""
    expected, found = leans(plain, np.eye(3)), leans(other, to_plain)
    assert len(found) == len(expected) == 8
    apart = np.linalg.norm(found[:, None] - expected[None], axis=2)
    partner = apart.argmin(axis=1)
    assert sorted(partner) == list(range(8)), "two walls were taken for one"
    for wall, number in zip(other.walls, partner, strict=True):
        twin = plain.walls[number]
        limit = 2 * twin.tilt_deg.u
        assert abs(wall.tilt_deg.value) == pytest.approx(abs(twin.tilt_deg.value), abs=limit)
        # The direction of the rise turns with up: its uncertainty is part of a tilt's u. What lies
        # in the base plane besides is the error of the direction, under 0.1° of a lean of 7°.
        vector = np.degrees(apart[:, number].min())
        assert vector <= limit + 0.1 * np.tan(np.radians(7))
        offset = twin.offset_per_fibre_um
        assert abs(wall.offset_per_fibre_um.value) == pytest.approx(
            ratio * abs(offset.value), abs=2 * ratio * offset.u
        )
        assert wall.lean == twin.lean


def same_answers(
    other: Results,
    plain: Results,
    *,
    to_plain: NDArray[np.float64] | None = None,
    ratio: float = 1.0,
) -> None:
    same_walls(other, plain, np.eye(3) if to_plain is None else to_plain, ratio)
    assert other.fibres.layer_count == plain.fibres.layer_count
    assert other.fibres.count == plain.fibres.count
    # Voxels fall into other bins of the sections: each frame has an error of its own beside truth.
    both = float(np.hypot(plain.frame.u_tilt_deg, other.frame.u_tilt_deg))
    assert other.frame.mount_tilt_deg == pytest.approx(plain.frame.mount_tilt_deg, abs=2 * both)
    within(lengths(other), lengths(plain), ratio)
    within(shares(other), shares(plain), 1.0)


def within(found: Mapping[str, Quantity], wanted: Mapping[str, Quantity], ratio: float) -> None:
    for name, q in found.items():
        target = wanted[name]
        assert q.value == pytest.approx(ratio * target.value, abs=2 * ratio * target.u), name


def linear(order: tuple[int, int, int], *, mirrored: bool) -> NDArray[np.float64]:
    """Vectors of a transposed scan, its x undone where it is mirrored, back in the plain scan."""
    matrix = np.eye(3)[list(order)]
    flip = np.diag([1.0, 1.0, -1.0]) if mirrored else np.eye(3)
    return matrix.T @ flip


@pytest.mark.parametrize(
    ("order", "up", "mirrored"),
    [
        # Even permutations keep right- from left-handed; odd ones mirror.
        ((1, 2, 0), "+x", False),
        ((1, 0, 2), "+y", True),
        ((2, 1, 0), "+x", True),
    ],
)
def test_axes_in_another_order(scan, plain, order, up, mirrored):
    turned = copied(scan.samples.transpose(order))
    results = measure(turned, up=up, mirrored=mirrored, only_walls=order != (2, 1, 0))
    same_answers(results, plain, to_plain=linear(order, mirrored=mirrored))


def test_upside_down_and_mirrored(scan, plain):
    results = measure(copied(scan.samples[::-1]), up="-z", mirrored=True, only_walls=True)
    # Reversing z and undoing x is half a turn about y.
    same_answers(results, plain, to_plain=np.diag([-1.0, 1.0, -1.0]))


def test_a_mirror_that_is_not_undone_mirrors_every_lean(scan, plain):
    results = measure(copied(scan.samples[:, :, ::-1]), up="+z", mirrored=False, only_walls=True)
    # A lean's x becomes -x and a direction α becomes 180 - α.
    same_answers(results, plain, to_plain=np.diag([1.0, 1.0, -1.0]))
    turned = sorted(180 - f.direction_deg.value for f in results.fibres.families)
    for found, family in zip(turned, plain.fibres.families, strict=True):
        # A direction's own u leaves out the scan's x axis, whose foot in the base plane turns
        # with the error of up by far less than that.
        assert found == pytest.approx(family.direction_deg.value, abs=0.1)


def test_cropped_and_padded_with_air(scan, plain):
    cropped = scan.samples[5:-7, 6:-4, 3:-8]
    same_answers(measure(copied(cropped), up="+z", mirrored=False), plain)
    shape = tuple(n + m for n, m in zip(scan.shape, (9, 14, 6), strict=True))
    padded = np.rint(np.random.default_rng(5).normal(AIR, NOISE, shape)).astype(np.uint16)
    inside = tuple(slice(a, a + n) for a, n in zip((5, 3, 4), scan.shape, strict=True))
    padded[inside] = scan.samples
    same_answers(measure(copied(padded), up="+z", mirrored=False, only_walls=True), plain)


def test_grey_values_rescaled(scan, plain):
    factor, shift = 0.01, -50.0
    rescaled = scan.samples.astype(np.float32) * np.float32(factor) + np.float32(shift)
    results = measure(copied(rescaled), up="+z", mirrored=False)
    same_answers(results, plain)
    contrast = factor * (plain.material.polymer - plain.material.air)
    # 0.5 % of the contrast moves a half-maximum surface by 0.005 of the blur, far below any u.
    for level in ("air", "polymer", "threshold"):
        expected = factor * plain.material[level] + shift
        assert results.material[level] == pytest.approx(expected, abs=0.005 * contrast)
    assert results.material.contrast_to_noise == pytest.approx(
        plain.material.contrast_to_noise, rel=0.01
    )


def test_voxel_size_rescaled(scan, plain):
    ratio = 2.5
    results = measure(copied(scan.samples, (10.0,) * 3), up="+z", mirrored=False)
    same_answers(results, plain, ratio=ratio)
    for wall, twin in zip(results.walls, plain.walls, strict=True):
        assert wall.tilt_deg.value == pytest.approx(twin.tilt_deg.value, abs=ROUNDING_DEG)
        assert wall.position_um == pytest.approx(ratio * twin.position_um, rel=ROUNDING_REL)
    for name, q in lengths(plain).items():
        found = lengths(results)[name]
        assert found.value == pytest.approx(ratio * q.value, rel=ROUNDING_REL), name
    for name, q in shares(plain).items():
        assert shares(results)[name].value == pytest.approx(q.value, abs=ROUNDING_REL), name
    assert results.envelope.volume_um3 == pytest.approx(
        ratio**3 * plain.envelope.volume_um3, rel=3 * ROUNDING_REL
    )
