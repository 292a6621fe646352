"""A film between two halves is a region of its own; prints without one have none."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from volscan.frame.film import find_film
from volscan.frame.plate import find_plate_frame
from volscan.phantom.make import phantom_from_dict
from volscan.pipeline import measure
from volscan.prepare.ct import prepare_ct


def _phantom(scanner: dict[str, Any] | None = None, **scaffold: Any) -> Any:
    design = {
        "name": "film",
        "scaffold": {
            "directions_deg": [0, 90],
            "spacing_um": 100.0,
            "diameter_um": 20.0,
            "layers": 8,
            "layer_height_um": 16.0,
            "walls": 4,
            "morphology": "interleaved",
            "lean": 4.0,
            **scaffold,
        },
        "scanner": {
            "voxel_um": 4.0,
            "psf_fwhm_um": 8.0,
            "contrast_to_noise": 10,
            "mount_tilt_deg": 4,
            "mount_azimuth_deg": 70,
            "seed": 6,
            **(scanner or {}),
        },
    }
    return phantom_from_dict(design, throats_too=False)


def _film(volume: Any) -> Any:
    material = prepare_ct(volume)
    return find_film(material, find_plate_frame(material, up="+z", mirrored=False))


@pytest.mark.parametrize(("base_um", "thickness_um"), [(50.0, 12.0), (60.0, 40.0)])
def test_a_film_is_found_with_its_thickness(base_um: float, thickness_um: float) -> None:
    volume, _, _ = _phantom(membrane={"base_um": base_um, "thickness_um": thickness_um})
    film = _film(volume)
    assert film is not None
    # Within two of its own standard uncertainties, which are 3 % and a tenth of a voxel.
    assert film.thickness_um.value == pytest.approx(thickness_um, abs=2.0 * film.thickness_um.u)
    assert film.plan_share > 0.8


def test_both_halves_of_a_print_with_a_film_are_measured() -> None:
    volume, truth, _ = _phantom(membrane={"base_um": 56.0, "thickness_um": 20.0})
    document = measure(volume, up="+z", mirrored=False).to_dict()
    assert "film_found" in {w["code"] for w in document["warnings"]}
    tilts = np.array([w["tilt_deg"]["value"] for w in document["walls"]])
    assert len(tilts) == 8
    assert tilts.mean() == pytest.approx(4.0, abs=0.1)
    # Half a point is what is asked of porosity anywhere.
    assert document["porosity"]["total"]["value"] == pytest.approx(
        truth["porosity"]["total"], abs=0.005
    )


@pytest.mark.parametrize(
    "scaffold",
    [
        {"spacing_um": 45.0, "walls": 6, "layers": 2},
        {"directions_deg": [0, 30, 60, 90, 120, 150], "spacing_um": 120.0, "layers": 12},
        {"morphology": "fused", "spacing_um": 60.0, "walls": 5},
    ],
)
def test_prints_without_a_film_have_none(scaffold: dict[str, Any]) -> None:
    volume, _, _ = _phantom({"contrast_to_noise": 5, "noise_correlation_voxels": 2}, **scaffold)
    assert _film(volume) is None
