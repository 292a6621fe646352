"""A finished measurement made up number by number, so that the page can be held against it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from volscan.design import Design
from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Envelope, Family, Fibre, Wall
from volscan.pores.space import PoreDomain, PoreSpace
from volscan.porosity import Porosity
from volscan.prepare.material import MaterialMap
from volscan.quantity import Notice, Quantity
from volscan.results import Results
from volscan.results_assemble import assemble
from volscan.results_document import Measured
from volscan.settings import Settings
from volscan.shift.plan import Advice, ShiftPlan, SystematicLean
from volscan.volume import Source, Volume
from volscan.walls.wallset import WallSet, WallSheet

VOXEL_UM = 4.0
SIDE_UM = 720.0
SPACING_UM = 120.0
DIAMETER_UM = 15.0
LAYERS = 12
RISE_UM = 13.0
# Tilt of each wall (degrees): family 0 leans as a whole, family 1 by chance.
TILTS = ((4.6, 5.1, 4.9, 5.3, 4.8, 5.2), (-0.4, 0.7, 0.2, -2.1, 0.5, 0.1))


def _direction(family: int) -> tuple[np.ndarray, np.ndarray]:
    along = np.array([1.0, 0.0]) if family == 0 else np.array([0.0, 1.0])
    return along, np.array([-along[1], along[0]])


def _position(family: int, k: int) -> float:
    middle = 60.0 + SPACING_UM * k
    return middle if family == 0 else -middle


def _make_fibres() -> tuple[list[Fibre], list[Wall], list[WallSheet]]:
    fibres, walls, sheets = [], [], []
    rng = np.random.default_rng(5)
    half = 0.5 * RISE_UM * (LAYERS - 2)
    for family, tilts in enumerate(TILTS):
        along, normal = _direction(family)
        for k, tilt in enumerate(tilts):
            slope, place = math.tan(math.radians(tilt)), _position(family, k)
            heights = DIAMETER_UM / 2 + RISE_UM * np.arange(family, LAYERS, 2)
            offsets = slope * (heights - heights[0]) + rng.normal(0, 0.3, heights.size)
            offsets -= offsets[0]
            wall = len(walls)
            for n, h in enumerate(heights):
                t = np.linspace(0, SIDE_UM, 13)
                plan = along * t[:, None] + normal * (place + offsets[n] - slope * half)
                d = DIAMETER_UM + rng.normal(0, 0.25)
                fibres.append(
                    Fibre(
                        len(fibres),
                        family,
                        family + 2 * n,
                        wall,
                        np.column_stack([plan, np.full(t.size, h)]),
                        np.full(t.size, d),
                        Quantity(d, 0.1, "µm", 1, 0.2),
                        90.0 * family,
                    )
                )
            walls.append(
                Wall(
                    wall,
                    family,
                    90.0 * family,
                    place,
                    SIDE_UM,
                    heights[-1] + DIAMETER_UM / 2,
                    Quantity(tilt, 0.12, "deg", heights.size),
                    (slope * normal[0], slope * normal[1]),
                    "upright" if abs(tilt) < 0.76 else "out" if k > 2 else "in",
                    tuple((s, tilt + 0.2 * math.sin(s), 0.14) for s in (120.0, 360.0, 600.0)),
                    heights,
                    offsets,
                    Quantity(2 * RISE_UM * slope, 0.06, "µm", heights.size),
                    along * np.array([[0.0], [SIDE_UM]]) + normal * place,
                    Quantity(0.31 + 0.01 * k, 0.12, "µm", heights.size),
                )
            )
            across, up = np.arange(-40.0, 41.0, 2.0), np.arange(0.0, 176.0, 2.0)
            centre = offsets - np.mean(offsets)
            gap = np.hypot(
                across[None, None] - centre[:, None, None],
                up[None, :, None] - heights[:, None, None],
            ).min(axis=0)
            section = 1 / (1 + np.exp((gap - DIAMETER_UM / 2) / 1.5))
            face, stations = None, None
            if k == 2:
                stations = np.arange(2.0, SIDE_UM, 4.0)
                face = np.repeat(section.max(axis=1)[:, None], stations.size, axis=1)
                face = face.astype(np.float32)
            sheets.append(WallSheet(wall, section.astype(np.float32), across, up, face, stations))
    return fibres, walls, sheets


def _make_scan(fibres: list[Fibre]) -> np.ndarray:
    n, height = int(SIDE_UM / VOXEL_UM) + 1, 52
    solid = np.zeros((height, n, n), dtype=bool)
    z, at = np.arange(height) * VOXEL_UM, np.arange(n) * VOXEL_UM
    for f in fibres:
        x, y, h = f.points_um[0]
        place = y if f.family == 0 else x
        disc = (z[:, None] - h) ** 2 + (at[None] - place) ** 2 <= (f.diameter_um.value / 2) ** 2
        solid |= disc[:, :, None] if f.family == 0 else disc[:, None, :]
    noise = np.random.default_rng(8).normal(0, 350, solid.shape)
    return (8000 + 14000 * solid + noise).astype(np.uint16)


def _measured() -> Measured:
    fibres, walls, sheets = _make_fibres()
    grey = _make_scan(fibres)
    spacing = (VOXEL_UM,) * 3
    volume = Volume(grey, spacing, "TIFF tags", "ct", Source("ear_patch_07.tif", "5e" * 32, "TIFF"))
    material = MaterialMap(
        ((grey - 8000.0) / 14000.0).astype(np.float32),
        spacing,
        8000.0,
        22000.0,
        20.0,
        60.0,
        "plateaus of the histogram",
        0.5,
        15000.0,
        "half-max",
        350.0,
        360.0,
        Quantity(8.4, 0.3, "µm", 40),
        (8.6, 8.3, 8.3),
        grey > 15000,
    )
    eye = np.eye(3)
    frame = BuildFrame(
        "plate", np.zeros(3), eye[2], eye[1], eye[0], "+z", True, True, 1.73, 0.05, "layer planes"
    )
    families = tuple(
        Family(
            i,
            Quantity(90.0 * i, 0.03, "deg", 36),
            Quantity(SPACING_UM, 0.21, "µm", 5, 0.5),
            Quantity(DIAMETER_UM, 0.08, "µm", 36, 0.3),
            36,
            6,
            6,
            Quantity(2 * RISE_UM, 0.04, "µm", 30),
            1.37,
            3.21,
        )
        for i in range(2)
    )
    field = FibreField(
        tuple(fibres),
        families,
        Quantity(15.03, 0.06, "µm", 72, 0.27),
        LAYERS,
        (),
        Quantity(RISE_UM, 0.02, "µm", 11, 0.1),
        Quantity(158.2, 0.4, "µm", 72),
    )
    edge = np.array([[120.0, 120], [600, 120], [600, 600], [120, 600]])
    bins = np.linspace(10, 150, 15)
    share = np.exp(-(((bins - 95) / 28) ** 2))
    probes = np.linspace(0, 150, 31)
    reach = np.clip(1.0 / (1 + np.exp((probes - 104) / 5)), 0, 1) * 0.998
    return Measured(
        volume,
        Settings(up="+z", mirrored=False),
        material,
        frame,
        field,
        WallSet(tuple(walls), tuple(sheets)),
        ShiftPlan(
            (
                SystematicLean(
                    0, "common to the family", Quantity(4.98, 0.11, "deg", 6), (0.0, 0.0871), 0.26
                ),
                SystematicLean(
                    1, "none stands out", Quantity(-0.17, 0.42, "deg", 6), (0.003, 0.0), 1.02
                ),
            ),
            (
                Advice("print", None, None, (0.0, -2.27), True, "one vector for both families"),
                Advice(
                    "family",
                    0,
                    Quantity(-2.27, 0.05, "µm", 6),
                    (0.0, -2.27),
                    True,
                    "the lean stands 45 standard uncertainties above zero",
                ),
                Advice(
                    "family",
                    1,
                    Quantity(0.08, 0.19, "µm", 6),
                    (-0.08, 0.0),
                    False,
                    "the lean cannot be told from zero",
                ),
                Advice(
                    "wall",
                    9,
                    Quantity(0.95, 0.06, "µm", 1),
                    (-0.95, 0.0),
                    False,
                    "one print cannot tell this wall's lean from chance",
                ),
            ),
        ),
        Envelope("whole cells, cut at mid-pore lines", edge, 0.0, 158.2, 0.004),
        Porosity(
            Quantity(0.8671, 0.0021, "1", 4),
            "partial_volume",
            0.0043,
            Quantity(0.8668, 0.0021, "1", 4),
            Quantity(0.00031, 0.0002, "1", 4),
            Quantity(0.8655, 0.0028, "1", 4),
            Quantity(0.8702, 0.0030, "1", 4),
            Quantity(0.8671, 0.0021, "1", 4),
            Quantity(0.8689, 0.0025, "1", 72),
            tuple((2.0 + 4 * i, 0.868 + 0.02 * math.sin(i)) for i in range(39)),
            0.00083,
        ),
        PoreSpace(
            PoreDomain((120.0, 120.0, 0.0), (480.0, 480.0, 158.2), 0.0),
            Quantity(92.4, 0.9, "µm", 16, 11.0),
            Quantity(61.7, 0.8, "µm", 16),
            Quantity(94.6, 0.8, "µm", 16),
            Quantity(118.3, 1.1, "µm", 16),
            Quantity(12.2, 0.6, "µm", 16),
            Quantity(11.4, 0.6, "µm", 16),
            Quantity(103.8, 0.7, "µm", 16),
            tuple(zip(probes.tolist(), reach.tolist(), strict=True)),
            np.column_stack([bins, share / share.sum()]),
            0.9996,
        ),
        (Notice("field_cut", "the scaffold reaches the edge of the field of view", 4),),
    )


def _results(m: Measured, design: Design | None = None) -> Results:
    return assemble(m, extra_settings={"voxel_um": None}, design=design)


@pytest.fixture(scope="session")
def patch() -> Results:
    """Return a full measurement with a design."""
    design = Design((0.0, 90.0), (SPACING_UM, SPACING_UM), DIAMETER_UM, LAYERS, RISE_UM)
    return _results(_measured(), design)


@pytest.fixture(scope="session")
def foam() -> Results:
    """Return a scan without fibres, walls, layers or throats."""
    m = _measured()
    empty = FibreField(notices=(Notice("no_fibres", "no fibres were found in this scan"),))
    pores = replace(m.pores, domain=None, throat_x_um=None, throat_y_um=None, throat_h_um=None)
    porosity = replace(m.porosity, fibre_model=None)
    return _results(
        replace(m, field=empty, walls=WallSet(), shift=ShiftPlan(), pores=pores, porosity=porosity)
    )


@pytest.fixture(scope="session")
def bare() -> Results:
    """Return a scan of which next to nothing could be measured."""
    m = _measured()
    material = replace(m.material, blur_um=None, blur_axes_um=None, noise_polymer=None)
    frame = replace(m.frame, u_tilt_deg=None, up_confirmed=False, mirrored_confirmed=False)
    return _results(
        replace(
            m,
            field=FibreField(),
            walls=WallSet(),
            shift=ShiftPlan(),
            pores=None,
            porosity=None,
            envelope=None,
            material=material,
            frame=frame,
        )
    )
