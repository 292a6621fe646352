"""Openings in plan view: what is seen through the scaffold from above, cell by cell."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy import ndimage

from volscan.geometry import BuildFrame, Envelope
from volscan.kernels.distance import distance_to_surface
from volscan.kernels.peaks import peak_spheres
from volscan.kernels.surface import surface_discs
from volscan.pores.solid import Solid
from volscan.quantity import Notice, Quantity

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

MOST_PIXELS = 4_000_000
# Openings of fewer pixels are gaps between neighbouring fibres of a wall, not cells of a pattern.
SMALLEST_PIXELS = 16


@dataclass(frozen=True)
class Opening:
    """One opening: middle of its inscribed circle [X, Y], diameters, area, long over short axis."""

    centre_um: tuple[float, float]
    inscribed_um: float
    equivalent_um: float
    aspect: float
    area_um2: float


@dataclass(frozen=True)
class Openings:
    """The openings whose inscribed circle's middle lies in the outline, and their distribution."""

    openings: tuple[Opening, ...]
    mean_um: Quantity | None
    d10_um: Quantity | None
    d90_um: Quantity | None
    notices: tuple[Notice, ...] = ()


@njit(cache=True, parallel=True, nogil=True)
def _plan(f, corner, ax, ay, ah, heights, out):  # type: ignore[no-untyped-def]
    """Set each pixel to the largest fraction along its line of sight; NaN outside the scan."""
    nz, ny, nx = f.shape
    for i in prange(out.shape[0]):
        for j in range(out.shape[1]):
            best = -np.inf
            for k in range(heights):
                z = corner[0] + i * ay[0] + j * ax[0] + k * ah[0]
                y = corner[1] + i * ay[1] + j * ax[1] + k * ah[1]
                x = corner[2] + i * ay[2] + j * ax[2] + k * ah[2]
                if not (-0.5 <= y <= ny - 0.5 and -0.5 <= x <= nx - 0.5 and -0.5 <= z <= nz - 0.5):
                    best = np.nan
                    break
                z = min(max(z, 0.0), nz - 1.0)
                y = min(max(y, 0.0), ny - 1.0)
                x = min(max(x, 0.0), nx - 1.0)
                a, b, c = int(z), int(y), int(x)
                a1, b1, c1 = min(a + 1, nz - 1), min(b + 1, ny - 1), min(c + 1, nx - 1)
                u, v, w = z - a, y - b, x - c
                low = (f[a, b, c] * (1 - w) + f[a, b, c1] * w) * (1 - v) + (
                    f[a, b1, c] * (1 - w) + f[a, b1, c1] * w
                ) * v
                high = (f[a1, b, c] * (1 - w) + f[a1, b, c1] * w) * (1 - v) + (
                    f[a1, b1, c] * (1 - w) + f[a1, b1, c1] * w
                ) * v
                best = max(best, low * (1 - u) + high * u)
            out[i, j] = best


def measure_openings(solid: Solid, frame: BuildFrame, envelope: Envelope) -> Openings:
    """Measure the openings that are seen along h, from the base to the top.

    An opening belongs to the envelope when the middle of its inscribed circle lies in the outline,
    and is then measured whole, also where it reaches over the edge: a rule that favours neither
    large nor small openings, while cut ones would read small and leaving cut ones out would lose
    the large ones first. One that the scan does not show whole is left out, and told.

    Parameters
    ----------
    solid
        The solid on the working grid.
    frame, envelope
        The build frame and the reference volume.

    Returns
    -------
    Openings
        The mean's u is that of this set of openings, measured whole: the surface's; `sd` is the
        spread between them.
    """
    plan, corner, step = _seen_from_above(solid, frame, envelope)
    unseen = ~np.isfinite(plan)
    level = np.float32(solid.level)
    free = ~unseen & (plan < level)
    labels, count = ndimage.label(free)
    if count == 0 or not (plan[~unseen] >= level).any():
        return _none("no opening is seen through the scaffold")
    filled = np.where(unseen, np.float32(1), plan).astype(np.float32)[None]
    size = (step, step, step)
    surface = surface_discs(filled, level=float(level), spacing_um=size)
    dist, ids = distance_to_surface(filled, surface, level=float(level))
    radius, _ = peak_spheres(
        dist, ids, surface.centres_um, surface.normals, spacing_um=size,
        disc_radius_um=surface.disc_radius_um,
    )  # fmt: skip
    rim = unseen.copy()
    rim[[0, -1]] = rim[:, [0, -1]] = True
    cut = np.zeros(count + 1, bool)
    cut[np.unique(labels[ndimage.binary_dilation(rim)])] = True
    found: list[Opening] = []
    lost = 0
    boxes = ndimage.find_objects(labels)
    for k, box in enumerate(boxes, start=1):
        here = labels[box] == k
        if int(here.sum()) < SMALLEST_PIXELS:
            continue
        r = np.where(here, radius[0][box], 0)
        peak = np.unravel_index(int(np.argmax(r)), r.shape)
        middle = corner + step * np.array([peak[1] + box[1].start, peak[0] + box[0].start])
        if not _inside(envelope.outline_um, middle):
            continue
        if cut[k]:
            lost += 1
            continue
        found.append(_opening(here, box, dist[0], r, middle, step))
    notices = []
    if lost:
        notices.append(
            Notice(
                "openings_cut",
                "openings that the scan does not show whole are not among pores.opening_um",
                lost,
            )
        )
    if not found:
        none = _none("no opening inside the outline is seen whole")
        return Openings((), None, None, None, (*none.notices, *notices))
    widths = np.array([o.inscribed_um for o in found])
    u = solid.u_diameter_um
    sd = float(widths.std(ddof=1)) if widths.size > 1 else None
    low, high = (float(q) for q in np.quantile(widths, (0.1, 0.9)))
    n = widths.size
    return Openings(
        tuple(found),
        Quantity(float(widths.mean()), u, "µm", n, sd),
        Quantity(low, u, "µm", n),
        Quantity(high, u, "µm", n),
        tuple(notices),
    )


def _none(reason: str) -> Openings:
    message = f"pores.opening_um.mean, pores.opening_um.d10 and pores.opening_um.d90: {reason}"
    return Openings((), None, None, None, (Notice("no_openings", message),))


def _seen_from_above(
    solid: Solid, frame: BuildFrame, envelope: Envelope
) -> tuple[NDArray[np.float64], F64, float]:
    """Return the plan view, the place [X, Y] of its first pixel and the pixel's edge."""
    spacing = np.asarray(solid.spacing_um)
    ends = (np.array(solid.fraction.shape) - 1) * spacing
    corners = np.stack(np.meshgrid(*zip(np.zeros(3), ends, strict=True)), -1).reshape(-1, 3)
    plan = frame.to_build(corners + solid.origin_um)[:, :2]
    low, high = plan.min(axis=0), plan.max(axis=0)
    step = max(float(spacing.min()), math.sqrt(float(np.prod(high - low)) / MOST_PIXELS))
    nx, ny = (int(n) for n in np.maximum(np.rint((high - low) / step), 1) + 1)
    height = max(envelope.top_um - envelope.base_um, 0.0)
    # Half a step inside the planes: just beyond them the scan may end.
    rise = min(float(spacing.min()), step)
    heights = max(int(height / rise), 1)
    first = envelope.base_um + 0.5 * (height - (heights - 1) * rise)
    start = (frame.to_scan(np.array([low[0], low[1], first])) - solid.origin_um) / spacing
    out = np.empty((ny, nx))
    _plan(
        solid.fraction,
        start,
        frame.x * step / spacing,
        frame.y * step / spacing,
        frame.h * rise / spacing,
        heights,
        out,
    )
    return out, low, step


def _inside(outline_um: F64, point: F64) -> bool:
    """Tell whether a point lies in a polygon: crossings of a ray."""
    x, y = outline_um.T
    x1, y1 = np.roll(x, -1), np.roll(y, -1)
    across = (y > point[1]) != (y1 > point[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        at = x + (point[1] - y) * (x1 - x) / (y1 - y)
    return bool(np.count_nonzero(across & (point[0] < at)) % 2)


def _opening(
    here: NDArray[np.bool_],
    box: tuple[slice, slice],
    dist: F32,
    radius: F32,
    middle: F64,
    step: float,
) -> Opening:
    """Return an opening's measures; pixels at the edge count by how far their middle is inside."""
    share = np.where(here, np.clip(0.5 + dist[box] / step, 0, 1), 0.0)
    # The half pixels beyond the last middles inside have no pixel of their own: what a straight
    # edge leaves there on average is as much as the pixels inside lack.
    area = float(here.sum() + (share[here] - 1).sum() + _beyond(here, dist[box], step)) * step**2
    y, x = np.nonzero(here)
    spread = np.cov(np.vstack([y, x]).astype(float), bias=True) + np.eye(2) / 12
    short, long = np.sqrt(np.linalg.eigvalsh(spread))
    return Opening(
        (float(middle[0]), float(middle[1])),
        2 * float(radius.max()),
        2 * math.sqrt(area / math.pi),
        float(long / short),
        area,
    )


def _beyond(here: NDArray[np.bool_], dist: F32, step: float) -> float:
    """Return the area in pixels between the outermost middles' pixels and the edge."""
    edge = here & ~ndimage.binary_erosion(here)
    return float(np.clip(dist[edge] / step - 0.5, 0, 0.5).sum())
