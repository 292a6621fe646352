"""Fibre centres and diameters from blurred cross-sections of whole walls.

A wall's cross-section, gathered over hundreds of voxels along it, is compared with a column of
discs (ellipses when fibres have flattened) blurred by the point spread. Centres, heights and
radii belong to each fibre; the contrast between air and polymer, the point spread and the
flatness are common to the scan and are solved together with them, from walls of every family.
The radius of a thin fibre and the contrast trade off against each other (its integral fixes only
their product, radius² × contrast); the shape of the section parts them as long as the diameter
is more than about 1.5 times the blur.

Method: Gauss-Newton with Levenberg damping, in coordinates that lie along the valley of that
trade-off (a change of contrast carries radius and blur with it, so that the section's integral and
second moment stay); the walls' own unknowns are eliminated block by block
(Schur complement). Priors: see `Priors`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.columns import FamilyAxes
from volscan.fibres.threads import on_each
from volscan.geometry import FloatArray
from volscan.kernels.discs import column_jacobian, column_values

# The wide part of the point spread is this many times as wide as the narrow part.
WIDENING = 2.0
# Misfit that the disc model is allowed in every bin beside the noise, as a fraction of the
# contrast: real fibres are not exactly elliptic.
_MODEL_ERROR = 0.01
# Walls on which the starts of `fit_from_starts` are tried.
_START_WALLS = 4
# Largest change of a centre or radius in one step, as a share of the radius.
_LARGEST_STEP = 0.3


@dataclass(frozen=True)
class Optics:
    """What image formation has in common for the whole scan.

    `contrast` is the polymer's fraction on the map's present scale; `sigma_um` the standard
    deviation (z, y, x) of the narrow part of the point spread without the voxel box; `share` the
    weight of the part that is `WIDENING` times as wide; `flatness` the fibres' height over width.
    """

    contrast: float
    sigma_um: tuple[float, float, float]
    share: float
    flatness: float

    def along(
        self, axis: FloatArray, spacing_um: tuple[float, float, float], *, bin_um: float = 0.0
    ) -> float:
        """Return the standard deviation of blur and voxel box along a unit vector [z, y, x]."""
        variance = sum(
            float(a) ** 2 * (s**2 + p**2 / 12.0)
            for a, s, p in zip(axis, self.sigma_um, spacing_um, strict=True)
        )
        return math.sqrt(variance + bin_um**2 / 12.0)


@dataclass(frozen=True)
class Priors:
    """Widths of the priors that keep unresolved unknowns in place.

    Heights and radii are drawn to their family's common values, so a fused wall whose scallops
    are blurred away stays solvable; where a section resolves them, its data outweigh the prior
    many times. The common values are themselves means over the fits, so they carry no bias.
    """

    height: float = 0.10  # of a diameter
    radius: float = 0.05  # of the radius
    sideways: float = 0.5  # of a diameter, about the wall's own line
    share: float = 0.15
    sigma_ratio: float = 0.10
    flatness: float = 0.10


@dataclass(frozen=True)
class Stretch:
    """How a tube's sheet stretches sections across a wall, about the wall's leaning line.

    Unrolled at R, a fibre at radius r lies R / r as far around as it is: inner fibres look wide
    and outer ones narrow, and a wall of equal fibres would seem to taper. `cos` and `sin` are of
    the family's direction from the axis; `foot` is r / R at height 0, `rise_per_um` its growth.
    """

    slope: float
    cos: float
    sin: float
    foot: float
    rise_per_um: float

    def width(self, h: FloatArray) -> FloatArray:
        """Return the width on the sheet of what is one unit wide at its own radius."""
        ratio = np.maximum(self.foot + self.rise_per_um * h, 0.05)
        return np.asarray(np.hypot(self.cos, ratio * self.sin) / ratio)

    def own(self, n: FloatArray, h: FloatArray) -> FloatArray:
        """Return places across at their own width."""
        line = self.slope * h
        return np.asarray(line + (n - line) / self.width(h))

    def on_sheet(self, n: FloatArray, h: FloatArray) -> FloatArray:
        """Return places across as the sheet has them: the inverse of `own`."""
        line = self.slope * h
        return np.asarray(line + (n - line) * self.width(h))


@dataclass(frozen=True)
class Column:
    """One wall's cross-section and the discs in it.

    `n`, `h`, `value`, `count` are the bins (sorted by height): positions across (left normal)
    and up in µm, mean fraction, voxels. `centre_n`, `centre_h`, `radius` describe the discs;
    `prior_h`, `prior_r` what they are drawn to. With a `stretch`, of a tube's sheet, all are told
    at their own width; `across_um` is where the discs lie on the sheet.
    """

    axes: FamilyAxes
    n: FloatArray
    h: FloatArray
    value: FloatArray
    count: FloatArray
    centre_n: FloatArray
    centre_h: FloatArray
    radius: FloatArray
    prior_h: FloatArray
    prior_r: FloatArray
    stretch: Stretch | None = None

    @property
    def across_um(self) -> FloatArray:
        """The discs' places across in the map."""
        if self.stretch is None:
            return self.centre_n
        return self.stretch.on_sheet(self.centre_n, self.centre_h)


@dataclass(frozen=True)
class SharedFit:
    """Result of `fit_shared`: optics, the columns refined, and the optics' covariance."""

    optics: Optics
    columns: list[Column]
    u_contrast: float
    u_sigma_um: float
    u_flatness: float


@dataclass(frozen=True)
class ScanGrid:
    """Everything about a scan that the model needs beside the discs."""

    spacing_um: tuple[float, float, float]
    noise: float
    bin_um: float
    model_error: float = _MODEL_ERROR


def scan_grid(spacing_um: tuple[float, float, float], *, noise: float, bin_um: float) -> ScanGrid:
    """Return the grid facts that a fit needs: spacing, noise of a voxel, bin size."""
    return ScanGrid(spacing_um, max(noise, 1e-3), bin_um)


def fit_cost(columns: list[Column], optics: Optics, grid: ScanGrid, priors: Priors) -> float:
    """Return the χ² of columns and optics, priors included."""
    return _cost(columns, optics, grid, priors) + _theta_cost(_theta(optics), priors)


def model_values(column: Column, optics: Optics, grid: ScanGrid) -> FloatArray:
    """Return the model at the column's bins, on the map's present scale."""
    sn = optics.along(column.axes.across, grid.spacing_um)
    sh = optics.along(column.axes.up, grid.spacing_um)
    return optics.contrast * np.asarray(
        column_values(
            column.n,
            column.h,
            column.centre_n,
            column.centre_h,
            column.radius,
            column.radius * optics.flatness,
            sigma_n=sn,
            sigma_h=sh,
            share=optics.share,
            widening=WIDENING,
            row_step=_row_step(column, min(sn, sh)),
        )
    )


def fit_shared(
    columns: list[Column], optics: Optics, grid: ScanGrid, *, priors: Priors, iterations: int = 12
) -> SharedFit:
    """Solve optics and discs together.

    Parameters
    ----------
    columns
        Walls of all families, or a fair selection.
    optics
        First guess.
    grid
        From `scan_grid`.
    priors
        Widths of the priors.
    iterations
        Most steps taken; it ends earlier when steps stop paying.
    """
    theta = _theta(optics)
    cost = _cost(columns, _optics(theta), grid, priors) + _theta_cost(theta, priors)
    damping = 1e-3
    for _ in range(iterations):
        a_ss, b_s, pieces = _normal_equations(theta, columns, grid, priors)
        improved = False
        for _attempt in range(5):
            step, own_steps, _ = _solve(a_ss, b_s, pieces, damping)
            trial_theta, shrink = _stepped(theta, step, columns)
            trial = [_moved(c, s, shrink) for c, s in zip(columns, own_steps, strict=True)]
            trial_cost = _cost(trial, _optics(trial_theta), grid, priors) + _theta_cost(
                trial_theta, priors
            )
            if trial_cost < cost:
                improved = True
                break
            damping *= 10.0
        if not improved:
            break
        gain = cost - trial_cost
        theta, columns, cost = trial_theta, trial, trial_cost
        damping = max(damping / 10.0, 1e-6)
        if gain < 1e-5 * cost + 0.01:
            break
    _, _, schur = _solve(*_normal_equations(theta, columns, grid, priors), 0.0)
    covariance = np.linalg.inv(schur)
    final = _optics(theta)
    sd = np.sqrt(np.diag(covariance))
    return SharedFit(
        optics=final,
        columns=columns,
        u_contrast=float(sd[0]),
        u_sigma_um=float(sd[1]) * final.sigma_um[1],
        u_flatness=float(sd[4]) * final.flatness,
    )


def _normal_equations(
    theta: FloatArray, columns: list[Column], grid: ScanGrid, priors: Priors
) -> tuple[FloatArray, FloatArray, list[tuple[FloatArray, FloatArray, FloatArray]]]:
    """Return the shared part, its right side, and each wall's (own, own × shared, right side)."""
    current = _optics(theta)
    valley = _valley(theta, columns)

    def parts(column: Column) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        own, shared, rest, weight = _linearised(column, current, theta, grid, priors)
        shared[:, 0] += shared[:, 1:3] @ valley
        shared[:, 0] -= own[:, 2::3] @ (column.radius / (2.0 * current.contrast))
        weighted = shared * weight[:, None]
        a_ww = own.T @ (own * weight[:, None])
        b_w = own.T @ (rest * weight)
        prior_a, prior_b = _prior_normal(column, priors)
        a_ww[np.diag_indices_from(a_ww)] += prior_a
        return (
            a_ww,
            own.T @ weighted,
            b_w + prior_b,
            shared.T @ weighted,
            shared.T @ (rest * weight),
        )

    a_ss, b_s = _theta_normal(theta, priors)
    pieces = []
    for a_ww, a_ws, b_w, a_part, b_part in on_each(parts, columns):
        a_ss += a_part
        b_s += b_part
        pieces.append((a_ww, a_ws, b_w))
    return a_ss, b_s, pieces


def fit_from_starts(
    columns: list[Column], optics: Optics, grid: ScanGrid, *, priors: Priors
) -> SharedFit:
    """Solve optics and discs from several first contrasts and keep the best.

    Thin fibres make a long, bent valley in which a descent from one place can come to rest far
    from the bottom. Each start has the integral and the second moment of the sections; the shape
    of the point spread and the flatness are released only at the end.
    """
    strict = replace(priors, share=0.01, sigma_ratio=0.02, flatness=0.02)
    best: SharedFit | None = None
    lowest = math.inf
    few = columns[:: max(1, len(columns) // _START_WALLS)]
    for contrast in (0.85, 1.05, 1.35):
        start, placed = _started(few, optics, grid, contrast * optics.contrast)
        fit = fit_shared(placed, start, grid, priors=strict, iterations=8)
        cost = _cost(fit.columns, fit.optics, grid, strict)
        if cost < lowest:
            lowest, best = cost, fit
    assert best is not None
    radius = float(np.mean(np.concatenate([c.radius for c in best.columns])))
    started = [
        replace(c, radius=np.full(c.radius.size, radius), prior_r=np.full(c.radius.size, radius))
        for c in columns
    ]
    return fit_shared(started, best.optics, grid, priors=priors, iterations=10)


def _started(
    columns: list[Column], optics: Optics, grid: ScanGrid, contrast: float
) -> tuple[Optics, list[Column]]:
    """Return optics and discs with the sections' integral and second moment for a contrast."""
    placed, spreads, radii = [], [], []
    for c in columns:
        weight = c.value * grid.bin_um**2
        area = float(weight.sum())
        if area <= 0:
            placed.append(c)
            continue
        radius = math.sqrt(area / (math.pi * contrast * c.radius.size))
        radius = max(radius, float(c.radius.mean()) / math.sqrt(contrast))
        line = np.interp(c.h, c.centre_h, c.centre_n)
        spreads.append(float((weight * (c.n - line) ** 2).sum()) / area)
        radii.append(radius)
        placed.append(
            replace(
                c, radius=np.full(c.radius.size, radius), prior_r=np.full(c.radius.size, radius)
            )
        )
    if not radii:
        return replace(optics, contrast=contrast), placed
    coarse = max(grid.spacing_um)
    variance = float(np.median(spreads)) - float(np.median(radii)) ** 2 / 4.0 - coarse**2 / 12.0
    sigma = math.sqrt(max(variance, (0.4 * coarse) ** 2))
    return Optics(contrast, (sigma, sigma, sigma), 0.0, 1.0), placed


def fit_discs(
    column: Column, optics: Optics, grid: ScanGrid, priors: Priors, *, iterations: int = 6
) -> tuple[Column, FloatArray]:
    """Solve one wall's discs with the optics held; return it and its covariance (3N, 3N).

    The unknowns run centre_n, centre_h, radius of the first disc, then of the next.
    """
    theta = _theta(optics)
    cost = _cost([column], optics, grid, priors)
    damping = 1e-4
    covariance: FloatArray = np.zeros((3 * column.radius.size,) * 2)
    for _ in range(iterations):
        own, _, rest, weight = _linearised(column, optics, theta, grid, priors, shared=False)
        a = own.T @ (own * weight[:, None])
        b = own.T @ (rest * weight)
        prior_a, prior_b = _prior_normal(column, priors)
        a[np.diag_indices_from(a)] += prior_a
        b += prior_b
        covariance = np.asarray(np.linalg.inv(a), dtype=np.float64)
        done = True
        for _attempt in range(4):
            damped = a + damping * np.diag(np.diag(a))
            trial = _moved(column, np.asarray(np.linalg.solve(damped, b), dtype=np.float64))
            trial_cost = _cost([trial], optics, grid, priors)
            if trial_cost < cost:
                done = cost - trial_cost < 1e-5 * cost + 0.01
                column, cost = trial, trial_cost
                damping = max(damping / 10.0, 1e-6)
                break
            damping *= 10.0
        if done:
            break
    return column, covariance


def moved_segment(
    column: Column, segment: Column, optics: Optics, grid: ScanGrid, *, priors: Priors
) -> tuple[Column, FloatArray]:
    """Fit only positions (not radii) to a part of a wall, starting from the whole wall's discs."""
    start = replace(
        segment,
        centre_n=column.centre_n,
        centre_h=column.centre_h,
        radius=column.radius,
        prior_h=column.centre_h,
        prior_r=column.radius,
    )
    tight = replace(priors, radius=1e-3, height=0.2)
    return fit_discs(start, optics, grid, priors=tight, iterations=3)


def _row_step(column: Column, sigma: float) -> float:
    return float(min(0.3 * sigma, 0.12 * float(column.radius.min())))


def _theta(o: Optics) -> FloatArray:
    return np.array(
        [
            o.contrast,
            math.log(o.sigma_um[1]),
            math.log(o.sigma_um[0]),
            o.share,
            math.log(o.flatness),
        ]
    )


def _optics(theta: FloatArray) -> Optics:
    xy, z = math.exp(theta[1]), math.exp(theta[2])
    return Optics(float(theta[0]), (z, xy, xy), float(theta[3]), math.exp(theta[4]))


def _bounded(theta: FloatArray) -> FloatArray:
    out = theta.copy()
    out[0] = min(max(out[0], 0.3), 3.0)
    out[3] = min(max(out[3], 0.0), 0.6)
    out[4] = min(max(out[4], -0.7), 0.7)
    return out


def _theta_cost(theta: FloatArray, priors: Priors) -> float:
    return float(
        (theta[3] / priors.share) ** 2
        + ((theta[1] - theta[2]) / priors.sigma_ratio) ** 2
        + (theta[4] / priors.flatness) ** 2
    )


def _theta_normal(theta: FloatArray, priors: Priors) -> tuple[FloatArray, FloatArray]:
    a = np.zeros((5, 5))
    b = np.zeros(5)
    w = priors.sigma_ratio**-2
    a[1, 1] += w
    a[2, 2] += w
    a[1, 2] -= w
    a[2, 1] -= w
    b[1] -= w * (theta[1] - theta[2])
    b[2] += w * (theta[1] - theta[2])
    a[3, 3] += priors.share**-2
    b[3] -= theta[3] * priors.share**-2
    a[4, 4] += priors.flatness**-2
    b[4] -= theta[4] * priors.flatness**-2
    return a, b


def _prior_widths(column: Column, priors: Priors) -> FloatArray:
    r = column.prior_r
    return np.stack([2.0 * priors.sideways * r, 2.0 * priors.height * r, priors.radius * r], axis=1)


def _line_n(column: Column) -> FloatArray:
    """Return where a straight wall through the discs would put them."""
    if column.centre_h.size < 2:
        return column.centre_n.copy()
    slope, start = np.polyfit(column.centre_h, column.centre_n, 1)
    return np.asarray(start + slope * column.centre_h)


def _prior_normal(column: Column, priors: Priors) -> tuple[FloatArray, FloatArray]:
    w = _prior_widths(column, priors) ** -2
    return w.ravel(), (w * _off_prior(column)).ravel()


def _off_prior(column: Column) -> FloatArray:
    """Return (discs, 3): how far the prior lies from the discs.

    Only unevenness between a wall's discs is drawn together: the wall's own height, its mean rise
    and its mean radius are free.
    """
    off_h = column.prior_h - column.centre_h
    off_r = column.prior_r - column.radius
    off_h = off_h - off_h.mean()
    if off_h.size > 2:
        lever = column.prior_h - column.prior_h.mean()
        off_h = off_h - lever * float(lever @ off_h) / float(lever @ lever)
    return np.stack([_line_n(column) - column.centre_n, off_h, off_r - off_r.mean()], axis=1)


def _weights(column: Column, grid: ScanGrid) -> FloatArray:
    return 1.0 / (grid.noise**2 / column.count + grid.model_error**2)


def _cost(columns: list[Column], optics: Optics, grid: ScanGrid, priors: Priors) -> float:
    def one(column: Column) -> float:
        misfit = column.value - model_values(column, optics, grid)
        data = float(np.sum(_weights(column, grid) * misfit**2))
        return data + float(np.sum((_off_prior(column) / _prior_widths(column, priors)) ** 2))

    return sum(on_each(one, columns))


def _linearised(
    column: Column,
    optics: Optics,
    theta: FloatArray,
    grid: ScanGrid,
    priors: Priors,
    *,
    shared: bool = True,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the Jacobians (own, shared), the misfit and the weights at the present discs."""
    sn = optics.along(column.axes.across, grid.spacing_um)
    sh = optics.along(column.axes.up, grid.spacing_um)
    base = model_values(column, optics, grid)
    own = optics.contrast * column_jacobian(
        column.n,
        column.h,
        column.centre_n,
        column.centre_h,
        column.radius,
        column.radius * optics.flatness,
        sigma_n=sn,
        sigma_h=sh,
        share=optics.share,
        widening=WIDENING,
        row_step=_row_step(column, min(sn, sh)),
    )
    common = np.zeros((column.n.size, 5))
    if shared:
        common[:, 0] = base / optics.contrast
        for j, delta in ((1, 0.02), (2, 0.02), (3, 0.02), (4, 0.01)):
            high = theta.copy()
            high[j] += delta
            common[:, j] = (model_values(column, _optics(high), grid) - base) / delta
    return own, common, column.value - base, _weights(column, grid)


def _solve(
    a_ss: FloatArray,
    b_s: FloatArray,
    pieces: list[tuple[FloatArray, FloatArray, FloatArray]],
    damping: float,
) -> tuple[FloatArray, list[FloatArray], FloatArray]:
    """Eliminate each wall's unknowns; return shared step, walls' steps and Schur matrix."""
    schur = a_ss.copy()
    right = b_s.copy()
    solved = []
    for a_ww, a_ws, b_w in pieces:
        damped = a_ww + damping * np.diag(np.diag(a_ww))
        inverse_ws = np.linalg.solve(damped, a_ws)
        inverse_b = np.linalg.solve(damped, b_w)
        schur -= a_ws.T @ inverse_ws
        right -= a_ws.T @ inverse_b
        solved.append((inverse_ws, inverse_b))
    step = np.linalg.solve(schur + damping * np.diag(np.diag(a_ss)), right)
    step = np.clip(step, -0.25, 0.25)
    return step, [b - ws @ step for ws, b in solved], schur


def _valley(theta: FloatArray, columns: list[Column]) -> FloatArray:
    """Return d(log sigma xy, z)/d(contrast) at constant integral and second moment."""
    r2 = float(np.mean(np.concatenate([c.radius for c in columns]) ** 2))
    return np.array([r2 / (8.0 * theta[0] * math.exp(2.0 * theta[i])) for i in (1, 2)])


def _stepped(
    theta: FloatArray, step: FloatArray, columns: list[Column]
) -> tuple[FloatArray, float]:
    """Return theta after a step along the valley, and the factor that radii take with it."""
    r2 = float(np.mean(np.concatenate([c.radius for c in columns]) ** 2))
    contrast = min(max(theta[0] + step[0], 0.3, 0.7 * theta[0]), 3.0, 1.4 * theta[0])
    shrink = math.sqrt(theta[0] / contrast)
    out = theta + step
    out[0] = contrast
    for i in (1, 2):
        variance = math.exp(2.0 * theta[i])
        # The blur keeps at least a quarter of its variance in one step.
        variance = max(variance + 0.25 * r2 * (1.0 - shrink**2), 0.25 * variance)
        out[i] = 0.5 * math.log(variance) + step[i]
    return _bounded(out), shrink


def _moved(column: Column, step: NDArray[np.float64], shrink: float = 1.0) -> Column:
    parts = step.reshape(-1, 3)
    limit = _LARGEST_STEP * column.radius[:, None]
    parts = np.clip(parts, -limit, limit)
    return replace(
        column,
        centre_n=column.centre_n + parts[:, 0],
        centre_h=column.centre_h + parts[:, 1],
        radius=np.maximum(shrink * column.radius + parts[:, 2], 0.3 * column.prior_r),
    )
