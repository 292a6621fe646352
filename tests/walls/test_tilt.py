"""Walls from hand-made fibres: sign of the tilt, offsets, in and out, missing fibres."""

from __future__ import annotations

import math

import numpy as np
import pytest

from volscan.fibres.field import WallStations
from volscan.frame.plate import plate_frame
from volscan.geometry import Fibre
from volscan.quantity import Quantity
from volscan.walls.tilt import fit_stations, fit_wall, wall_of

FRAME = plate_frame(
    np.array([1.0, 0.0, 0.0]), base_um=0.0, up="+z", mirrored=False, u_tilt_deg=0.01, h_from="test"
)
DIAMETER = 20.0


def wall_fibres(direction_deg, tilt_deg, *, count=6, rise=16.0, place=0.0, skip=()):
    """Return straight fibres of a wall that leans by `tilt_deg` toward its left normal."""
    a = math.radians(direction_deg)
    along, normal = np.array([math.cos(a), math.sin(a)]), np.array([-math.sin(a), math.cos(a)])
    fibres = []
    for k in range(count):
        if k in skip:
            continue
        height = 0.5 * DIAMETER + k * rise
        across = place + k * rise * math.tan(math.radians(tilt_deg))
        s = np.linspace(-200, 200, 9)
        xy = s[:, None] * along + across * normal
        fibres.append(
            Fibre(
                id=k,
                family=0,
                layer=k,
                wall=0,
                points_um=np.column_stack([xy, np.full(9, height)]),
                diameters_um=np.full(9, DIAMETER),
                diameter_um=Quantity(DIAMETER, 0.1, "µm", 1),
                direction_deg=direction_deg,
            )
        )
    return fibres


def measured(fibres, direction_deg, *, layers=6, middle=0.0, half_spacing=50.0, tolerance=1.0):
    numbers = np.array([f.layer for f in fibres], dtype=float)
    fit = fit_wall(fibres, numbers, direction_deg=direction_deg)
    return wall_of(
        0, fit, fibres, layers=layers, direction_deg=direction_deg, frame=FRAME, middle_um=middle,
        half_spacing_um=half_spacing, tolerance_deg=tolerance,
    )  # fmt: skip


@pytest.mark.parametrize("direction", [0.0, 37.0, 90.0, 150.0])
@pytest.mark.parametrize("tilt", [-10.0, 0.0, 4.0])
def test_tilt_is_positive_toward_the_left_normal(direction, tilt):
    wall = measured(wall_fibres(direction, tilt), direction)
    assert wall.tilt_deg.value == pytest.approx(tilt, abs=1e-9)
    a = math.radians(direction)
    expected = np.array([-math.sin(a), math.cos(a)]) * math.tan(math.radians(tilt))
    assert np.allclose(wall.lean_vector, expected)
    # Geometry: each fibre stands rise × tan(tilt) farther along the normal than the one below.
    assert wall.offset_per_fibre_um.value == pytest.approx(
        16.0 * math.tan(math.radians(tilt)), abs=1e-9
    )
    assert wall.height_um == pytest.approx(5 * 16.0 + DIAMETER)


def test_a_missing_fibre_keeps_its_number():
    wall = measured(wall_fibres(0.0, 5.0, skip=(2,)), 0.0)
    assert np.isnan(wall.layer_offset_um[2])
    assert np.isnan(wall.layer_heights_um[2])
    assert wall.offset_per_fibre_um.value == pytest.approx(16.0 * math.tan(math.radians(5.0)))
    assert wall.tilt_deg.n == 5


def test_in_and_out_are_told_from_the_middle():
    far = measured(wall_fibres(0.0, 6.0, place=300.0), 0.0)
    assert far.lean == "out"
    assert measured(wall_fibres(0.0, -6.0, place=300.0), 0.0).lean == "in"
    assert measured(wall_fibres(0.0, 6.0, place=-300.0), 0.0).lean == "in"
    assert measured(wall_fibres(0.0, 0.1, place=300.0), 0.0).lean == "upright"
    # Within half a spacing of the middle a lean is neither in nor out.
    assert measured(wall_fibres(0.0, 6.0, place=10.0), 0.0).lean is None


def test_position_is_told_at_half_height():
    wall = measured(wall_fibres(0.0, 10.0, place=100.0), 0.0)
    half = 0.5 * wall.height_um - 0.5 * DIAMETER
    assert wall.position_um == pytest.approx(100.0 + half * math.tan(math.radians(10.0)))


def test_a_single_fibre_has_no_tilt():
    wall = measured(wall_fibres(0.0, 0.0, count=1), 0.0, layers=1)
    assert wall.tilt_deg is None
    assert wall.lean is None


def test_the_frames_uncertainty_does_not_average_out():
    wall = measured(wall_fibres(0.0, 5.0), 0.0)
    assert wall.tilt_deg.u >= FRAME.u_tilt_deg


@pytest.mark.parametrize("tilt", [0.0, 5.0])
def test_fibres_shifted_along_a_winding_wall_do_not_make_it_lean(tilt):
    # Exact places on a sine of which stations see one flank more than the other, as between
    # crossings; each fibre is laid a little early or late along it.
    amplitude, wavelength, rise = 40.0, 280.0, 16.0
    late = np.array([5.0, -3.0, 1.0, 4.0, -6.0])
    height = 10.0 + rise * np.arange(late.size)
    s = np.arange(0.0, 840.0, 10.0)
    s = s[(s % wavelength < 120.0) | (s % wavelength > 200.0)]
    points = np.empty((s.size, late.size, 3))
    points[..., 0] = s[:, None]
    points[..., 1] = amplitude * np.sin(2 * np.pi * (s[:, None] - late) / wavelength)
    points[..., 1] += height * math.tan(math.radians(tilt))
    points[..., 2] = height
    u = np.full(points.shape[:2], 0.1)
    stations = WallStations(
        wall=0, family=0, layers=np.arange(late.size), points_um=points, u_across_um=u,
        radius_um=np.full(late.size, 10.0), curved=True,
    )  # fmt: skip
    even = np.arange(0.0, 840.0, 5.0)
    path = np.stack([even, amplitude * np.sin(2 * np.pi * even / wavelength)], axis=1)
    fit = fit_stations(stations, np.arange(late.size, dtype=float), direction_deg=0.0, path_um=path)
    # To first order in late / wavelength. The second, half of (2π 6 / 280)² of the amplitude, is
    # 0.36 µm at most: a thirtieth of the wall's width, 0.05 degrees over a rise of 64 µm where a
    # seventh of it is left (the mean of the sine over the stations seen).
    assert math.degrees(math.atan(fit.slope)) == pytest.approx(tilt, abs=0.05)
    # Told as it stands, the wall would seem to lean by more than that.
    plain = np.polyfit(height, points[..., 1].mean(axis=0), 1)[0]
    assert abs(math.degrees(math.atan(plain)) - tilt) > 0.15
