"""Foreign bodies: taken out where they were put in, and nothing of a clean print."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tests.prepare.test_ct import scan
from volscan.prepare.ct import prepare_ct

SIZE = 88


def grids() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    z, y, x = np.meshgrid(*(np.arange(SIZE, dtype=float),) * 3, indexing="ij")
    return z, y, x


def bare() -> np.ndarray:
    """Return crossing rods of six voxels in the middle of the field, before blur."""
    z, y, x = grids()
    solid = np.zeros((SIZE,) * 3)
    inner_x, inner_y = np.abs(x - 43.5) < 22, np.abs(y - 43.5) < 22
    for centre in (28.0, 43.0, 58.0):
        for low in (34.0, 46.0):
            solid[((z - low) ** 2 + (y - centre) ** 2 <= 9.0) & inner_x] = 1.0
            solid[((z - low - 5) ** 2 + (x - centre) ** 2 <= 9.0) & inner_y] = 1.0
    return solid


def imaged(share: np.ndarray, *, seed: int = 1) -> np.ndarray:
    noise = np.random.default_rng(seed).standard_normal(share.shape)
    return gaussian_filter(share, 0.8) + 0.08 * noise


def ball(centre: tuple[float, float, float], radius: float) -> np.ndarray:
    z, y, x = grids()
    return (z - centre[0]) ** 2 + (y - centre[1]) ** 2 + (x - centre[2]) ** 2 <= radius**2


def speck(share: np.ndarray) -> np.ndarray:
    return np.where(ball((12.0, 20.0, 70.0), 3.0), 6.0, share)


def speck_on_rod(share: np.ndarray) -> np.ndarray:
    return np.where(ball((40.0, 43.0, 43.0), 3.0), 6.0, share)


def holder(share: np.ndarray) -> np.ndarray:
    _, y, x = grids()
    far = np.hypot(y - 44.0, x - 43.0)
    return np.where((far > 37) & (far < 41), 1.2, share)


def glue(share: np.ndarray) -> np.ndarray:
    return np.where(ball((42.0, 43.0, 74.0), 10.0), 0.9, share)


def tape(share: np.ndarray) -> np.ndarray:
    _, y, x = grids()
    # A sheet that is bent a little.
    return np.where(np.abs(y - 78.0 - 0.001 * (x - 44) ** 2) < 2.0, 1.0, share)


@pytest.mark.parametrize(
    ("add", "code"),
    [
        (speck, "dense_specks_excluded"),
        (speck_on_rod, "dense_specks_excluded"),
        (holder, "holder_excluded"),
        (glue, "lump_excluded"),
        (tape, "sheet_excluded"),
    ],
)
def test_a_foreign_body_is_taken_out_and_told(add, code):
    print_alone = bare()
    material = prepare_ct(scan(imaged(add(print_alone))))
    clean = prepare_ct(scan(imaged(print_alone)))
    notices = {n.code: n for n in material.notices}
    assert set(notices) == {code}
    assert notices[code].count == 1
    assert "µm at z, y, x" in notices[code].message
    body = (add(print_alone) != print_alone).astype(bool)
    assert np.all(material.fraction[body] == 0.0)
    assert not material.solid[body].any()
    # The anchors are those of the print alone: air to a standard error, polymer to the share of
    # solid that went with the body.
    assert material.air == pytest.approx(clean.air, abs=0.5)
    assert material.polymer == pytest.approx(clean.polymer, rel=0.01)
    # What is left of the print is all but what the body and the blur's reach about it took.
    away = ~gaussian_filter(body.astype(float), 2.0).astype(bool)
    kept = material.solid[away].sum() / clean.solid[away].sum()
    assert kept > 0.97


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_print_alone_holds_no_foreign_body(seed):
    assert prepare_ct(scan(imaged(bare(), seed=seed))).notices == ()


def test_walls_of_one_direction_are_no_sheets():
    _, y, _ = grids()
    z = grids()[0]
    share = np.zeros((SIZE,) * 3)
    for centre in (24.0, 44.0, 64.0):
        share[(np.abs(y - centre) < 3) & (z > 25) & (z < 60)] = 1.0
    codes = {n.code for n in prepare_ct(scan(imaged(share))).notices}
    assert "sheet_excluded" not in codes
    assert "lump_excluded" not in codes
