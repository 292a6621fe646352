"""Foreign bodies: what lies in a scan and is no print. Found, taken for air, and listed.

Four kinds are told by signs that no print has, and a doubtful body stays in:

* *Dense specks* (metal, salt): far brighter than the polymer can be.
* *A sample tube* about the scan's z axis: a full wall on a circle, with something loose inside.
* *Sheets* (tape, foil): flat or bent, without holes, across the field, the print on one side.
* *Thick bodies* (glue, clay): several times as thick as what is usual in the scan, and outside the
  hull of everything else.

Bodies are looked for on a grid of at most some 30 million cells (blocks of the scan, each as bright
as its brightest voxel), and taken out at full resolution with the blur's reach about them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cc3d
import edt
import numpy as np
from numpy.typing import NDArray

from volscan.kernels.filters import TRUNCATE_SIGMAS, smooth
from volscan.prepare.firstlook import DEEP_VOX, FirstLook, typical_thickness_um
from volscan.prepare.foreign_shapes import outside_share, sheet_cells, tube_wall
from volscan.quantity import Notice

FloatArray = NDArray[np.float64]
Grey = NDArray[np.float32]
Mask = NDArray[np.bool_]

_MOST_CELLS = 3e7
# A clean scan's brightest voxels exceed its 95th percentile of bright ones by what blur takes from
# thin fibres and gives back where they cross: a factor of two in sections as thin as the blur
# (1 - exp(-r²/2σ²) = 0.5 in the middle of a disc of radius 1.18 σ). A tenth more, and six standard
# deviations of the noise, is nothing of the polymer's.
_DENSE = 2.2
# Where what is solid is wide enough to show the polymer's own grey value, less is enough.
_DENSE_BESIDE_PLATEAU = 1.7
# The reach of blur about a body whose edge is as bright as polymer, in voxels.
_REACH_VOX = DEEP_VOX
# A body is thick from this many usual thicknesses. Where two fibres cross or weld, spheres between
# them are at most 1.5 times as wide as a fibre (three mutually crossing cylinders that touch).
_THICK = 2.5
# The least share of a thick body that lies outside the hull of everything else: glue that fixes a
# print is mostly beside it.
_OUTSIDE = 0.4
# Above this share of all solid a body is no foreigner: then the scan is of something else.
_MOST_SOLID = 0.6


@dataclass(frozen=True)
class ForeignBody:
    """One body: its kind in words, middle (z, y, x) in µm, longest extent in µm."""

    kind: str
    middle_um: tuple[float, float, float]
    extent_um: float
    volume_um3: float


@dataclass(frozen=True)
class Foreign:
    """The bodies found, and (z, y, x) bool: their voxels with the blur's reach about them."""

    bodies: tuple[ForeignBody, ...]
    mask: Mask

    def notices(self) -> tuple[Notice, ...]:
        """Return one notice for each kind: how many, where, how large."""
        out = []
        for kind, code in _CODES.items():
            group = [b for b in self.bodies if b.kind == kind]
            if not group:
                continue
            group.sort(key=lambda b: -b.extent_um)
            shown = "; ".join(
                f"{b.extent_um:.3g} µm at z, y, x = "
                + ", ".join(f"{m:.0f}" for m in b.middle_um)
                + " µm"
                for b in group[:3]
            )
            more = f" and {len(group) - 3} smaller" if len(group) > 3 else ""
            out.append(
                Notice(
                    code,
                    f"{kind} left out of all that is measured and taken for air: {shown}{more}",
                    len(group),
                )
            )
        return tuple(out)


_CODES = {
    "dense speck": "dense_specks_excluded",
    "sample tube": "holder_excluded",
    "sheet beside the print": "sheet_excluded",
    "thick body beside the print": "lump_excluded",
}


def find_foreign(
    smoothed: Grey,
    first: FirstLook,
    *,
    spacing_um: tuple[float, float, float],
    left_out: Mask | None = None,
) -> Foreign | None:
    """Look for foreign bodies; None in a scan without.

    Parameters
    ----------
    smoothed
        The scan (z, y, x), noise smoothed away.
    first
        The first look at it.
    spacing_um
        Voxel spacing (z, y, x).
    left_out
        (z, y, x) voxels that were taken out before (a collector plate).

    Notes
    -----
    Not found are bodies that weld to the print and are no thicker than twice its fibres, specks
    below three times the polymer's contrast beside thin fibres, and tubes that are not along z.
    """
    factor = max(1, math.ceil((smoothed.size / _MOST_CELLS) ** (1 / 3)))
    if min(smoothed.shape) < 8 * factor:
        return None
    cells = _brightest(smoothed, factor)
    usable = None if left_out is None else ~_any(left_out, factor)
    spacing = tuple(s * factor for s in spacing_um)
    span = first.polymer - first.air
    taken = np.zeros(cells.shape, np.bool_)
    bodies: list[ForeignBody] = []

    def take(mask: Mask, kind: str) -> None:
        nonlocal taken
        taken |= mask
        bodies.append(_body(mask, kind, spacing))

    solid = cells > np.float32(first.air + 0.5 * span)
    low = np.float32(first.air + max(5.0 * first.noise_smoothed, 0.25 * span))
    bright = cells > low
    if usable is not None:
        solid, bright = solid & usable, bright & usable
    for blob in _dense(cells, solid, first):
        take(blob, "dense speck")
    solid, bright = solid & ~taken, bright & ~taken
    wall = tube_wall(bright)
    if wall is not None:
        take(wall, "sample tube")
        solid, bright = solid & ~taken, bright & ~taken
    for sheet in sheet_cells(bright, spacing):
        take(sheet, "sheet beside the print")
    solid &= ~taken
    for lump in _thick(solid, spacing):
        take(lump, "thick body beside the print")
    if not bodies:
        return None
    mask = taken if factor == 1 else _enlarged(taken, factor, smoothed.shape)
    reach = (_REACH_VOX + factor - 1) / TRUNCATE_SIGMAS
    near = smooth(mask.astype(np.float32), sigma_vox=(reach,) * 3) > 0.0
    return Foreign(tuple(bodies), np.asarray(near))


def _brightest(smoothed: Grey, factor: int) -> Grey:
    """Return blocks of the scan, each as bright as its brightest voxel; cut ends are left out."""
    if factor == 1:
        return smoothed
    nz, ny, nx = (n // factor for n in smoothed.shape)
    out = np.empty((nz, ny, nx), np.float32)
    for k in range(nz):
        slab = smoothed[k * factor : (k + 1) * factor, : ny * factor, : nx * factor].max(axis=0)
        out[k] = slab.reshape(ny, factor, nx, factor).max(axis=(1, 3))
    return out


def _any(mask: Mask, factor: int) -> Mask:
    nz, ny, nx = (n // factor for n in mask.shape)
    whole = mask[: nz * factor, : ny * factor, : nx * factor]
    return np.asarray(
        whole.reshape(nz, factor, ny, factor, nx, factor).any(axis=(1, 3, 5)), dtype=np.bool_
    )


def _enlarged(cells: Mask, factor: int, shape: tuple[int, ...]) -> Mask:
    whole = cells.repeat(factor, axis=0).repeat(factor, axis=1).repeat(factor, axis=2)
    # Cut ends belong to the last cell.
    short = [(0, n - m) for n, m in zip(shape, whole.shape, strict=True)]
    return np.asarray(np.pad(whole, short, mode="edge"))


def _body(mask: Mask, kind: str, spacing: tuple[float, ...]) -> ForeignBody:
    points = np.argwhere(mask)
    low, high = points.min(axis=0), points.max(axis=0) + 1
    middle = (points.mean(axis=0)) * spacing
    return ForeignBody(
        kind,
        (float(middle[0]), float(middle[1]), float(middle[2])),
        float(((high - low) * spacing).max()),
        float(len(points) * np.prod(spacing)),
    )


def _dense(cells: Grey, solid: Mask, first: FirstLook) -> list[Mask]:
    """Return blobs far brighter than polymer can be, with all the bright rim that is theirs."""
    span = first.polymer - first.air
    least = first.air + _DENSE_BESIDE_PLATEAU * span + 6.0 * first.noise_smoothed
    if float(cells.max()) <= least:
        return []
    wide = edt.edt(solid, black_border=False, parallel=2) > DEEP_VOX
    plateau = np.count_nonzero(wide) >= 0.05 * np.count_nonzero(solid)
    factor = _DENSE_BESIDE_PLATEAU if plateau else _DENSE
    dense = cells > np.float32(first.air + factor * span + 6.0 * first.noise_smoothed)
    if not dense.any():
        return []
    if np.count_nonzero(dense) > 0.2 * np.count_nonzero(solid):
        return []
    away = edt.edt(~dense, black_border=False, parallel=2)
    labels, count = cc3d.connected_components(
        dense | (solid & (away <= _REACH_VOX)), connectivity=26, return_N=True
    )
    seeds = np.unique(labels[dense])
    return [np.asarray(labels == k) for k in seeds[:_MOST_BODIES] if 0 < k <= count]


# More specks than this are one notice too many; the largest labels come first in space only.
_MOST_BODIES = 200


def _thick(solid: Mask, spacing: tuple[float, ...]) -> list[Mask]:
    """Return bodies several times as thick as what is usual, outside the hull of the rest."""
    total = int(np.count_nonzero(solid))
    if total == 0:
        return []
    finest = min(spacing)
    cell = (spacing[0] / finest, spacing[1] / finest, spacing[2] / finest)
    depth = edt.edt(solid, anisotropy=cell, black_border=False, parallel=2)
    usual = typical_thickness_um(solid, depth, (cell[0], cell[1], cell[2]))
    least = _THICK * 0.5 * usual + 1.0
    core = depth > least
    if not core.any():
        return []
    reach = edt.edt(~core, anisotropy=cell, black_border=False, parallel=2)
    # An opening by a ball: what lies within the ball's radius of the core.
    opened = solid & (reach <= least + 1.0)
    labels, count = cc3d.connected_components(opened, connectivity=26, return_N=True)
    out = []
    for k in range(1, min(count, 20) + 1):
        body = np.asarray(labels == k)
        if np.count_nonzero(body) > _MOST_SOLID * total:
            continue
        if outside_share(body, solid & ~opened) >= _OUTSIDE:
            out.append(body)
    return out
