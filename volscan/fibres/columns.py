"""First sight of a family's walls: leaning lines in the cross-section seen along its fibres."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from volscan.fibres.directions import left_normal
from volscan.geometry import FloatArray
from volscan.kernels.sections import section_image, sums_along_lines
from volscan.prepare.material import MaterialMap

# Steepest lean looked for, dn/dh (about 35 degrees).
_STEEPEST = 0.7
# What a unit of slope costs a line, as a share of what it holds.
_STEEP_COST = 0.5
_MOST_WALLS = 200
# A line counts as a wall when it holds this share of what the family's fullest lines hold.
_WALL_SHARE = 0.45


@dataclass(frozen=True)
class FamilyAxes:
    """Unit vectors [z, y, x] along a family's fibres, across them (left normal), and up."""

    along: FloatArray
    across: FloatArray
    up: FloatArray

    @property
    def matrix(self) -> FloatArray:
        """Rows along, across, up."""
        return np.stack([self.along, self.across, self.up])


@dataclass(frozen=True)
class RoughWalls:
    """Walls as leaning lines: across = position + slope × height, height above the middle."""

    axes: FamilyAxes
    position_um: FloatArray
    slope: FloatArray
    middle_h_um: float
    height_um: FloatArray
    profile: FloatArray
    thickness_um: float


def family_axes(along: FloatArray, h: FloatArray) -> FamilyAxes:
    """Return the axes of fibres along `along`, with the height axis normal to them."""
    across = left_normal(h, along)
    up = left_normal(along, across)
    return FamilyAxes(along, across, up)


def find_walls(
    material: MaterialMap, axes: FamilyAxes, *, points: FloatArray, thickness_um: float
) -> RoughWalls | None:
    """Find a family's walls in the cross-section seen along its fibres.

    Parameters
    ----------
    material
        The material map.
    axes
        The family's axes.
    points
        Scan positions (n, 3) of solid voxels, to know where to look.
    thickness_um
        Typical thickness of what is solid.

    Returns
    -------
    RoughWalls or None
        None when no line stands out. `profile` is the mean width of polymer in a wall at each of
        `height_um`.
    """
    step = max(material.spacing_um)
    n = points @ axes.across
    h = points @ axes.up
    # Half a bin off whole steps: where the axes are the scan's own, voxel centres then fall into
    # the middle of bins and never on their edges, where rounding would leave some bins empty.
    pad = (math.ceil(2.0 * thickness_um / step) + 0.5) * step
    n0, n1 = (
        float(np.percentile(n, 0.2, method="nearest")) - pad,
        float(np.percentile(n, 99.8)) + pad,
    )
    h0, h1 = (
        float(np.percentile(h, 0.1, method="nearest")) - pad,
        float(np.percentile(h, 99.9)) + pad,
    )
    shape = (int((h1 - h0) / step) + 1, int((n1 - n0) / step) + 1)
    total, count = section_image(
        material.fraction, np.array(material.spacing_um), axes.across, axes.up, n0, h0, step, shape
    )
    image = np.where(count > 0, total / np.maximum(count, 1), 0.0)
    # What other families add to a row is nearly even across it: the row's median.
    edge = int(1.5 * pad / step)
    inner = image[:, edge : image.shape[1] - edge] if image.shape[1] > 4 * edge else image
    image = image - np.median(inner, axis=1, keepdims=True)
    heights = np.asarray(h0 + (np.arange(shape[0]) + 0.5) * step, dtype=np.float64)
    middle = 0.5 * (h0 + h1)
    rows = np.asarray(heights - middle, dtype=np.float64)

    width = max(1, round(thickness_um / step))
    slopes = _slopes(h1 - h0, step)
    lines = _pick_lines(image.copy(), rows, slopes, step=step, width=width)
    if not lines:
        return None
    position = np.array([n0 + (j + 0.5) * step for _, j in lines])
    slope = np.array([slopes[i] for i, _ in lines])
    order = np.argsort(position)
    position, slope = position[order], slope[order]
    profile, lateral = _pooled(image, rows, n0, step, position, slope, thickness_um)
    return RoughWalls(
        axes=axes,
        position_um=position,
        slope=slope,
        middle_h_um=middle,
        height_um=heights,
        profile=profile,
        thickness_um=_width_at_half(lateral, step),
    )


def _slopes(height_um: float, step: float) -> FloatArray:
    """Return the slopes that shift the top of the section against its base by whole bins."""
    count = int(_STEEPEST * height_um / step)
    return np.asarray(np.arange(-count, count + 1) * step / height_um, dtype=np.float64)


def _pick_lines(
    image: NDArray[np.float64], rows: FloatArray, slopes: FloatArray, *, step: float, width: int
) -> list[tuple[int, int]]:
    """Take the fullest line, wipe its fibres out of the image, and look for the next.

    Wiping keeps a fibre from serving twice: with two fibres a wall, a steep line from one wall's
    foot to its neighbour's top is as full as a wall. Between equals the gentler lean wins.
    """
    gentle = 1.0 - _STEEP_COST * np.abs(slopes)[:, None]
    fullest: list[float] = []
    lines: list[tuple[int, int]] = []
    columns = np.arange(image.shape[1])
    while len(lines) < _MOST_WALLS:
        energy = sums_along_lines(image, rows / step, slopes)
        energy = gentle * uniform_filter1d(energy, width, axis=1, mode="constant")
        i, j = np.unravel_index(int(np.argmax(energy)), energy.shape)
        value = float(energy[i, j])
        if value <= 0 or (fullest and value < _WALL_SHARE * float(np.median(fullest))):
            break
        lines.append((int(i), int(j)))
        fullest.append(value)
        for row, height in enumerate(rows):
            image[row, np.abs(columns - j - slopes[i] * height / step) < width] = 0.0
    return lines


def _pooled(
    image: NDArray[np.float64],
    rows: FloatArray,
    n0: float,
    step: float,
    position: FloatArray,
    slope: FloatArray,
    thickness_um: float,
) -> tuple[FloatArray, FloatArray]:
    """Return the mean wall's width of polymer by height, and its profile across."""
    reach = math.ceil(1.2 * thickness_um / step)
    across = np.arange(-reach, reach + 1) * step
    columns = n0 + (np.arange(image.shape[1]) + 0.5) * step
    mean = np.zeros((rows.size, across.size))
    for p, t in zip(position, slope, strict=True):
        for i, row in enumerate(rows):
            mean[i] += np.interp(p + t * row + across, columns, image[i])
    mean /= position.size
    return mean.sum(axis=1) * step, mean.mean(axis=0)


def _width_at_half(profile: FloatArray, step: float) -> float:
    """Return the width of a single peak at half its height."""
    centre = profile.size // 2
    half = 0.5 * float(profile[centre - 1 : centre + 2].max())
    right = left = 0.0
    for k in range(centre, profile.size - 1):
        if profile[k + 1] < half:
            right = k - centre + (profile[k] - half) / (profile[k] - profile[k + 1])
            break
    else:
        right = float(profile.size - 1 - centre)
    for k in range(centre, 0, -1):
        if profile[k - 1] < half:
            left = centre - k + (profile[k] - half) / (profile[k] - profile[k - 1])
            break
    else:
        left = float(centre)
    return (left + right) * step
