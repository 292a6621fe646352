"""Sizes measured with voxels merged in pairs, freed of what the merging does to them."""

from __future__ import annotations

import numpy as np
import pytest
from pore_solids import block, level_frame, material, pile, prism, sampled

from volscan.pores import merging
from volscan.pores.measure import measure_pores


def test_what_merging_does_is_taken_off(monkeypatch):
    # A pile of fibres 5 voxels thick, 2.5 when merged; the block that tells what merging does
    # holds two cells by two of the four by four.
    monkeypatch.setattr(merging, "BLOCK_VOXELS", 40)
    height, side = 5.0 + 7 * 5.0, 71
    f = sampled(pile(diameter=5.0, pitch=18.0, rise=5.0, layers=8, base=7.5), (56, 72, 72), parts=3)
    outline = [[0, 0], [side, 0], [side, side], [0, side]]
    whole = (material(f), level_frame(), prism(outline, 7.5, 7.5 + height))
    exact = measure_pores(*whole, exact=True)
    half = measure_pores(*whole, exact=False)
    monkeypatch.setattr("volscan.pores.measure.merging_bias", lambda *a, **k: None)
    plain = measure_pores(*whole, exact=False)
    for name in ("inscribed_mean_um", "inscribed_d50_um"):
        true, found, before = (getattr(p, name) for p in (exact, half, plain))
        # The exact sizes are the reference: they are held to brute force elsewhere. Half of the
        # bias is what stays in u.
        assert abs(found.value - true.value) < 0.5 * abs(before.value - true.value)
        assert abs(found.value - true.value) < 2.0 * found.u
        assert found.u >= before.u
    told = next(n for n in half.notices if n.code == "pores_merged_voxels")
    assert "taken off" in told.message


@pytest.mark.parametrize("value", [0.0, 1.0])
def test_a_block_without_pore_or_solid_tells_nothing(value):
    f = np.full((20, 20, 20), value, np.float32)
    assert (
        merging.merging_bias(
            material(f), level_frame(), block(f.shape), surface_level=None, solid_model=None
        )
        is None
    )
