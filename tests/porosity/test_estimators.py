"""The three estimators on a log pile whose porosity is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from log_pile import LogPile, level_frame, material_of
from scipy.ndimage import gaussian_filter

from volscan.envelope import make_envelope
from volscan.errors import NothingToMeasureError
from volscan.fibres.field import FibreField
from volscan.geometry import Envelope
from volscan.porosity import measure_porosity
from volscan.quantity import Quantity

# Fibres 8 voxels across in a pile of six layers: whole cells hold 3 x 3 walls.
PILE = LogPile(diameter=20.0, spacing=80.0, step=20.0, layers=6, walls=5, corner=71.3, base=52.7)
VOXEL = 2.5
# Six layers of fibres that touch without overlap: six sections a cell of height 6 d.
TRUE = 1 - np.pi * PILE.diameter / (4 * PILE.spacing)


@pytest.fixture(scope="module")
def share() -> np.ndarray:
    return PILE.volume(VOXEL, samples=16)


def _found(material, *, pile=PILE, fibres=None):
    field = pile.fibres() if fibres is None else fibres
    envelope, _ = make_envelope(material, level_frame(), pile.fibres(), pile.wall_set())
    return measure_porosity(material, level_frame(), field, envelope)


def _errors(found):
    rows = {
        "threshold": found.threshold,
        "partial_volume": found.partial_volume,
        "fibre_model": found.fibre_model,
    }
    return {name: q.value - TRUE for name, q in rows.items() if q is not None}


@pytest.mark.parametrize(("fwhm_vox", "noise"), [(0.0, 0.0), (2.0, 0.05), (3.0, 0.1), (3.0, 0.25)])
def test_every_estimator_is_right_under_blur_and_noise(share, fwhm_vox, noise):
    found = _found(material_of(share, VOXEL, fwhm=fwhm_vox * VOXEL, noise=noise))
    for name, error in _errors(found).items():
        # A tenth of a percentage point: 0.5 % of the solid share of 19.6 %, of which drawing the
        # tubes takes 0.1 %, and a count of whole voxels 8 across the rest. Noise adds three
        # standard errors of a mean over 442 000 voxels, and 1.4 times as many with what lies
        # beyond base and top.
        assert abs(error) < 1e-3 + 3 * noise * np.sqrt(1.4 / 442_000), name
    assert found.total_from in ("partial_volume", "threshold")
    # The truth lies within three standard uncertainties.
    assert abs(found.total.value - TRUE) < 3 * found.total.u


def test_the_plain_count_reads_high_by_the_half_maximum_law(share):
    # D50/d = 1 - 0.3607 (w/d)² for large d/w (curvature of a Gaussian-blurred circle), so the
    # section loses 2 x 0.3607 (w/d)²; at w = 2.5 voxels, d = 8 the table of exact values gives
    # D50/d = 0.962 (between 0.9585 at d/w = 3 and 0.9770 at 4).
    fwhm = 2.5 * VOXEL
    found = _found(material_of(share, VOXEL, fwhm=fwhm))
    ratio = (1 - found.threshold_raw.value) / (1 - TRUE)
    # Crossings fill their weld lines, which the law for single fibres leaves out: a fifth of a
    # fibre's length lies near one, where the loss is about gone.
    assert 0.962**2 < ratio < 1 - 0.5 * 2 * 0.3607 * (fwhm / PILE.diameter) ** 2
    assert abs(found.threshold.value - TRUE) < 1e-3


def test_thin_fibres_vanish_from_a_threshold_and_are_told(share):
    # FWHM of 1.1 diameters: the peak falls below one half (table of exact values: 0.50 at 1.0).
    found = _found(material_of(share, VOXEL, fwhm=1.1 * PILE.diameter, u_anchor=0.02))
    assert found.total_from == "partial_volume"
    assert abs(found.fibre_model.value - TRUE) < 1e-3


def test_a_tailed_point_spread_is_corrected_too(share):
    # Three quarters of the weight narrow, one quarter twice as wide: not the tail that is fitted.
    sigma = 1.0
    blurred = 0.75 * gaussian_filter(share, sigma) + 0.25 * gaussian_filter(share, 2 * sigma)
    fwhm = 2.3548 * sigma * VOXEL
    material = replace(
        material_of(blurred, VOXEL),
        blur_um=Quantity(fwhm, 0.05 * fwhm, "µm", 9),
        blur_axes_um=(fwhm,) * 3,
    )
    found = _found(material)
    raw = abs(found.threshold_raw.value - TRUE)
    corrected = abs(found.threshold.value - TRUE)
    assert corrected < 0.25 * raw
    assert corrected < 3 * found.threshold.u


def test_air_integrates_to_nothing():
    rng = np.random.default_rng(5)
    noise = rng.normal(0.0, 0.25, (60, 60, 60))
    material = material_of(noise, 1.0)
    square = np.array([[5.0, 5.0], [50.0, 5.0], [50.0, 50.0], [5.0, 50.0]])
    envelope = Envelope("told", square, 5.0, 50.0, 0.0)
    found = measure_porosity(material, level_frame(), FibreField(), envelope)
    # Three standard errors of the mean of 45³ voxels at a contrast-to-noise of 4. A clipped map
    # would read 10 percentage points of solid.
    assert abs(found.partial_volume.value - 1.0) < 3 * 0.25 / np.sqrt(45**3)
    # A plain count takes 2.3 % of air for solid (a Gaussian's tail at two standard deviations);
    # freed from noise it is 0 within the scatter of 2 x 2 070 counts.
    assert found.threshold_raw.value == pytest.approx(1 - 0.02275, abs=1e-3)
    assert abs(found.threshold.value - 1.0) < 3 * np.sqrt(2 * 0.02275 * 45**3) / 45**3


def test_polymer_that_blur_carried_out_is_counted(share):
    blurred = material_of(share, VOXEL, fwhm=3 * VOXEL)
    envelope, _ = make_envelope(blurred, level_frame(), PILE.fibres(), PILE.wall_set())
    with_air = measure_porosity(blurred, level_frame(), PILE.fibres(), envelope)
    outside = 1 - np.average([p for _, p in with_air.by_height]) - (1 - TRUE)
    # Within the planes alone 1 to 4 % of the solid is missing (half a point spread at two faces
    # where the fibres' tangents touch the planes).
    assert -0.04 * (1 - TRUE) < outside < -0.005 * (1 - TRUE)
    assert abs(with_air.partial_volume.value - TRUE) < 5e-4


def test_a_collector_below_is_not_summed(share):
    with_plate = share.copy()
    plate = round((PILE.base - 0.5 * VOXEL) / VOXEL)
    with_plate[:plate] = 1.0
    with_plate[plate] = np.maximum(with_plate[plate], (PILE.base / VOXEL + 0.5) % 1)
    found = _found(material_of(with_plate, VOXEL, fwhm=2 * VOXEL))
    assert "no_air_beyond_face" in [n.code for n in found.notices]
    # The plate's own blur reaches in: an eighth of a voxel's sheet (sigma over root 2 pi) at most
    # 0.34 voxel over 48 voxels' height. Summing the plate itself would read 10 points of solid.
    assert abs(found.partial_volume.value - TRUE) < 0.34 / 48 + 1e-3


def test_without_fibres_the_integral_stands(share):
    material = material_of(share, VOXEL, fwhm=2 * VOXEL, noise=0.1)
    found = _found(material, fibres=FibreField())
    assert found.fibre_model is None
    assert abs(found.partial_volume.value - TRUE) < 1e-3
    # Blur is not corrected without fibres; the uncertainty says so.
    assert abs(found.threshold.value - TRUE) < 2 * found.threshold.u
    assert found.total_from == "partial_volume"


def test_a_segmented_scan_is_counted(share):
    mask = (share > 0.5).astype(np.float64)
    found = _found(material_of(mask, VOXEL))
    assert found.total_from == "threshold"
    assert found.threshold.value == found.threshold_raw.value
    assert found.total.value == pytest.approx(found.partial_volume.value, abs=2e-3)


def test_missed_fibres_are_told_and_widen_the_model(share):
    field = PILE.fibres()
    fewer = replace(field, fibres=tuple(f for f in field.fibres if f.id % 7 != 3))
    whole = _found(material_of(share, VOXEL, fwhm=2 * VOXEL))
    found = _found(material_of(share, VOXEL, fwhm=2 * VOXEL), fibres=fewer)
    missing = found.fibre_model.value - TRUE
    assert missing > 0.01
    assert found.fibre_model.u > 0.5 * missing > whole.fibre_model.u
    # The integral does not care; the count's correction is a ratio and hardly does.
    assert abs(found.partial_volume.value - TRUE) < 1e-3
    assert abs(found.threshold.value - TRUE) < 3e-3


def test_disagreement_is_told_and_widens_the_total(share):
    # The drawn fibres are a tenth too thick, and their uncertainty claims a hundredth.
    field = PILE.fibres(u_diameter=0.01)
    thick = tuple(replace(f, diameters_um=1.1 * f.diameters_um) for f in field.fibres)
    material = material_of(share, VOXEL, fwhm=2 * VOXEL)
    agreed = _found(material)
    found = _found(material, fibres=replace(field, fibres=thick))
    assert "estimators_disagree" in [n.code for n in found.notices]
    assert "estimators_disagree" not in [n.code for n in agreed.notices]
    assert found.total.u > agreed.total.u


def test_anchors_enter_the_uncertainty_and_do_not_average_out(share):
    sure = _found(material_of(share, VOXEL, u_anchor=1e-4))
    unsure = _found(material_of(share, VOXEL, u_anchor=0.02))
    # Air: 80 % of the volume, polymer 20 %: 0.02 sqrt(0.8² + 0.2²).
    assert unsure.partial_volume.u == pytest.approx(0.02 * np.hypot(TRUE, 1 - TRUE), rel=0.05)
    assert sure.partial_volume.u < unsure.partial_volume.u


def test_slope_is_the_change_for_a_higher_threshold(share):
    material = material_of(share, VOXEL, fwhm=2 * VOXEL)
    found = _found(material)
    higher = _found(replace(material, level=0.51))
    assert found.slope == pytest.approx(
        higher.threshold_raw.value - found.threshold_raw.value, abs=2e-5
    )
    assert found.slope > 0


def test_porosity_by_height_follows_the_layers(share):
    found = _found(material_of(share, VOXEL))
    heights, porosity = np.array(found.by_height).T
    # A slab at a layer's middle is filled over the diameter, at the contacts hardly.
    middle = porosity[np.abs(heights - PILE.heights[2]).argmin()]
    contact = porosity[np.abs(heights - (PILE.heights[2] + 10)).argmin()]
    # The slab next to a layer's middle runs from 0 to 5 µm above it, where the chord of the circle
    # is 19.13 µm on average, the next from 5 to 10 µm with 12.28 µm. Voxels half a slab high blend
    # a quarter of the neighbouring slab in (contact: 0.21, middle: 0.1 of the 6.9 µm between).
    assert middle == pytest.approx(1 - 19.13 / PILE.spacing, abs=0.01)
    assert contact == pytest.approx(1 - 12.28 / PILE.spacing, abs=0.02)
    assert np.diff(heights).std() < 1e-9
    assert porosity.mean() == pytest.approx(TRUE, abs=2e-3)


def test_sampling_scatter_of_a_regular_and_a_patchy_piece(share):
    regular = _found(material_of(share, VOXEL))
    patchy_share = share.copy()
    half = share.shape[2] // 2
    patchy_share[:, :, half:] *= 0.5
    patchy = _found(material_of(patchy_share, VOXEL), fibres=FibreField())
    assert 0 <= regular.u_sampling < 0.01
    assert patchy.u_sampling > 2 * regular.u_sampling
    again = _found(material_of(share, VOXEL))
    assert again.u_sampling == regular.u_sampling


@settings(max_examples=8, deadline=None)
@given(st.permutations([0, 1, 2]), st.tuples(st.booleans(), st.booleans(), st.booleans()))
def test_whole_array_does_not_care_for_axes_or_mirrors(order, mirrored):
    rng = np.random.default_rng(2)
    volume = gaussian_filter(rng.normal(size=(16, 20, 24)), 1.5)
    volume = (volume > 0.05).astype(float) * 0.9 + 0.05
    turned = np.transpose(volume, order)
    turned = turned[tuple(slice(None, None, -1 if m else 1) for m in mirrored)]
    values = []
    for v in (volume, np.ascontiguousarray(turned)):
        material = material_of(v, 1.0)
        envelope, _ = make_envelope(material, level_frame(), FibreField(), None, choice="block")
        found = measure_porosity(material, level_frame(), FibreField(), envelope)
        values.append((found.total.value, found.threshold_raw.value, found.accessible.value))
    assert values[0] == pytest.approx(values[1], abs=1e-6)


def test_an_envelope_outside_the_scan_is_refused():
    square = np.array([[500.0, 500.0], [510.0, 500.0], [510.0, 510.0], [500.0, 510.0]])
    envelope = Envelope("told", square, 0.0, 5.0, 0.0)
    with pytest.raises(NothingToMeasureError, match="no voxel"):
        measure_porosity(
            material_of(np.zeros((5, 5, 5)), 1.0), level_frame(), FibreField(), envelope
        )
