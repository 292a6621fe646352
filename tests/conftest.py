"""A finished measurement made up by hand, so that what is written can be held against it."""

from __future__ import annotations

import os

import numpy as np
import pytest

from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Envelope, Family, Fibre, Wall
from volscan.pores.space import PoreDomain, PoreSpace
from volscan.porosity import Porosity
from volscan.prepare.material import MaterialMap
from volscan.quantity import Notice, Quantity
from volscan.results_document import Measured
from volscan.settings import Settings
from volscan.shift.plan import Advice, ShiftPlan, SystematicLean
from volscan.volume import Source, Volume
from volscan.walls.wallset import WallSet, WallSheet

# Large real scans are measured only where VOLSCAN_REAL_DATA names their folder.
collect_ignore = [] if os.environ.get("VOLSCAN_REAL_DATA") else ["test_measure_real_scans.py"]


def _volume() -> Volume:
    rng = np.random.default_rng(11)
    samples = rng.integers(900, 1100, size=(20, 30, 40)).astype(np.uint16)
    samples[5:15, 12:16, :] = 5000
    return Volume(
        samples,
        (4.0, 4.0, 4.0),
        "given by the user",
        "ct",
        Source("some/patch.npy", "ab" * 32, "npy"),
    )


def _material(volume: Volume) -> MaterialMap:
    fraction = ((volume.samples.astype(np.float64) - 1000) / 4000).astype(np.float32)
    return MaterialMap(
        fraction, volume.spacing_um, 1000.0, 5000.0, 2.0, 15.0, "plateaus", 0.5, 3000.0, "half-max",
        58.0, None, Quantity(8.0, 0.3, "µm", 40), (8.0, 8.0, 8.0), fraction > 0.5,
    )  # fmt: skip


def _frame() -> BuildFrame:
    return BuildFrame(
        "plate", np.array([20.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0]),
        np.array([1.0, 0.0, 0.0]), "+z", True, True, 1.5, 0.05, "layer planes",
    )  # fmt: skip


def _wall(number: int, tilt: float | None) -> Wall:
    q = None if tilt is None else Quantity(tilt, 0.1, "deg", 3)
    slope = None if tilt is None else (0.0, float(np.tan(np.radians(tilt))))
    return Wall(
        number, 0, 0.0, 30.0 + 25.0 * number, 150.0, 40.0, q, slope,
        None if tilt is None else "in", (), np.array([8.0, 20.0, 32.0]),
        np.array([0.0, np.nan, 2.1]), None if tilt is None else Quantity(1.05, 0.05, "µm", 3),
        np.array([[0.0, 30.0], [150.0, 30.0]]),
    )  # fmt: skip


@pytest.fixture
def measured() -> Measured:
    """A scan with three walls, one of which has no tilt."""
    volume = _volume()
    fibres = tuple(
        Fibre(
            i, 0, i, 0 if i < 2 else None,
            np.array([[x, y, 8.0 + 12 * i] for x, y in ((0.0, 30.0), (75.0, 31.0), (150.0, 30.0))]),
            np.array([15.0, 16.0, 15.5]), Quantity(15.5, 0.2, "µm", 1, 0.5), 0.0,
        )
        for i in range(3)
    )  # fmt: skip
    family = Family(
        0, Quantity(0.2, 0.05, "deg", 3), Quantity(25.0, 0.1, "µm", 2, 0.2),
        Quantity(15.5, 0.2, "µm", 3, 0.3), 3, 3, 3, Quantity(12.0, 0.1, "µm", 2), 0.4, 0.7,
    )  # fmt: skip
    field = FibreField(
        fibres, (family,), Quantity(15.5, 0.2, "µm", 3, 0.3), 3, (8.0, 20.0, 32.0),
        Quantity(12.0, 0.1, "µm", 2), Quantity(40.0, 0.4, "µm", 3),
    )  # fmt: skip
    sheet = WallSheet(
        0, np.ones((4, 3), dtype=np.float32), np.array([-4.0, 0.0, 4.0]), np.arange(4) * 4.0
    )
    walls = WallSet(
        (_wall(0, 5.0), _wall(1, 4.6), _wall(2, None)), (sheet,),
        (Notice("single_fibre_walls", "walls of one fibre have no tilt", 1),),
    )  # fmt: skip
    shift = ShiftPlan(
        (
            SystematicLean(
                0, "common to the family", Quantity(4.8, 0.12, "deg", 2), (0.0, 0.084), 0.28
            ),
        ),
        (
            Advice("family", 0, Quantity(-1.0, 0.06, "µm", 2), (0.0, -1.0), True, "stands out"),
            Advice("print", None, None, (0.0, -1.0), False, "one family only"),
        ),
    )  # fmt: skip
    envelope = Envelope(
        "whole cells",
        np.array([[10.0, 20.0], [140.0, 20.0], [140.0, 90.0], [10.0, 90.0]]), 0.0, 40.0, 0.004,
    )  # fmt: skip
    total = Quantity(0.9, 0.004, "1", 4)
    porosity = Porosity(
        total=total, total_from="partial_volume", u_sampling=0.01,
        accessible=Quantity(0.89, 0.004, "1", 4), sealed=Quantity(0.01, 0.002, "1", 4),
        threshold=total, threshold_raw=Quantity(0.907, 0.004, "1", 4), partial_volume=total,
        fibre_model=None, by_height=((2.0, 0.93), (6.0, 0.88)), slope=0.0012, surface_level=0.48,
    )  # fmt: skip
    q = Quantity(21.0, 0.5, "µm", 4, 3.0)
    pores = PoreSpace(
        PoreDomain((10.0, 20.0, 0.0), (130.0, 70.0, 40.0), 0.2), q, q, q, q, q, None, q,
        ((0.0, 1.0), (20.0, 0.6)), np.array([[10.0, 0.3], [25.0, 0.7]]), 0.99,
        (Notice("throat_closed", "no sphere crosses along y: pores.throat_um.y is null", 1),),
    )  # fmt: skip
    settings = Settings(up="+z", mirrored=False, voxel_u_percent=0.5)
    return Measured(
        volume,
        settings,
        _material(volume),
        _frame(),
        field,
        walls,
        shift,
        envelope,
        porosity,
        pores,
    )
