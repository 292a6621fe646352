"""A wound tube's geometry against the closed relations of helices, arcs and turning mandrels."""

from __future__ import annotations

import math

import numpy as np
import pytest

from volscan.errors import SettingsError
from volscan.phantom.tube import laydown_deg
from volscan.phantom.tube_scan import tube_spec
from volscan.phantom.tube_wind import build_tube

SLEEVE = {
    "mandrel_diameter_um": 400,
    "diameter_um": 20,
    "winding_angle_deg": 45,
    "starts": 6,
    "layers": 6,
    "layer_height_um": 18,
    "length_um": 600,
}


def spec_of(**changes):
    return tube_spec(**{**SLEEVE, **changes})


@pytest.mark.parametrize(
    ("diameter_mm", "angle", "pitch_mm"),
    # P = π D / tan a: derived, hand-checked table.
    [
        (3, 30, 16.3242),
        (3, 45, 9.42478),
        (3, 60, 5.44140),
        (2, 60, 3.62760),
        (5, 55, 10.9988),
    ],
)
def test_pitch_of_a_winding_on_its_mandrel(diameter_mm, angle, pitch_mm):
    spec = spec_of(mandrel_diameter_um=1000 * diameter_mm, winding_angle_deg=angle)
    # The table has six digits.
    assert spec.pitch_um(0) == pytest.approx(1000 * pitch_mm, rel=5e-6)
    assert spec.pitch_um(1) == spec.pitch_um(0)
    assert spec.winding_deg(0, 500 * diameter_mm) == pytest.approx(angle, abs=1e-12)
    assert spec.winding_deg(1, 500 * diameter_mm) == pytest.approx(-angle, abs=1e-12)


def test_every_fibre_is_a_helix_of_its_hand_at_its_own_radius():
    spec = spec_of(winding_angle_deg=[50, -35])
    tube = build_tube(spec)
    assert len(tube.strands) == 6 * 6
    for strand in tube.strands:
        points = tube.positions_um(strand.places)
        r = spec.radius_um(strand.layer)
        np.testing.assert_allclose(np.hypot(points[:, 0], points[:, 1]), r, rtol=1e-12)
        chord = np.diff(points, axis=0)
        middle = (points[1:] + points[:-1]) / 2
        around = np.cross([0.0, 0.0, 1.0], middle / np.linalg.norm(middle[:, :2], axis=1)[:, None])
        # Right-handed: turning from X toward Y while going along Z.
        angle = np.degrees(np.arctan2((chord * around).sum(axis=1), chord[:, 2]))
        pitch = math.pi * 400 / math.tan(math.radians(50 if strand.direction == 0 else -35))
        # Chords of at most 0.02 µm sagitta turn by under 3 degrees; they are shorter than the
        # arc by its square over 24, less than 1e-4.
        np.testing.assert_allclose(np.tan(np.radians(angle)), 2 * math.pi * r / pitch, rtol=1.5e-4)


def test_starts_are_even_around_and_stacks_stand_radially():
    spec = spec_of()
    tube = build_tube(spec)
    for layer in range(6):
        own = [s for s in tube.strands if s.layer == layer]
        first = np.sort(np.mod([s.places[0, 1] for s in own], 2 * math.pi))
        gaps = np.diff([*first, first[0] + 2 * math.pi])
        np.testing.assert_allclose(gaps, 2 * math.pi / 6, rtol=1e-9)
        below = [s.places[0, 1] for s in tube.strands if s.layer == layer % 2]
        np.testing.assert_allclose([s.places[0, 1] for s in own], below, atol=1e-12)


@pytest.mark.parametrize(("winding", "laydown"), [(60, 120), (-60, 60), (0, 0), (0.3, -0.3)])
def test_laydown_direction_of_a_winding(winding, laydown):
    # A right-handed helix at 60° from the axis has lay-down direction 120° on the sheet.
    assert laydown_deg(winding) == pytest.approx(laydown, abs=1e-12)


def test_a_lean_displaces_along_the_left_normal_at_each_fibres_own_radius():
    plain, leaned = build_tube(spec_of()), build_tube(spec_of(lean=[[7.0] * 6, [-4.0] * 6]))
    for a, b in zip(plain.strands, leaned.strands, strict=True):
        r = a.places[0, 2]
        alpha = math.radians(laydown_deg(math.degrees(math.atan(_slope(a) * r))))
        # On the sheet of radius r, y = h × x runs against φ.
        shift = -r * (b.places[:, 1] - a.places[:, 1]) * math.cos(alpha)
        step = a.layer // 2
        tilt = 7.0 if a.direction == 0 else -4.0
        np.testing.assert_allclose(shift, step * 36 * math.tan(math.radians(tilt)), atol=1e-9)


def _slope(strand):
    """dφ/ds."""
    s, phi, _ = strand.places.T
    return (phi[-1] - phi[0]) / (s[-1] - s[0])


@pytest.mark.parametrize(("visits", "together"), [(5, 1), (7, 1), (4, 2), (3, 3)])
def test_there_and_back_winding_visits_every_pivot_point_if_coprime(visits, together):
    """2 L tan a / (π D) turns a cycle; its fraction m/N, m and N coprime, visits all N."""
    starts = 6
    pitch = spec_of().pitch_um(0)
    turn = 90.0
    # Turning at both ends takes its part of the cycle.
    turning = 2 * turn / (2 * math.pi * 200)
    length = (visits / starts - turning) * pitch / 2
    spec = spec_of(length_um=length, turn_um=turn, layers=3)
    assert spec.revolutions_per_cycle == pytest.approx(visits / starts, rel=1e-12)
    turns = {(s.layer, s.start): s for s in build_tube(spec).strands if s.to_start is not None}
    assert len(turns) == 2 * starts
    seen, at = [], 0
    while at not in seen:
        seen.append(at)
        at = turns[1, turns[0, at].to_start].to_start
    assert len(seen) * together == starts
    assert math.gcd(visits, starts) == together


def test_plain_there_and_back_turns_by_the_winding_relation():
    spec = spec_of(winding_angle_deg=30)
    told = 2 * 600 * math.tan(math.radians(30)) / (math.pi * 400)
    assert spec.revolutions_per_cycle == pytest.approx(told, rel=1e-12)


def test_turns_join_fibre_ends_smoothly():
    spec = spec_of(turn_um=90.0, winding_angle_deg=[-50, 40], length_um=500)
    pitch = [spec.pitch_um(d) for d in (0, 1)]
    # At the far end the directions meet by construction.
    tube = build_tube(spec)
    fibres = {(s.layer, s.start): s for s in tube.strands if s.to_start is None}
    far = [s for s in tube.strands if s.to_start is not None and s.layer % 2 == 0]
    assert len(far) == 3 * 6
    for turn in far:
        a = fibres[turn.layer, turn.start]
        b = fibres[turn.layer + 1, turn.to_start]
        np.testing.assert_allclose(turn.places[0], a.places[-1], atol=1e-9)
        gap = (turn.places[-1] - b.places[-1]) / np.array([1.0, 2 * math.pi, 1.0])
        np.testing.assert_allclose(gap, np.round(gap), atol=1e-9)
        assert abs(turn.places[-1, 1] - turn.places[0, 1]) == pytest.approx(90.0 / 200, rel=1e-9)
        assert turn.places[1:-1, 0].min() > 500
        # Exact slopes of a parabola at its ends: by the three-point formula.
        s, phi, _ = turn.places.T
        for end, wound in ((slice(0, 3), pitch[0]), (slice(-1, -4, -1), pitch[1])):
            ds = np.dot([-1.5, 2.0, -0.5], s[end])
            dphi = np.dot([-1.5, 2.0, -0.5], phi[end])
            assert abs(ds / dphi) == pytest.approx(wound / (2 * math.pi), rel=1e-9)


def test_bend_is_the_sagitta_and_oval_the_second_harmonic():
    spec = spec_of(bend_um=40.0, bend_toward_deg=70.0, oval=0.06, oval_toward_deg=25.0)
    tube = build_tube(spec)
    s = np.linspace(0, 600, 2001)
    # The mean of points opposite each other lies on the axis, ovality having no odd part.
    pair = [np.column_stack([s, np.full_like(s, p), np.full_like(s, 250.0)]) for p in (0, math.pi)]
    axis = (tube.positions_um(pair[0]) + tube.positions_um(pair[1])) / 2
    line = axis[-1] - axis[0]
    line /= np.linalg.norm(line)
    off = axis - axis[0] - ((axis - axis[0]) @ line)[:, None] * line
    assert np.linalg.norm(off, axis=1).max() == pytest.approx(40.0, rel=1e-9)
    # The ends lie toward the centre of curvature.
    toward = np.array([math.cos(math.radians(70)), math.sin(math.radians(70)), 0.0])
    np.testing.assert_allclose(-off[1000] / 40.0, toward, atol=1e-9)
    # Arc length along the axis is s: 2000 chords of an arc of radius 1.1 mm are short by 4e-9.
    steps = np.linalg.norm(np.diff(axis, axis=0), axis=1)
    assert steps.sum() == pytest.approx(600, rel=1e-7)
    phi = np.linspace(0, 2 * math.pi, 3600, endpoint=False)
    ring = np.column_stack([np.full_like(phi, 100.0), phi, np.full_like(phi, spec.mean_radius_um)])
    at = tube.positions_um(ring)
    radius = np.linalg.norm(at - at.mean(axis=0), axis=1)
    assert radius.mean() == pytest.approx(spec.mean_radius_um, rel=1e-9)
    assert np.ptp(radius) / radius.mean() == pytest.approx(spec.ovality, rel=1e-4)
    assert math.degrees(phi[np.argmax(radius)]) % 180 == pytest.approx(25.0, abs=0.1)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"winding_angle_deg": [89, -45]}, "winding_angles_deg"),
        ({"starts": 0}, "must be > 0"),
        ({"starts": 60}, "touch"),
        ({"winding_angle_deg": [85, -85], "starts": 7}, "touch"),
        ({"lean": [[65, 0, 0, 0, 0, 0], 0]}, "touch"),
        ({"layers": 1}, "needs a layer for each"),
        ({"lean": [[1.0, 2.0], 0]}, "tilt_deg needs 6 values"),
        ({"lean": {"kind": "fan"}}, "must be mixed"),
        ({"turn_um": 50, "winding_angle_deg": [45, 30]}, "opposite hand"),
        ({"turn_um": 50, "morphology": "fused"}, "opposite hand"),
        ({"bend_um": 200}, "bend_um"),
        ({"bend_um": 110, "length_um": 500}, "too much"),
        ({"oval": 0.4}, "oval"),
        ({"axis": "h"}, "axis must be"),
        ({"morphology": "felt"}, "morphology"),
        ({"length_um": math.nan}, "finite"),
    ],
)
def test_what_cannot_be_wound_is_refused(changes, message):
    with pytest.raises(SettingsError, match=message):
        build_tube(spec_of(**changes))
