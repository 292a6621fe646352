"""Waves of a family's walls in plan view: sine or zigzag, how wide, how long, how well in phase."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from volscan.fibres.wavefit import PlanPath, WaveFit, WaveShape, first_frequency, fit_paths
from volscan.geometry import FloatArray
from volscan.quantity import Quantity

# A wave is told from its noise, and from a straight wall.
_SIGNIFICANT = 3.0
_LEAST_AMPLITUDE = 0.1
# Chance that noise alone passes for a wave, over all wavelengths tried.
_FALSE_ALARM = 1e-3
# Share of the wave's mean square that smooth residuals may reach: a sine at its best length
# leaves 10 % of an arc; a zigzag told as a sine leaves 1.5 %.
_MOST_LEFT = 0.06
# Four parameters a path want some points more.
_LEAST_POINTS = 6
# Rounds that settle turning to the mean line and the blur; each gains 100-fold.
_ROUNDS = 3
# Share of the rounding's loss by which arcs of a circle differ from running means: 0.016
# to 0.018 computed for arcs of 0.04 to 0.17 wavelengths.
_OTHER_ROUNDING = 0.02
# Stations in the inner half of rounded corners that tell how far these are rounded.
_TELL_A_CORNER = 3


@dataclass(frozen=True)
class Wave:
    """The wave that a family's walls share.

    Parameters
    ----------
    shape
        "sine", or "zigzag": a triangle wave with rounded corners.
    amplitude_um
        Half the swing from crest to trough, mean over the walls; sd between walls.
    wavelength_um
        Along the mean line.
    phase_deg
        For each wall: its phase in [0, 360) at s = 0, n = A sin(2π s / λ + phase); NaN for a
        wall with too few points.
    slope
        For each wall: that of its mean line, dn/ds; NaN for a wall with too few points.
    phase_mismatch_deg
        Standard deviation of the layers' phases about their wall's mean, without the noise's
        share; None without a wall of two layers.
    corner_share
        Share of a period over which a zigzag's corners are rounded.
    """

    shape: WaveShape
    amplitude_um: Quantity
    wavelength_um: Quantity
    phase_deg: tuple[float, ...]
    slope: tuple[float, ...]
    phase_mismatch_deg: Quantity | None
    corner_share: float = 0.0


def fit_wave(
    walls: Sequence[PlanPath],
    layers: Sequence[Sequence[PlanPath]] = (),
    *,
    diameter_um: float,
    blur_um: float = 0.0,
) -> Wave | None:
    """Find the wave that the walls of a family share.

    Parameters
    ----------
    walls
        The mean path of each wall.
    layers
        For each wall, the paths of its fibres; may be empty.
    diameter_um
        Of the fibres; an amplitude under a tenth of it is none.
    blur_um
        Standard deviation of the blur along the paths. It draws bends inward, a sine by
        exp(-x²/2), x = 2π blur / λ, which is undone.

    Returns
    -------
    Wave or None
        None when the amplitude is under three u or a tenth of the diameter, when noise would
        wave as much with a chance over 1 in 1000, when less than one wave fits into the paths,
        or when they are curved or irregular instead.

    Raises
    ------
    ValueError
        If `layers` is given for another number of walls, or a path's sizes disagree.

    Notes
    -----
    Each path is turned to its own mean line. A zigzag is told where its rounded corners, one
    parameter more, pay by the Bayesian information criterion; the other shape's answer enters
    u with its weight. Residuals that repeat each other along a path count as fewer.

    Examples
    --------
    >>> s = np.linspace(0.0, 700.0, 141)
    >>> fit_wave([PlanPath(s, 30.0 * np.sin(2 * np.pi * s / 400.0))], diameter_um=20.0).shape
    'sine'
    """
    if layers and len(layers) != len(walls):
        raise ValueError(f"layers of {len(layers)} walls given for {len(walls)} walls")
    cleaned = [p.clean() for p in walls]
    used = [k for k, p in enumerate(cleaned) if _enough(p)]
    if not used:
        return None
    paths = [cleaned[k] for k in used]
    gap = float(np.median(np.concatenate([np.diff(p.s_um) for p in paths])))
    shortest = max(4.0 * gap, 4.0 * blur_um, 2.0 * diameter_um)
    frequency = first_frequency(paths, shortest_um=shortest)
    if frequency is None:
        return None
    sine = _settled(paths, "sine", frequency, blur_um)
    extent = max(float(np.ptp(p.s_um)) for p in paths)
    if _chance(sine) * max(extent / shortest, 1.0) > _FALSE_ALARM:
        return None
    zigzag = _settled(paths, "zigzag", frequency, blur_um)
    best, other, doubt = _chosen(sine, zigzag)
    amplitude = _amplitude(best, paths)
    difference = doubt * (_amplitude(other, paths).value - amplitude.value) ** 2
    amplitude = replace(amplitude, u=math.hypot(amplitude.u or 0.0, math.sqrt(difference)))
    if amplitude.value < max(_SIGNIFICANT * (amplitude.u or 0.0), _LEAST_AMPLITUDE * diameter_um):
        return None
    if best.frequency * extent < 1.0 or _left(best, paths) > _MOST_LEFT:
        return None
    wavelength = 1.0 / best.frequency
    u = math.hypot(
        wavelength**2 * math.sqrt(best.covariance[0, 0]),
        math.sqrt(doubt) * (1.0 / other.frequency - wavelength),
    )
    phases = np.full(len(walls), np.nan)
    phases[used] = np.degrees(best.own[:, 3]) % 360.0
    slopes = np.full(len(walls), np.nan)
    slopes[used] = best.own[:, 1]
    mismatch = None
    if layers:
        mismatch = _mismatch([layers[k] for k in used], paths, best, blur_um)
        if mismatch is not None:
            amplitude = _of_one_layer(amplitude, mismatch, len(used))
    return Wave(
        shape=best.shape,
        amplitude_um=amplitude,
        wavelength_um=Quantity(wavelength, u, "µm", len(paths)),
        phase_deg=tuple(float(p) for p in phases),
        slope=tuple(float(v) for v in slopes),
        phase_mismatch_deg=mismatch,
        corner_share=0.0 if best.shape == "sine" else _corner_share(best, paths)[0],
    )


def _enough(path: PlanPath) -> bool:
    return path.s_um.size >= _LEAST_POINTS and float(np.ptp(path.s_um)) > 0.0


def _turned(path: PlanPath, lean: float, about: PlanPath) -> PlanPath:
    """Return a path in the axes of a mean line that leans by `lean`, about another's middle."""
    c, s = 1.0 / math.hypot(1.0, lean), lean / math.hypot(1.0, lean)
    x0, y0 = float(about.s_um.mean()), float(about.n_um.mean())
    x, y = path.s_um - x0, path.n_um - y0
    return PlanPath(x0 + c * x + s * y, y0 + c * y - s * x, path.u_um)


def _settled(paths: list[PlanPath], shape: WaveShape, frequency: float, blur_um: float) -> WaveFit:
    """Fit, turning each path to its mean line and undoing the blur, until both hold."""
    leans = np.zeros(len(paths))
    turned, rounding = paths, None
    for _ in range(_ROUNDS):
        fit = fit_paths(turned, shape, frequency=frequency, rounding=rounding, blur_um=blur_um)
        frequency, rounding = fit.frequency, fit.rounding
        leans = leans + fit.own[:, 1]
        turned = [_turned(p, float(d), p) for p, d in zip(paths, leans, strict=True)]
    fit = fit_paths(turned, shape, frequency=frequency, rounding=rounding, blur_um=blur_um)
    own = fit.own.copy()
    own[:, 1] = leans
    return replace(fit, own=own)


def _chosen(sine: WaveFit, zigzag: WaveFit) -> tuple[WaveFit, WaveFit, float]:
    """Return the better fit, the other, and the other's weight."""
    # The better one's residuals say how many count; rounding of exact data decides nothing.
    better = sine if sine.power <= zigzag.power else zigzag
    number = better.count / better.inflation
    floor = 1e-300
    gain = number * math.log(max(sine.power, floor) / max(zigzag.power, floor))
    gain -= math.log(max(number, 2.0))
    weight = 1.0 / (1.0 + math.exp(min(abs(gain) / 2.0, 700.0)))
    return (zigzag, sine, weight) if gain > 0 else (sine, zigzag, weight)


def _amplitude(fit: WaveFit, paths: list[PlanPath]) -> Quantity:
    """Return the mean amplitude of the walls; a wall that shows less counts for less."""
    own = fit.own[:, 2]
    k = fit.shared + 2 + 4 * np.arange(own.size)
    cov = fit.covariance[np.ix_(k, k)]
    variance = np.diag(cov)
    between = float(np.var(own, ddof=1)) if own.size > 1 else 0.0
    real = max(between - float(variance.mean()), 0.0)
    # Exact data have no variance: then all walls count alike.
    weight = 1.0 / np.maximum(variance + real, 1e-12 * float(np.max(own**2)))
    weight /= weight.sum()
    value, u = float(weight @ own), math.sqrt(float(weight @ cov @ weight))
    spread = math.sqrt(between) if own.size > 1 else None
    if fit.shape == "zigzag":
        # Rounded corners stand back from sharp ones by this share of the amplitude.
        share, share_u, hidden = _corner_share(fit, paths)
        cross = 0.0
        if not hidden:
            square_u = max(math.sqrt(fit.covariance[1, 1]), 1e-12)
            cross = float(weight @ fit.covariance[k, 1]) * share_u / square_u
        own_part, corner_part = (1.0 - share) * u, value * share_u
        both = own_part**2 + corner_part**2 - 2.0 * (1.0 - share) * value * cross
        # Corners may be rounded otherwise than by a running mean.
        both += (_OTHER_ROUNDING * share * value) ** 2
        # Rounding must not make the difference of two larger numbers negative.
        u = math.sqrt(max(both, (1e-3 * corner_part) ** 2))
        value *= 1.0 - share
    return Quantity(value, u, "µm", own.size, spread)


def _corner_share(fit: WaveFit, paths: list[PlanPath]) -> tuple[float, float, bool]:
    """Return the share of a period that rounds the corners, its u, and whether they are hidden.

    Legs tell sharp corners' amplitude; any rounding that fits into a gap is as likely.
    """
    hidden = _hidden_corner(fit, paths)
    if hidden is not None:
        return 0.5 * hidden, hidden / math.sqrt(12.0), True
    return (*_rounded_share(fit.rounding, math.sqrt(fit.covariance[1, 1])), False)


def _of_one_layer(amplitude: Quantity, mismatch: Quantity, walls: int) -> Quantity:
    """Return the amplitude of the layers: out of phase, their mean waves less than they do.

    The mean of n waves whose phases have the variance s² about their own mean is lower by
    s² (n - 1) / (2 n).
    """
    spread, u = math.radians(mismatch.value), math.radians(mismatch.u or 0.0)
    number = (mismatch.n or walls) / walls
    share = (number - 1.0) / number
    factor = 1.0 - 0.5 * share * spread**2
    if factor < 0.5:
        return replace(amplitude, u=math.hypot(amplitude.u or 0.0, amplitude.value))
    own = amplitude.value * share * spread * u
    return replace(
        amplitude, value=amplitude.value / factor, u=math.hypot(amplitude.u or 0.0, own) / factor
    )


def _hidden_corner(fit: WaveFit, paths: list[PlanPath]) -> float | None:
    """Return the widest share of a period that rounds the corners unseen; None where it is seen.

    Crossings often hide the corners. How far these are rounded would then be told by the last
    stations beside the gap alone, whose own small bias no residual shows.
    """
    phases = np.concatenate(
        [
            fit.frequency * p.s_um + own[3] / (2.0 * math.pi)
            for p, own in zip(paths, fit.own, strict=True)
        ]
    )
    # Crests stand a quarter of a period after the phase is 0, troughs half a period on.
    off = np.sort(np.abs(phases % 0.5 - 0.25))
    if off.size < _TELL_A_CORNER:
        return None
    nearest = float(off[_TELL_A_CORNER - 1])
    seen = nearest < 0.25 * math.sqrt(fit.rounding)
    return None if seen else min(2.0 * nearest, 0.5)


def _rounded_share(square: float, u: float) -> tuple[float, float]:
    """Return mean and standard deviation of a share in [0, 1/2] that is known by its square.

    Near sharp corners the square may be 0 within its u: the share is then not linear in it, and
    is averaged over what the square allows, every share being as likely before.
    """
    share = np.linspace(0.0, 0.5, 2001)
    width = max(u, 1e-6)
    likely = np.exp(-0.5 * ((share**2 - square) / width) ** 2)
    likely /= likely.sum()
    mean = float(likely @ share)
    return mean, math.sqrt(float(likely @ (share - mean) ** 2))


def _chance(fit: WaveFit) -> float:
    """Return the chance that noise of the residuals' size makes waves as large at one wavelength.

    Each path has a sine and a cosine of its own, so that Σ (amplitude / u)² of noise is χ² with
    two degrees of freedom a path.
    """
    k = fit.shared + 2 + 4 * np.arange(len(fit.own))
    variance = np.maximum(np.diag(fit.covariance)[k], 1e-300)
    return float(chi2.sf(np.sum(fit.own[:, 2] ** 2 / variance), 2 * len(fit.own)))


def _left(fit: WaveFit, paths: list[PlanPath]) -> float:
    """Return the mean square of smooth residuals over the wave's.

    White noise does not count, stated or not: the product of neighbours leaves it out.
    """
    smooth = pairs = power = noise = 0.0
    for r, p in zip(fit.residuals, paths, strict=True):
        smooth += float(r[1:] @ r[:-1])
        pairs += r.size - 1
        power += float(r @ r)
        noise += float(np.sum(np.square(p.u_um)))
    count = pairs + len(paths)
    rest = max(min(smooth / pairs, (power - noise) / count), 0.0)
    # Mean square over a period: A²/2 of a sine, A²/3 of a triangle wave.
    share = 0.5 if fit.shape == "sine" else 1.0 / 3.0
    return rest / (share * float(np.mean(fit.own[:, 2] ** 2)))


def _mismatch(
    layers: list[Sequence[PlanPath]], paths: list[PlanPath], wave: WaveFit, blur_um: float
) -> Quantity | None:
    """Return the spread of the layers' phases about their wall's mean, less the noise's."""
    squares = noise = 0.0
    free = count = 0
    for own, wall, lean in zip(layers, paths, wave.own[:, 1], strict=True):
        phases: list[float] = []
        variances: list[float] = []
        for path in (p.clean() for p in own):
            if not _enough(path):
                continue
            fit = fit_paths(
                [_turned(path, float(lean), wall)],
                wave.shape,
                frequency=wave.frequency,
                rounding=wave.rounding,
                blur_um=blur_um,
                shared_free=False,
            )
            phases.append(float(fit.own[0, 3]))
            variances.append(float(fit.covariance[3, 3]))
        if len(phases) < 2:
            continue
        off = _about_mean(np.array(phases))
        squares += float(off @ off)
        noise += float(np.mean(variances)) * (len(phases) - 1)
        free += len(phases) - 1
        count += len(phases)
    if not free:
        return None
    seen, share = squares / free, noise / free
    spread = math.sqrt(max(seen - share, 0.0))
    # A variance from ν deviations is known to √(2/ν) of itself.
    doubt = math.sqrt(2.0 / free) * max(seen, share)
    u = math.sqrt(spread**2 + doubt) - spread
    return Quantity(math.degrees(spread), math.degrees(u), "deg", count)


def _about_mean(phases: FloatArray) -> FloatArray:
    """Return angles (radians) about their circular mean, in [-π, π)."""
    mean = np.angle(np.exp(1j * phases).sum())
    return np.asarray((phases - mean + math.pi) % (2.0 * math.pi) - math.pi)
