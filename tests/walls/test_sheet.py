"""Sheets straighten walls along their path, curved ones too."""

from __future__ import annotations

import math

import numpy as np
import pytest

from volscan.geometry import BuildFrame, Fibre, Wall
from volscan.prepare.material import MaterialMap
from volscan.quantity import Quantity
from volscan.walls.sheet import wall_sheets
from volscan.walls.wallset import WallSheet

VOXEL_UM, RADIUS_UM = 2.0, 9.0
HEIGHTS_UM = np.array([14.0, 40.0, 66.0])
AMPLITUDE_UM, WAVELENGTH_UM, LENGTH_UM, MIDDLE_UM = 14.0, 150.0, 240.0, 60.0
TILT_DEG = 6.0


def _path(s: np.ndarray, amplitude_um: float) -> np.ndarray:
    n = MIDDLE_UM + amplitude_um * np.sin(2 * np.pi * s / WAVELENGTH_UM)
    return np.column_stack([s, n])


def _sheet(amplitude_um: float) -> tuple[WallSheet, np.ndarray]:
    """Return the sheet of one wall of round fibres, drawn voxel by voxel, and its path."""
    slope = math.tan(math.radians(TILT_DEG))
    s = np.linspace(0.0, LENGTH_UM, 121)
    path = _path(s, amplitude_um)
    shape = (45, 62, 124)
    z, y, x = (np.arange(n) * VOXEL_UM for n in shape)
    gap = np.full(shape, np.inf)
    for h in HEIGHTS_UM:
        centre = path + np.array([0.0, slope * (h - HEIGHTS_UM.mean())])
        plan = np.full(shape[1:], np.inf)
        for p in _path(np.linspace(0, LENGTH_UM, 481), amplitude_um):
            moved = p + centre[0] - path[0]
            plan = np.minimum(plan, np.hypot(x[None] - moved[0], y[:, None] - moved[1]))
        gap = np.minimum(gap, np.hypot(plan[None], z[:, None, None] - h))
    fraction = np.clip(0.5 + (RADIUS_UM - gap) / VOXEL_UM, 0, 1).astype(np.float32)
    material = MaterialMap(
        fraction, (VOXEL_UM,) * 3, 0.0, 1.0, 0.01, 0.01, "told", 0.5, 0.5, "half-max", 0.01, 0.01,
        Quantity(2.0, 0.1, "µm", 1), (2.0,) * 3, fraction > 0.5,
    )  # fmt: skip
    eye = np.eye(3)
    frame = BuildFrame(
        "plate", np.zeros(3), eye[2], eye[1], eye[0], "+z", True, True, 0.0, 0.05, "told"
    )
    fibres = tuple(
        Fibre(
            k, 0, k, 0,
            np.column_stack([path + np.array([0.0, slope * (h - HEIGHTS_UM.mean())]),
                             np.full(len(path), h)]),
            np.full(len(path), 2 * RADIUS_UM), Quantity(2 * RADIUS_UM, 0.1, "µm", 1), 0.0,
        )
        for k, h in enumerate(HEIGHTS_UM)
    )  # fmt: skip
    # A path told at another height than the wall's half height is moved there.
    told = fibres[2].points_um[:, :2] if amplitude_um else path[[0, -1]]
    wall = Wall(
        0, 0, 0.0, MIDDLE_UM, LENGTH_UM, 70.0, Quantity(TILT_DEG, 0.1, "deg", 3), (0.0, slope),
        None, (), HEIGHTS_UM, slope * (HEIGHTS_UM - HEIGHTS_UM[0]), None, told,
    )  # fmt: skip
    return wall_sheets(material, frame, fibres, (wall,))[0], path


@pytest.mark.parametrize("amplitude_um", [0.0, AMPLITUDE_UM])
def test_a_section_holds_the_discs_where_they_lean(amplitude_um: float) -> None:
    sheet, _ = _sheet(amplitude_um)
    slope = math.tan(math.radians(TILT_DEG))
    for h in HEIGHTS_UM:
        rows = np.abs(sheet.height_um - h) <= RADIUS_UM + VOXEL_UM
        weight = sheet.section[rows].sum(axis=0, dtype=np.float64)
        centre = float(np.average(sheet.across_um, weights=weight))
        # Bins of one voxel and whole stations: a tenth of a voxel.
        assert centre == pytest.approx(slope * (h - HEIGHTS_UM.mean()), abs=0.1 * VOXEL_UM)
        spread = float(np.average((sheet.across_um - centre) ** 2, weights=weight))
        # A disc's second moment about its diameter is r²/4; the lean within a disc's own height
        # adds slope² r²/4, voxels, bins and the drawn edge p²/12 each, moving rows back by parts of
        # a bin up to p²/4 more. Gathered along a straight line the wave would add 98 µm².
        disc = RADIUS_UM**2 / 4 * (1 + slope**2)
        assert disc - 0.5 <= spread <= disc + VOXEL_UM**2 * (3 / 12 + 1 / 4) + 0.5


def test_a_face_runs_along_the_path() -> None:
    sheet, path = _sheet(AMPLITUDE_UM)
    assert sheet.face is not None
    assert sheet.along_um is not None
    arc = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
    step = sheet.along_um[1] - sheet.along_um[0]
    assert sheet.along_um[-1] + step / 2 == pytest.approx(arc, rel=1e-3)
    inside = slice(4, -4)
    for h in HEIGHTS_UM:
        row = int(np.argmin(np.abs(sheet.height_um - h)))
        assert sheet.face[row, inside].min() > 0.9
    for h in 0.5 * (HEIGHTS_UM[1:] + HEIGHTS_UM[:-1]):
        # Fibres are 8 µm apart: their drawn edges end a voxel off the row between them.
        row = int(np.argmin(np.abs(sheet.height_um - h)))
        assert sheet.face[row, inside].max() < 0.3
