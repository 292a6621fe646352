"""First sight of the fibres in an OCT wall's section: how many, how thick, how far apart."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy import ndimage

from volscan.fibres.oct_section import Section, SectionOptics, Stack, fit_section, misfit_of
from volscan.geometry import FloatArray

# A row shows an echo where its brightest place across reaches this many noise floors.
_ECHO = 4.0
# ... and no fainter than the brightest by more than this (ln intensity, 15 dB): a ghost is no top.
_FAINTER = 3.5
# Steps between successive fibres of a wall that are tried, in diameters.
_LEAST_STEP, _MOST_STEP, _STEPS = 0.75, 6.0, 400
# Above the collector a fibre's centre lies at least this part of its half-height; below, the
# lowest one is none.
_LOWEST = 0.4


def line_sigma_um(section: Section) -> float:
    """Return the standard deviation of the beam's spread (amplitude) from the collector's line."""
    edge = max(2, section.u_um.size // 10)
    sides = np.concatenate([section.mean[:, :edge], section.mean[:, -edge:]], axis=1)
    known = np.concatenate([section.weight[:, :edge], section.weight[:, -edge:]], axis=1) > 0
    profile = np.where(known, sides, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    near = np.abs(section.v_um) < 30.0
    v, p = section.v_um[near], profile[near]
    top = int(np.argmax(p))
    step = float(v[1] - v[0])
    # The upper flank alone: below the surface the collector's body scatters too. Of a Gaussian
    # amplitude the intensity is exp(-v²/σ²).
    flank = (np.arange(v.size) <= top + 1) & (p > 0.02 * p[top]) & (v > v[top] - 25.0)
    x, y = v[flank], np.log(p[flank])
    if x.size < 4:
        return max(2.0 * step, 1e-3)
    curve = float(np.polyfit(x, y, 2, w=np.sqrt(p[flank]))[0])
    return math.sqrt(-1.0 / curve) if curve < 0 else 2.0 * step


def brightest(section: Section) -> FloatArray:
    """Return the brightest place across of each row, smoothed, ln of noise floors."""
    known = (section.weight > 0).astype(np.float64)
    smooth = ndimage.gaussian_filter(known * section.mean, (0.8, 0.8)) / np.maximum(
        ndimage.gaussian_filter(known, (0.8, 0.8)), 1e-3
    )
    edge = max(2, section.u_um.size // 10)
    return np.asarray(np.log(np.maximum(smooth[:, edge:-edge].max(axis=1), 1.0)))


def top_fibre(section: Section, optics: SectionOptics) -> tuple[Stack, SectionOptics] | None:
    """Return the topmost fibre of a section, and optics bettered by it."""
    profile = brightest(section)
    above = section.v_um < -4.0 * optics.sigma_um[1]
    if not above.any():
        return None
    least = max(math.log(_ECHO), float(profile[above].max()) - _FAINTER)
    rows = np.flatnonzero((profile > least) & above)
    if rows.size == 0:
        return None
    # The first crest below the first echo.
    r = int(rows[0])
    while r + 1 < profile.size and profile[r + 1] > profile[r]:
        r += 1
    v_top = float(section.v_um[r])
    su = optics.sigma_um[0]
    best: tuple[float, Stack, SectionOptics] | None = None
    near = slice(max(0, r - 1), r + 2)
    row = np.where(section.weight[near] > 0, section.mean[near], 0.0).max(axis=0)
    u_top = float(section.u_um[int(np.argmax(ndimage.gaussian_filter1d(row, 1.0)))])
    level = 0.5 * float(profile[r])
    widths = _width_seen(section, r, su)
    for half in (0.8 * widths, 1.15 * widths):
        height = -v_top / optics.medium - half
        start = Stack(np.array([u_top]), np.array([height]), np.array([half]), np.array([level]))
        # Rows down to past the underside would hold the next fibre: down to its middle.
        keep = section.v_um < v_top + 0.9 * optics.polymer * half
        part = replace(section, weight=np.where(keep[:, None], section.weight, 0.0))
        found, bettered = fit_section(
            part, start, optics, free=("sigma_v", "half_angle_deg", "rough", "inside"),
            evaluations=15,
        )  # fmt: skip
        if best is None or found.misfit < best[0]:
            best = (found.misfit, found, bettered)
    assert best is not None
    return best[1], best[2]


def _width_seen(section: Section, row: int, sigma_um: float) -> float:
    """Return a first guess of the half-width: half of what echoes across, below the crest."""
    step = float(section.v_um[1] - section.v_um[0])
    rows = slice(row, row + max(2, int(8.0 / step)))
    known = section.weight[rows] > 0
    across = np.where(known, section.mean[rows], 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    lit = np.flatnonzero(across > 2.0)
    if lit.size < 2:
        return 2.0 * sigma_um
    seen = float(section.u_um[lit[-1]] - section.u_um[lit[0]])
    return max(0.5 * seen - 1.0 * sigma_um, 1.2 * sigma_um)


# Steps between fibres that are tried out on whole sections.
_MOST_TRIED = 4


def family_steps(sections: list[Section], tops: list[Stack], optics: SectionOptics) -> list[float]:
    """Return the likeliest rises between successive fibres of a wall, the likeliest first.

    Below the topmost echo the tops of the fibres follow each other at equal optical steps:
    n_medium × rise + (n_polymer - n_medium) × diameter. Likely is a step at which the walls'
    profiles are bright against their surroundings. A rise too large for the wall to hold a second
    fibre stands for a single one, and is always among them.
    """
    half = float(np.median([t.half_width_um[0] for t in tops]))
    thick = 2.0 * half * optics.flatness
    rises = np.linspace(_LEAST_STEP, _MOST_STEP, _STEPS) * thick
    scores = np.zeros(rises.size)
    for section, top in zip(sections, tops, strict=True):
        profile = brightest(section)
        step = float(section.v_um[1] - section.v_um[0])
        # What is narrow in depth: a top, not the haze.
        fine = ndimage.gaussian_filter1d(profile, 0.5 * optics.sigma_um[1] / step)
        fine = fine - ndimage.gaussian_filter1d(profile, max(0.6 * thick / step, 2.0))
        first = -optics.medium * (float(top.height_um[0]) + 0.5 * thick)
        for i, rise in enumerate(rises):
            n = count_of(float(top.height_um[0]), rise, 0.5 * thick)
            period = optics.medium * rise + (optics.polymer - optics.medium) * thick
            at = first + period * np.arange(1, n)
            # The collector's own line outshines what falls on it.
            at = at[np.abs(at) > 4.0 * optics.sigma_um[1]]
            if at.size:
                scores[i] += float(np.interp(at, section.v_um, fine).sum()) / math.sqrt(at.size)
    crests = [
        i
        for i in range(rises.size)
        if scores[i] > 0 and scores[i] >= scores[max(0, i - 6) : i + 7].max()
    ]
    crests.sort(key=lambda i: -scores[i])
    return [float(rises[i]) for i in crests[:_MOST_TRIED]] + [1e6]


# Rises that agree within this share are one.
_SAME_RISE = 0.004


def resting_steps(rises: list[float], tops: list[Stack], optics: SectionOptics) -> list[float]:
    """Return the rises, and beside each the one near it at which the lowest fibre is supported.

    It rests on the collector, or half a rise higher, on the first fibre of a direction between. A
    rise that is a little too large would leave the lowest fibre, deep in shadow, out.
    """
    top = float(np.median([t.height_um[0] for t in tops]))
    half = float(np.median([t.half_width_um[0] for t in tops])) * optics.flatness
    out = list(rises)
    for rise in rises:
        for laid in (0.0, 0.5):
            steps = round((top - half) / rise - laid) + laid
            if steps < 1:
                continue
            resting = (top - half) / steps
            if all(abs(resting / r - 1.0) > _SAME_RISE for r in out):
                out.append(resting)
    return out


def count_of(top_um: float, rise_um: float, half_height_um: float) -> int:
    """Return how many fibres a rise apart fit between the topmost centre and the collector."""
    return 1 + max(0, math.floor((top_um - _LOWEST * half_height_um) / rise_um))


def even_stack(top: Stack, count: int, rise_um: float) -> Stack:
    """Return a first guess of a wall's fibres, evenly below its topmost."""
    return Stack(
        np.full(count, top.across_um[0]),
        top.height_um[0] - rise_um * np.arange(count),
        np.full(count, top.half_width_um[0]),
        np.full(count, top.level[0]),
    )


# Leans that are tried as a start, as across over height, and how many.
_STEEPEST, _LEANS = 0.4, 17


def best_lean(section: Section, stack: Stack, optics: SectionOptics) -> Stack:
    """Return a first guess put on the leaning line that explains the section best."""
    drop = stack.height_um[0] - stack.height_um
    tried = [
        replace(stack, across_um=stack.across_um[0] + slope * drop)
        for slope in np.linspace(-_STEEPEST, _STEEPEST, _LEANS)
    ]
    if float(np.ptp(stack.across_um)) > 0:
        tried.append(stack)
    return min(tried, key=lambda s: misfit_of(section, s, optics))
