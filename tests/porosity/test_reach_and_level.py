"""Open and sealed void, and the level that gives a wanted volume."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from log_pile import level_frame, material_of

from volscan.envelope import coverage, make_envelope
from volscan.fibres.field import FibreField
from volscan.kernels.sums import LEVEL_BINS, LEVEL_HIGH, LEVEL_LOW
from volscan.porosity import matched_level, measure_porosity
from volscan.walls.wallset import WallSet


def _hull(material):
    envelope, _ = make_envelope(material, level_frame(), FibreField(), WallSet(), choice="hull")
    return envelope


def _block_with_rooms() -> np.ndarray:
    """A block of 20³ with two closed rooms of 4³ and one that a shaft opens to the top."""
    share = np.zeros((30, 30, 30))
    share[5:25, 5:25, 5:25] = 1.0
    share[8:12, 8:12, 8:12] = 0.0
    share[16:20, 16:20, 16:20] = 0.0
    share[8:12, 18:22, 8:12] = 0.0
    share[12:25, 19, 9] = 0.0
    return share


def test_closed_rooms_are_sealed_and_the_shaft_opens_its_own():
    material = material_of(_block_with_rooms(), 1.0)
    found = measure_porosity(material, level_frame(), FibreField(), _hull(material))
    assert found.sealed.value == pytest.approx(2 * 64 / 8000)
    assert found.accessible.value == pytest.approx((64 + 13) / 8000)
    assert found.accessible.value + found.sealed.value == pytest.approx(found.total.value)


def test_void_is_joined_by_faces_only():
    share = _block_with_rooms()
    share[12:25, 19, 9] = 1.0
    share[12, 22, 12] = 0.0  # touches the room at one corner
    share[12:25, 22, 12] = 0.0
    material = material_of(share, 1.0)
    found = measure_porosity(material, level_frame(), FibreField(), _hull(material))
    assert found.sealed.value == pytest.approx(3 * 64 / 8000)


def test_faces_that_the_view_cuts_are_open():
    share = np.ones((12, 12, 12))
    share[:, 5:7, 5:7] = 0.0
    share[3:5, 1:3, 1:3] = 0.0
    material = material_of(share, 1.0)
    envelope, notices = make_envelope(
        material, level_frame(), FibreField(), WallSet(), choice="block"
    )
    found = measure_porosity(material, level_frame(), FibreField(), envelope)
    assert [n.code for n in notices] == ["field_of_view_cuts"]
    assert found.accessible.value == pytest.approx(48 / 1728)
    assert found.sealed.value == pytest.approx(8 / 1728)


def test_noise_inside_solid_is_not_taken_for_pores():
    share = np.zeros((40, 40, 40))
    share[5:35, 5:35, 5:35] = 1.0
    share[15:23, 15:23, 15:23] = 0.0
    material = material_of(share, 1.0, noise=0.25)
    material = replace(material, solid=share > 0.5)
    found = measure_porosity(material, level_frame(), FibreField(), _hull(material))
    # One room of 8³ in 30³; noise opens 2.3 % of the solid in single voxels, which would double
    # the sealed share. The rest of the total's void is noise on the block's own faces.
    assert found.sealed.value == pytest.approx(512 / 27000, rel=0.1)


def test_a_solid_block_has_no_pores():
    share = np.zeros((12, 12, 12))
    share[2:10, 2:10, 2:10] = 1.0
    material = material_of(share, 1.0)
    found = measure_porosity(material, level_frame(), FibreField(), _hull(material))
    assert found.total.value == pytest.approx(0.0, abs=1e-9)
    assert found.accessible.value == 0.0
    assert found.sealed.value == 0.0


@settings(max_examples=20, deadline=None)
@given(st.floats(0.02, 0.98))
def test_the_matched_level_gives_the_volume_back(porosity):
    rng = np.random.default_rng(8)
    material = material_of(rng.normal(0.4, 0.3, (20, 20, 20)), 1.0)
    weight = rng.random((20, 20, 20)).astype(np.float32)
    level = matched_level(material, weight, porosity)
    solid = weight[material.fraction >= level].sum(dtype=float) / weight.sum(dtype=float)
    # Levels are told apart to a bin of the histogram: off by no more than what one bin holds.
    width = (LEVEL_HIGH - LEVEL_LOW) / LEVEL_BINS
    inside = np.abs(material.fraction - level) <= width
    bound = weight[inside].sum(dtype=float) / weight.sum(dtype=float)
    assert bound < 5e-3
    assert abs(solid - (1 - porosity)) <= bound + 1e-6


def test_a_segmented_map_keeps_its_own_level():
    mask = np.zeros((4, 4, 4))
    mask[:1] = 1.0
    material = material_of(mask, 1.0)
    weight = np.ones((4, 4, 4), dtype=np.float32)
    assert matched_level(material, weight, 0.75) == 0.5


def test_surface_level_is_the_matched_level():
    rng = np.random.default_rng(4)
    material = material_of(rng.normal(0.4, 0.3, (20, 20, 20)), 1.0)
    envelope, _ = make_envelope(material, level_frame(), FibreField(), WallSet(), choice="block")
    found = measure_porosity(material, level_frame(), FibreField(), envelope)
    weight = coverage(envelope, level_frame(), (20, 20, 20), (1.0, 1.0, 1.0))
    assert found.surface_level == pytest.approx(
        matched_level(material, weight, found.total.value), abs=2e-4
    )
