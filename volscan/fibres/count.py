"""How many fibres a welded wall holds, when its scallops are all but blurred away.

Between base and top, N equal fibres leave scallops of one period; everything else about N and
N + 1 looks alike. The mean wall's width alone is too coarse to tell them apart, so every likely
count is fitted to the walls' whole cross-sections, evenly spaced, and the misfits are compared.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from volscan.fibres.crosssection import (
    Column,
    Optics,
    Priors,
    ScanGrid,
    fit_cost,
    fit_from_starts,
    fit_shared,
)

# Fibres of a wall that stand apart by more than this share of a diameter show one by one.
WELDED = 1.1
_DEEPEST, _LOOSEST = 0.52, 1.08
# Where scallops do not tell, fibres stand this share of a diameter apart, give or take (common
# practice, no published source).
_USUAL_PITCH, _PITCH_SPREAD = 0.8, 0.12
# Fibres evenly spaced: a share of a diameter.
_EVEN = Priors(height=0.02, radius=0.02, sigma_ratio=0.02, flatness=0.03)
# The mean of many walls has so little noise that the disc model's own misfit must be taken small
# for scallops to count: a tenth of the scallops' usual swing.
_POOLED_MODEL_ERROR = 0.002
# A difference of misfit below this leaves the count open (about 2.5 standard deviations).
SURE = 6.0
# The profiles' own count stands up to this many times that.
_STANDS = 3.0


def likeliest_count(
    columns: list[Column], optics: Optics, grid: ScanGrid
) -> tuple[int, float, float]:
    """Return the likeliest number of fibres in welded walls, their diameter, and the lead.

    Parameters
    ----------
    columns
        Cross-sections of walls that share their layers, with a first guess of their discs.
    optics
        First guess of contrast and blur.
    grid
        The scan's grid.

    Returns
    -------
    count, diameter_um, lead
        `lead` is the difference of χ² to the next best count.
    """
    grid = replace(grid, model_error=_POOLED_MODEL_ERROR)
    # A wall at the scan's edge may show no fibre of its own.
    wall = _pooled([c for c in columns if c.centre_h.size], grid.bin_um)
    fit = fit_from_starts([wall], optics, grid, priors=_EVEN)
    placed = fit.columns[0]
    radius = float(placed.radius.mean())
    low, high = float(placed.centre_h[0]) - radius, float(placed.centre_h[-1]) + radius
    fewest, most = (
        round((high - low - 2.0 * radius) / (r * 2.0 * radius)) + 1 for r in (_LOOSEST, _DEEPEST)
    )
    results = []
    for count in range(max(2, fewest), most + 1):
        trial = _restacked(wall, low + radius, high - radius, count, radius)
        done = fit_shared([trial], fit.optics, grid, priors=_EVEN)
        size = 2.0 * float(done.columns[0].radius.mean())
        cost = fit_cost(done.columns, done.optics, grid, _EVEN)
        pitch = (high - low - size) / (count - 1) / size
        results.append((cost + ((pitch - _USUAL_PITCH) / _PITCH_SPREAD) ** 2, count, size))
    if not results:
        return placed.radius.size, 2.0 * radius, float("inf")
    results.sort()
    lead = results[1][0] - results[0][0] if len(results) > 1 else float("inf")
    best = results[0]
    if lead < SURE:
        # Pooling blurs scallops, so that smoother walls of more fibres gain a little: what the
        # walls' own profiles showed stands unless it fits clearly worse.
        seen = int(np.median([c.radius.size for c in columns if c.centre_h.size]))
        best = next((r for r in results if r[1] == seen and r[0] - best[0] < _STANDS * SURE), best)
    return best[1], best[2], lead


def _pooled(columns: list[Column], bin_um: float) -> Column:
    """Return one mean wall: each wall upright, its middle at height 0, bins gathered anew."""
    n, h, value, count = [], [], [], []
    for c in columns:
        slope, start = np.polyfit(c.centre_h, c.centre_n, 1)
        # Walls are laid over each other by their own polymer, not by a guess of discs: a line
        # through it, twice, and its middle.
        for _ in range(2):
            core = np.abs(c.n - start - slope * c.h) < 2.0 * float(c.radius.mean())
            weight = np.clip(c.value[core], 0.0, None) * c.count[core]
            slope, start = np.polyfit(c.h[core], c.n[core], 1, w=np.sqrt(weight))
        middle = float((c.value * c.h)[core].sum() / c.value[core].sum())
        n.append(c.n - start - slope * c.h)
        h.append(c.h - middle)
        value.append(c.value)
        count.append(c.count)
    across, up = np.concatenate(n), np.concatenate(h)
    weight = np.concatenate(count)
    grey = np.concatenate(value)
    i = np.floor((up - up.min()) / bin_um).astype(np.int64)
    j = np.floor((across - across.min()) / bin_um).astype(np.int64)
    key = i * (int(j.max()) + 1) + j
    total = np.asarray(np.bincount(key, weight), dtype=np.float64)
    full = total > 0
    mean = [np.bincount(key, weight * v)[full] / total[full] for v in (across, up, grey)]
    order = np.argsort(mean[1], kind="stable")
    first = columns[0]
    heights = first.centre_h - first.centre_h.mean()
    return Column(
        axes=first.axes,
        n=mean[0][order],
        h=mean[1][order],
        value=mean[2][order],
        count=total[full][order],
        centre_n=np.zeros(heights.size),
        centre_h=heights,
        radius=first.radius,
        prior_h=heights.copy(),
        prior_r=first.radius.copy(),
    )


def _restacked(column: Column, first: float, last: float, count: int, radius: float) -> Column:
    """Return the column with `count` evenly spaced discs from `first` to `last`."""
    heights = np.linspace(first, last, count)
    return replace(
        column,
        centre_n=np.zeros(count),
        centre_h=heights,
        radius=np.full(count, radius),
        prior_h=heights.copy(),
        prior_r=np.full(count, radius),
    )
