"""A 0/90 log pile as fibres, walls and a volume, made with plain numpy.

In a slice of height z the fibres along x fill strips of y and those along y strips of x, so that
within a voxel the two fill independently: the union's share is 1 - (1 - a(y)) (1 - b(x)), with the
strips' shares from the circle's chord. Only the height is sampled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter

from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Family, Fibre, Wall
from volscan.prepare.material import MaterialMap
from volscan.quantity import Quantity
from volscan.walls.wallset import WallSet

FWHM = 2.0 * math.sqrt(2.0 * math.log(2.0))


def level_frame(**changes: object) -> BuildFrame:
    frame = BuildFrame(
        "plate", np.zeros(3), np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0]),
        np.array([1.0, 0.0, 0.0]), "+z", True, True, 0.0, 0.05, "told",
    )  # fmt: skip
    return replace(frame, **changes)  # type: ignore[arg-type]


@dataclass(frozen=True)
class LogPile:
    """`walls` fibres a layer, `spacing` apart, first at `corner`; layer k at base + d/2 + k h."""

    diameter: float = 20.0
    spacing: float = 80.0
    step: float = 20.0
    layers: int = 6
    walls: int = 5
    corner: float = 60.0
    base: float = 60.0
    overhang: float = 50.0

    @property
    def top(self) -> float:
        return self.base + (self.layers - 1) * self.step + self.diameter

    @property
    def places(self) -> np.ndarray:
        return self.corner + self.spacing * np.arange(self.walls)

    @property
    def heights(self) -> np.ndarray:
        return self.base + 0.5 * self.diameter + self.step * np.arange(self.layers)

    @property
    def run(self) -> tuple[float, float]:
        return self.places[0] - self.overhang, self.places[-1] + self.overhang

    def fibres(self, *, u_diameter: float = 0.1) -> FibreField:
        low, high = self.run
        t = np.linspace(low, high, 40)
        found = []
        q = Quantity(self.diameter, u_diameter, "µm", 1)
        for layer, h in enumerate(self.heights):
            for wall, p in enumerate(self.places):
                along, across = t, np.full_like(t, p)
                xy = (along, across) if layer % 2 == 0 else (across, along)
                points = np.column_stack([*xy, np.full_like(t, h)])
                found.append(
                    Fibre(len(found), layer % 2, layer, wall + self.walls * (layer % 2), points,
                          np.full(len(t), self.diameter), q, 90.0 * (layer % 2))
                )  # fmt: skip
        families = tuple(
            Family(k, Quantity(90.0 * k, 0.05, "deg", self.walls),
                   Quantity(self.spacing, 0.1, "µm", self.walls - 1), q, 0, 0, self.walls,
                   Quantity(2 * self.step, 0.1, "µm", 1), None, None)
            for k in (0, 1)
        )  # fmt: skip
        return FibreField(
            tuple(found), families, Quantity(self.diameter, u_diameter, "µm", len(found)),
            self.layers, tuple(self.heights), Quantity(self.step, 0.1, "µm", self.layers - 1),
        )  # fmt: skip

    def wall_set(self, *, tilt_deg: float = 0.0) -> WallSet:
        """Return walls; all lean by one tilt (the volume does not)."""
        low, high = self.run
        walls = []
        for family in (0, 1):
            for k, place in enumerate(self.places):
                if family == 0:
                    path, position, normal = [[low, place], [high, place]], place, (0.0, 1.0)
                else:
                    path, position, normal = [[place, low], [place, high]], -place, (-1.0, 0.0)
                lean = math.tan(math.radians(tilt_deg))
                walls.append(
                    Wall(family * self.walls + k, family, 90.0 * family, position, high - low,
                         self.top - self.base, Quantity(tilt_deg, 0.1, "deg", 3),
                         (lean * normal[0], lean * normal[1]), None, (),
                         np.array([0.0]), np.array([0.0]),
                         Quantity(2 * self.step * lean, 0.05, "µm", 3), np.array(path))
                )  # fmt: skip
        return WallSet(tuple(walls))

    def volume(self, voxel: float, *, samples: int = 16) -> np.ndarray:
        """Return the union's share of every voxel, voxel centres at index × voxel."""
        low, high = self.run
        n = math.ceil((high + 0.5 * voxel) / voxel) + 12
        n_z = math.ceil((self.top + 40.0) / voxel)
        edges = (np.arange(n + 1) - 0.5) * voxel
        length = _overlap(edges, np.array([low]), np.array([high]))
        out = np.zeros((n_z, n, n))
        for q in range(n_z):
            strips = np.zeros((2, samples, n))
            for s in range(samples):
                z = (q + (s + 0.5) / samples - 0.5) * voxel
                for k, h in enumerate(self.heights):
                    half = 0.25 * self.diameter**2 - (z - h) ** 2
                    if half > 0:
                        c = math.sqrt(half)
                        strip = _overlap(edges, self.places - c, self.places + c)
                        strips[k % 2, s] = np.maximum(strips[k % 2, s], strip)
            along_x, along_y = strips.mean(axis=1)
            both = (strips[0] * length).T @ (strips[1] * length) / samples
            out[q] = np.outer(along_x, length) + np.outer(length, along_y) - both
        return out


def _overlap(edges: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return the share of each interval that a union of disjoint intervals covers."""
    low, high = edges[:-1, None], edges[1:, None]
    inside = np.minimum(high, ends[None, :]) - np.maximum(low, starts[None, :])
    return np.clip(inside, 0.0, None).sum(axis=1) / (edges[1] - edges[0])


def material_of(
    share: np.ndarray,
    voxel: float,
    *,
    fwhm: float = 0.0,
    noise: float = 0.0,
    seed: int = 1,
    u_anchor: float = 0.0005,
    level: float = 0.5,
    axes: tuple[float, float, float] | None = None,
) -> MaterialMap:
    """Return a material map of a share per voxel: blurred by scipy, with white noise."""
    spacing = axes if axes is not None else (voxel, voxel, voxel)
    blurred = share.astype(np.float64)
    if fwhm > 0:
        blurred = gaussian_filter(blurred, [fwhm / FWHM / s for s in spacing], truncate=6.0)
    if noise > 0:
        blurred = blurred + np.random.default_rng(seed).normal(0.0, noise, blurred.shape)
    return MaterialMap(
        blurred.astype(np.float32), spacing, 0.0, 1.0, u_anchor, u_anchor, "told", level, level,
        "half-max", noise, noise or None, Quantity(fwhm, 0.05 * fwhm, "µm", 9) if fwhm else None,
        (fwhm,) * 3 if fwhm else None, share > 0.5,
    )  # fmt: skip
