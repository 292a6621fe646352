"""Colours hold in grey print and for colour-blind readers."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from matplotlib.colors import Colormap, to_rgb
from skimage.color import rgb2lab

from volscan.report.style import (
    LAYERS,
    LEAN,
    PALETTE,
    as_png,
    as_svg,
    drawn_figure,
    family_colour,
    round_length,
)

# Dichromat simulation at full severity, linear RGB: Machado, Oliveira & Fernandes 2009, IEEE
# Trans. Vis. Comput. Graph. 15(6), 1291 (matrices from memory).
DEFICIENCY = {
    "none": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritan": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}


def _lightness(rgb: np.ndarray) -> np.ndarray:
    return rgb2lab(np.atleast_2d(rgb)[None])[0, :, 0]


def _seen(rgb: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    # sRGB transfer function, IEC 61966-2-1.
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    mixed = np.clip(linear @ matrix.T, 0, 1)
    return np.where(mixed <= 0.0031308, 12.92 * mixed, 1.055 * mixed ** (1 / 2.4) - 0.055)


def test_palette_steps_in_lightness() -> None:
    steps = np.diff(_lightness(np.array([to_rgb(c) for c in PALETTE.values()])))
    # Designed as 12 (the last 11); hex colours are rounded to 1/255, about 0.4 in lightness.
    assert steps.min() > 10.0
    assert steps.max() < 13.5


@pytest.mark.parametrize("kind", DEFICIENCY)
def test_palette_stays_apart_for_every_reader(kind: str) -> None:
    seen = rgb2lab(_seen(np.array([to_rgb(c) for c in PALETTE.values()]), DEFICIENCY[kind])[None])[
        0
    ]
    apart = [np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2)]
    assert min(apart) > 25.0


@pytest.mark.parametrize("scale", [LAYERS, LEAN], ids=["layers", "lean"])
def test_scales_grow_lighter_all_the_way(scale: Colormap) -> None:
    lightness = _lightness(scale(np.linspace(0, 1, 33))[:, :3])
    assert np.diff(lightness).min() > 0.5
    assert np.ptp(lightness) > 60


@pytest.mark.parametrize("count", range(1, 7))
def test_families_have_their_own_colours(count: int) -> None:
    assert len({family_colour(i, count) for i in range(count)}) == count


def test_figures_are_the_same_bytes() -> None:
    def drawn() -> tuple[bytes, bytes]:
        with drawn_figure(2.0) as figure:
            axes = figure.add_subplot()
            axes.plot([0, 1], [0, 1], label="a")
            figure.legend()
            return as_svg(figure), as_png(figure, dpi=60)

    assert drawn() == drawn()


@pytest.mark.parametrize(
    ("limit", "length"), [(730.0, 500.0), (200.0, 200.0), (0.034, 0.02), (99.0, 50.0), (1.0, 1.0)]
)
def test_scale_bars_are_round(limit: float, length: float) -> None:
    assert round_length(limit) == pytest.approx(length, rel=1e-12)
