"""Broken, doubled and missing fibres against phantoms that hold them."""

from __future__ import annotations

from typing import Any

import pytest

from volscan.phantom.make import phantom_from_dict
from volscan.pipeline import measure

SCANNER = {"voxel_um": 4.0, "psf_fwhm_um": 8.0, "contrast_to_noise": 10, "seed": 5}


def _document(scanner: dict[str, Any] | None = None, **scaffold: Any) -> dict[str, Any]:
    design = {
        "name": "defects",
        "scaffold": {
            "directions_deg": [0, 90],
            "spacing_um": 110.0,
            "diameter_um": 20.0,
            "layers": 6,
            "layer_height_um": 16.0,
            "walls": 3,
            "morphology": "interleaved",
            **scaffold,
        },
        "scanner": SCANNER | (scanner or {}),
    }
    volume, truth, _ = phantom_from_dict(design, throats_too=False)
    document = measure(volume, up="+z", mirrored=False).to_dict()
    document["true_count"] = truth["fibres"]["count"]
    return document


def _codes(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {w["code"]: w for w in document["warnings"]}


def test_a_broken_fibre_is_told_in_pieces_and_keeps_its_wall() -> None:
    gap = [{"family": 0, "wall": 1, "fibre": 1, "at_um": 55, "gap_um": 45}]
    document = _document(broken=gap)
    assert document["fibres"]["count"] == document["true_count"] == 19
    told = _codes(document)["fibres_broken"]
    assert told["count"] == 1
    assert len(document["walls"]) == 6
    # The gap is told to about a voxel at either end.
    length = float(told["message"].split(": ")[1].split(" µm")[0])
    assert length == pytest.approx(45.0, abs=8.0)


def test_a_doubled_fibre_counts_twice_and_stands_outside_the_wall() -> None:
    document = _document(doubled=[{"family": 0, "wall": 1, "fibre": 1, "offset_um": 25}])
    assert document["fibres"]["count"] == document["true_count"] == 19
    assert _codes(document)["fibres_doubled"]["count"] == 1
    assert len(document["walls"]) == 6


def test_a_missing_fibre_of_a_welded_wall_is_missing() -> None:
    document = _document(
        morphology="fused", missing=[{"family": 0, "wall": 1, "fibre": 3}], layers=7
    )
    assert document["fibres"]["count"] == document["true_count"] == 41
    told = _codes(document)["missing_fibres"]
    assert told["count"] == 1
    # The wall's fourth fibre of seven; in a welded print every layer holds both directions.
    assert "wall 1, layer 3" in told["message"]


@pytest.mark.parametrize("morphology", ["interleaved", "fused"])
def test_noise_breaks_and_doubles_nothing(morphology: str) -> None:
    document = _document(
        {"contrast_to_noise": 4, "noise_correlation_voxels": 2}, morphology=morphology
    )
    assert document["fibres"]["count"] == document["true_count"]
    assert not {"fibres_broken", "fibres_doubled", "missing_fibres"} & set(_codes(document))
