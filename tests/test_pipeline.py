from __future__ import annotations

import math
from dataclasses import replace

import numba
import numpy as np
import pytest
from scipy import ndimage

from volscan.design import Design
from volscan.errors import InputError, NothingToMeasureError, SettingsError, SpacingError
from volscan.phantom.make import phantom_from_dict
from volscan.pipeline import measure
from volscan.results import Results
from volscan.settings import Settings
from volscan.volume import Volume

SCAFFOLD = {
    "directions_deg": [0, 90], "spacing_um": 100, "diameter_um": 20, "layers": 6,
    "layer_height_um": 16, "walls": 4, "lean": [4.0, -3.0],
}  # fmt: skip
SCANNER = {"voxel_um": 4.0, "psf_fwhm_um": 8.0, "contrast_to_noise": 10.0, "seed": 3}

PATTERN = {
    "directions_deg": [0, 90],
    "spacing_um": 100,
    "fibre_diameter_um": 20,
    "layers": 6,
    "layer_height_um": 16,
    "walls_per_direction": 4,
}


@pytest.fixture(scope="module")
def patch() -> tuple[Volume, dict]:
    volume, truth, _ = phantom_from_dict(
        {"name": "patch", "scaffold": SCAFFOLD, "scanner": SCANNER}, throats_too=False
    )
    return volume, truth


@pytest.fixture(scope="module")
def results(patch) -> Results:
    return measure(patch[0], up="+z", mirrored=False)


def without(document: dict, *keys: str) -> dict:
    return {k: v for k, v in document.items() if k not in keys}


def test_a_small_patch_is_measured_end_to_end(results, patch):
    # A smoke test of the composition: limits many times wider than the validation's.
    truth = patch[1]
    assert results.fibres.layer_count == 6
    assert results.fibres.count == 24
    assert [f.walls for f in results.fibres.families] == [4, 4]
    assert results.fibres.diameter_um.value == pytest.approx(20.0, abs=1.0)
    by_direction = {round(w.direction_deg / 90) % 2: [] for w in results.walls}
    for w in results.walls:
        by_direction[round(w.direction_deg / 90) % 2].append(w.tilt_deg.value)
    assert np.mean(by_direction[0]) == pytest.approx(4.0, abs=0.5)
    # A direction found as 179.9 instead of 0 is folded; one found as 90 keeps its normal.
    assert np.mean(by_direction[1]) == pytest.approx(-3.0, abs=0.5)
    assert len(truth["walls"]) == len(results.walls)
    assert 0.7 < results.porosity.total.value < 0.95
    assert results.pores.throat_um.h.value > 50


def test_stages_are_timed_in_order_and_only_in_the_run(results):
    stages = [s["stage"] for s in results.run["stages"]]
    assert stages == [
        "read", "prepare", "tube", "frame", "fibres", "walls", "envelope", "shift", "porosity",
        "pores", "results",
    ]  # fmt: skip
    assert all(s["seconds"] >= 0 and s["peak_memory_bytes"] > 1e6 for s in results.run["stages"])
    assert "peak_memory_bytes" not in results.to_json()


RIGHT = {"pattern": PATTERN}
WRONG = {
    "pattern": {
        **PATTERN, "directions_deg": [0, 60], "spacing_um": 321, "fibre_diameter_um": 5,
        "layers": 40, "wanted_tilt_deg": 20, "morphology": "fused",
    },
    "anchor": {"fibre_diameter_um": 40, "u": 1},
    "weighing": {
        "mass_mg": 5, "u_mass_mg": 1, "polymer_density_g_cm3": 1.1, "area_mm2": 100,
    },
}  # fmt: skip


@pytest.mark.parametrize(
    ("design", "verdict"),
    [pytest.param(RIGHT, "in", marks=pytest.mark.slow), (WRONG, "out")],
    ids=["right", "wrong"],
)
def test_a_design_right_or_wrong_changes_no_measured_number(results, patch, design, verdict):
    plain = results.to_dict()
    assert plain["design"] is None
    compared = measure(patch[0], up="+z", mirrored=False, design=Design.from_dict(design))
    assert without(compared.to_dict(), "design") == without(plain, "design")
    for name, table in results.tables.items():
        assert compared.tables[name].equals(table)
    lines = {c["name"]: c["verdict"] for c in compared.to_dict()["design"]["compared"]}
    assert lines["layers"] == verdict
    assert lines["fibre diameter"] == verdict


def test_thread_count_does_not_change_the_bytes(results, patch):
    before = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        assert measure(patch[0], up="+z", mirrored=False).to_json() == results.to_json()
    finally:
        numba.set_num_threads(before)


def test_undoing_a_mirror_gives_the_unmirrored_answer(results, patch):
    volume = patch[0]
    mirrored = replace(volume, samples=volume.samples[:, :, ::-1])
    undone = measure(mirrored, up="+z", mirrored=True)
    keys = ("settings", "warnings")
    assert without(undone.to_dict(), *keys) == without(results.to_dict(), *keys)
    assert "mirror_undone" in [w["code"] for w in undone.to_dict()["warnings"]]


def test_what_was_not_told_is_assumed_aloud_and_nothing_is_advised(patch):
    untold = measure(patch[0], only_walls=True).to_dict()
    codes = [w["code"] for w in untold["warnings"]]
    assert {"up_assumed", "handedness_assumed", "not_asked"} <= set(codes)
    assert untold["shift"]["advice"]
    assert not any(a["advised"] for a in untold["shift"]["advice"])
    assert untold["porosity"]["total"] is None
    assert untold["pores"]["throat_um"]["x"] is None


def test_voxel_size_wrong_by_1000_is_measured_warned_of_and_out(patch):
    wrong = replace(patch[0], spacing_um=(4000.0,) * 3)
    design = Design.from_dict({"pattern": PATTERN})
    told = measure(wrong, up="+z", mirrored=False, design=design).to_dict()
    message = next(w["message"] for w in told["warnings"] if w["code"] == "implausible_voxel_size")
    diameter = told["fibres"]["diameter_um"]["value"]
    assert diameter == pytest.approx(20_000, rel=0.05)
    assert f"{diameter:.3g} µm" in message
    verdicts = {c["name"]: c["verdict"] for c in told["design"]["compared"]}
    assert verdicts["fibre diameter"] == verdicts["layer height"] == "out"


def test_an_array_needs_a_voxel_size_and_gives_the_same(results, patch):
    samples = np.array(patch[0].samples)
    with pytest.raises(SpacingError, match="voxel_um"):
        measure(samples)
    keys = ("input", "settings", "warnings")
    from_array = measure(samples, voxel_um=4.0, up="+z", mirrored=False).to_dict()
    assert without(from_array, *keys) == without(results.to_dict(), *keys)
    assert from_array["settings"]["voxel_um"] == [4.0, 4.0, 4.0]
    assert len(from_array["input"]["sha256"]) == 64


@pytest.fixture(scope="module")
def foam() -> Volume:
    """A block of solid with round holes: nothing laid, nothing standing."""
    rng = np.random.default_rng(8)
    solid = np.zeros((48, 56, 60), dtype=np.float64)
    solid[6:-6, 6:-6, 6:-6] = 1.0
    z, y, x = np.indices(solid.shape)
    for c in rng.uniform((8, 8, 8), (40, 48, 52), (40, 3)):
        solid[(z - c[0]) ** 2 + (y - c[1]) ** 2 + (x - c[2]) ** 2 < rng.uniform(4, 7) ** 2] = 0
    grey = 500 + 2000 * ndimage.gaussian_filter(solid, 0.8) + rng.normal(0, 100, solid.shape)
    return Volume(grey.astype(np.float32), (10.0,) * 3, "made for a test")


def test_a_foam_gets_porosity_and_pores_and_says_what_it_has_not(foam):
    results = measure(foam)
    document = results.to_dict()
    assert document["fibres"]["count"] is None
    assert document["walls"] == []
    assert 0.1 < document["porosity"]["total"]["value"] < 0.9
    assert document["pores"]["inscribed_diameter_um"]["mean"] is not None
    assert document["envelope"]["volume_um3"] > 0
    messages = " ".join(w["message"] for w in document["warnings"])
    assert "fibres.diameter_um" in messages
    assert len(results.tables["fibres"]) == 0


def test_the_block_envelope_takes_the_whole_array(foam):
    told = measure(foam, envelope="block").to_dict()
    assert told["envelope"]["volume_um3"] == pytest.approx(48 * 56 * 60 * 1000.0)
    # Half-way threshold of a known solid: a plain count of the same array.
    count = float((foam.samples < 1500).mean())
    assert told["porosity"]["estimators"]["threshold_raw"]["value"] == pytest.approx(
        count, abs=0.01
    )


def test_a_mask_is_the_envelope_and_its_hash_is_kept(foam, tmp_path):
    mask = np.zeros(foam.shape, dtype=np.uint8)
    mask[10:30, 10:30, 10:30] = 1
    np.save(tmp_path / "mask.npy", mask)
    told = measure(foam, envelope=str(tmp_path / "mask.npy")).to_dict()
    assert told["envelope"]["volume_um3"] == pytest.approx(8000 * 1000.0)
    assert told["settings"]["envelope"] == "mask.npy"
    assert len(told["settings"]["envelope_sha256"]) == 64
    np.save(tmp_path / "small.npy", mask[:-1])
    with pytest.raises(InputError, match="same scan"):
        measure(foam, envelope=str(tmp_path / "small.npy"))
    np.save(tmp_path / "empty.npy", np.zeros_like(mask))
    with pytest.raises(InputError, match="empty"):
        measure(foam, envelope=str(tmp_path / "empty.npy"))


def test_air_alone_holds_nothing_to_measure():
    rng = np.random.default_rng(2)
    air = rng.normal(1000, 50, (64, 64, 64)).astype(np.float32)
    with pytest.raises(NothingToMeasureError) as caught:
        measure(air, voxel_um=4.0)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("samples", "said"),
    [
        (np.full((20, 20, 20), 7, dtype=np.uint8), "constant"),
        (np.full((20, 20, 20), math.nan, dtype=np.float32), "number"),
        (np.zeros((20, 20), dtype=np.uint8), "3-D"),
        (np.zeros((5, 5, 5), dtype=complex), "real"),
    ],
)
def test_arrays_that_are_no_scan_are_refused(samples, said):
    with pytest.raises(InputError, match=said):
        measure(samples, voxel_um=1.0)


def test_choices_that_cannot_be_are_refused_before_any_work(patch):
    volume = patch[0]
    with pytest.raises(SettingsError, match="not both"):
        measure(volume, settings=Settings(), up="+z")
    with pytest.raises(SettingsError, match="unknown setting treshold"):
        measure(volume, treshold=3)
    with pytest.raises(SettingsError, match="the scan is ct"):
        measure(volume, modality="oct")
    with pytest.raises(NothingToMeasureError, match="no hollow tube"):
        measure(volume, collector="mandrel")
    with pytest.raises(SettingsError, match="belong to a path"):
        measure(volume, voxel_um=3.0)
    with pytest.raises(SettingsError, match="times the volume"):
        measure(volume, design=Design((0.0,), (21.0,), 20.0, 100, 2.0))
    with pytest.raises(InputError, match="list"):
        measure([1, 2, 3])


def test_progress_names_stages_and_shares(foam):
    seen: list[tuple[str, float]] = []
    measure(foam, progress=lambda stage, share: seen.append((stage, share)))
    assert all(0 <= share <= 1 for _, share in seen)
    names = list(dict.fromkeys(stage for stage, _ in seen))
    assert names[0] == "read"
    assert names[-1] == "results"
    assert {"prepare", "porosity", "pores"} <= set(names)
