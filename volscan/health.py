"""The health of a scan: what its quality lets one measure, before anything is measured.

Of a CT scan the preparation is run as `measure` runs it (anchors, noise, blur, artefacts), and its
numbers are turned into plain words. Of an OCT scan size, grey values and speckle are told: the
preparation of CT does not apply to it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from volscan.errors import NothingToMeasureError
from volscan.prepare.ct import prepare_ct
from volscan.prepare.material import MaterialMap
from volscan.volume import Volume

FloatArray = NDArray[np.float64]
Verdict = Literal["yes", "with care", "no"]

# Larger scans are looked at in their middle: the preparation then stays below 3 GiB.
_MOST_VOXELS = 1.4e8
_LEAST_EDGE = 12
_BINS = 256
# Sections thinner than 1.5 times the blur tell radius² × contrast and no more (docs/theory/
# fibres.md); one as wide as twice the blur still shows nine tenths of its own grey value:
# 1 - exp(-r²/2σ²) in the middle of a disc, r one blur width.
_PARTED = 1.5
# Across fewer voxels the voxel box itself is the blur: at two its variance, 1/12, is a third of
# that of a disc of that width, d²/16.
_FEW_VOXELS = 2.0
# The ranges that the phantoms of docs/validation cover: five voxels a fibre (the rough thickness
# reads a tenth or two thin) and a contrast of four times the noise.
_CHECKED_VOXELS, _CHECKED_CONTRAST = 4.0, 4.0


@dataclass(frozen=True)
class Judgement:
    """Whether a quantity can be measured, and why."""

    quantity: str
    verdict: Verdict
    why: str


@dataclass(frozen=True)
class ScanHealth:
    """What `scan_health` found; `str()` gives the lines that `volscan info` adds.

    Parameters
    ----------
    facts
        (label, text) pairs.
    judgements
        What can and cannot be measured.
    histogram
        Grey values and their counts.
    material
        The prepared scan, None where there is none.
    part
        The part of the scan that was looked at, as slices (z, y, x).
    """

    facts: tuple[tuple[str, str], ...]
    judgements: tuple[Judgement, ...]
    histogram: tuple[FloatArray, NDArray[np.int64]]
    material: MaterialMap | None
    part: tuple[slice, slice, slice]

    def lines(self) -> Iterator[tuple[str, str]]:
        """Yield (label, text) pairs in the order they are shown."""
        yield from self.facts
        for j in self.judgements:
            yield j.quantity, f"{j.verdict}: {j.why}"

    def __str__(self) -> str:
        return "\n".join(f"{label + ':':15}{text}" for label, text in self.lines())


def scan_health(volume: Volume) -> ScanHealth:
    """Look over a scan's quality.

    Parameters
    ----------
    volume
        A CT or OCT scan.

    Returns
    -------
    ScanHealth
        Facts and judgements; a scan in which nothing stands out says so and raises nothing.

    Notes
    -----
    Time and memory are those of the preparation: some 15 s and 3 GiB at 512³, of larger scans the
    middle is looked at.
    """
    part = _middle(volume.shape)
    seen = np.ascontiguousarray(volume.samples[part])
    counts, edges = np.histogram(seen[:: max(1, len(seen) // 64)], bins=_BINS)
    histogram = (0.5 * (edges[1:] + edges[:-1]), counts.astype(np.int64))
    if volume.modality == "oct":
        return ScanHealth(_oct_facts(seen), (), histogram, None, part)
    if min(seen.shape) < _LEAST_EDGE:
        told = f"not looked at: the scan is thinner than {_LEAST_EDGE} voxels"
        return ScanHealth((("health", told),), (), histogram, None, part)
    try:
        material = prepare_ct(replace(volume, samples=seen))
    except NothingToMeasureError as error:
        return ScanHealth((("health", str(error)),), (), histogram, None, part)
    facts = _facts(material)
    if seen.size < volume.samples.size:
        facts = (("health", f"of the middle {' × '.join(map(str, seen.shape))} voxels"), *facts)
    return ScanHealth(facts, _judged(material), histogram, material, part)


def _middle(shape: tuple[int, int, int]) -> tuple[slice, slice, slice]:
    """Return the middle part of a scan that is small enough to be prepared."""
    keep = list(shape)
    while math.prod(keep) > _MOST_VOXELS:
        longest = int(np.argmax(keep))
        keep[longest] = max(keep[longest] - 16, 1)
    starts = [(n - k) // 2 for n, k in zip(shape, keep, strict=True)]
    z, y, x = (slice(s, s + k) for s, k in zip(starts, keep, strict=True))
    return z, y, x


def _oct_facts(seen: NDArray[Any]) -> tuple[tuple[str, str], ...]:
    """Return what is told of an OCT scan's grey values: spread, and speckle where it is bright."""
    values = seen.astype(np.float64)
    low, high = np.percentile(values[:: max(1, len(values) // 32)], [50.0, 99.5])
    facts = [
        ("grey", f"background about {low:.4g}, brightest half per cent above {high:.4g}"),
    ]
    spread = _speckle(values, low, high)
    if spread is not None:
        facts.append(
            (
                "speckle",
                f"neighbouring rows of bright places differ by {spread:.3g} grey values "
                f"({100 * spread / (high - low):.0f} % of the range above)",
            )
        )
    facts.append(("health", "the checks of CT scans do not apply to OCT; measure tells more"))
    return tuple(facts)


def _speckle(values: FloatArray, low: float, high: float) -> float | None:
    """Return the spread of bright voxels about the mean of their neighbours along a row."""
    if values.shape[2] < 3:
        return None
    middle = values[:, :, 1:-1]
    bright = middle > 0.5 * (low + high)
    if np.count_nonzero(bright) < 100:
        return None
    off = (middle - 0.5 * (values[:, :, :-2] + values[:, :, 2:]))[bright]
    # Independent speckle: the variance of a value less the mean of two is 1.5 times its own.
    return float(np.median(np.abs(off)) / 0.6745 / math.sqrt(1.5))


def _facts(m: MaterialMap) -> tuple[tuple[str, str], ...]:
    """Return anchors, noise, blur, sizes and artefacts in words."""
    facts = [("air", f"{m.air:.5g} ± {m.u_air:.2g}, mean of voxels away from solid")]
    if m.plateau_seen:
        facts.append(("polymer", f"{m.polymer:.5g} ± {m.u_polymer:.2g}, deep inside solid"))
    else:
        facts.append(
            ("polymer", f"at least {m.polymer:.5g}: fibres too thin to show it, a fit will tell")
        )
    noise = f"{m.noise_air:.3g} grey values in air"
    if m.noise_correlation_vox >= 2.0:
        noise += f", shared by about {m.noise_correlation_vox:.0f} neighbouring voxels"
    facts.append(("noise", noise if m.noise_air > 0 else "none: segmented, or air was cut away"))
    ratio = m.contrast_to_noise
    if ratio is not None:
        least = "" if m.plateau_seen else "at least "
        facts.append(("contrast", f"{least}{ratio:.3g} times the noise"))
    voxel = max(m.spacing_um)
    if m.blur_um is not None:
        facts.append(
            (
                "blur",
                f"about {m.blur_um.value:.3g} µm full width at half maximum "
                f"({m.blur_um.value / voxel:.2g} voxels), from the slope of edges",
            )
        )
    facts.append(
        (
            "thickness",
            f"what is solid is usually {m.rough_thickness_um:.3g} µm thick: "
            f"{m.rough_thickness_um / voxel:.2g} voxels",
        )
    )
    facts += [("found", n.message) for n in m.notices]
    if not m.notices:
        facts.append(("found", "no artefact: no drift, rings, fringes, cut greys or foreign body"))
    return tuple(facts)


# Diameter of a disc at half of its own peak after a Gaussian blur, and its own, both in widths of
# the blur (full, at half maximum): the disc's radial profile convolved numerically.
_SEEN_WIDTHS = (1.0, 1.011, 1.044, 1.103, 1.190, 1.311, 1.466, 1.874, 2.362, 2.878, 3.908)
_OWN_WIDTHS = (0.0, 0.25, 0.50, 0.75, 1.00, 1.25, 1.50, 2.00, 2.50, 3.00, 4.00)


def _judged(m: MaterialMap) -> tuple[Judgement, ...]:
    """Return what can be measured at this quality."""
    voxels = m.rough_thickness_um / max(m.spacing_um)
    blur = 0.0 if m.blur_um is None else m.blur_um.value
    widths = math.inf if blur == 0 else m.rough_thickness_um / blur
    if not m.plateau_seen and math.isfinite(widths):
        # A thin fibre cut at half of its own peak seems as wide as the blur, however thin it is.
        widths = float(np.interp(widths, _SEEN_WIDTHS, _OWN_WIDTHS, right=widths))
    noise = math.inf if m.contrast_to_noise is None else m.contrast_to_noise
    parted = widths >= _PARTED
    wide = voxels >= _FEW_VOXELS
    checked = voxels >= _CHECKED_VOXELS and noise >= _CHECKED_CONTRAST
    size = f"{voxels:.2g} voxels and {widths:.2g} blur widths a fibre"
    beyond = "" if checked else "; fewer voxels or more noise than the phantoms it was checked on"
    out = []
    if m.plateau_seen or parted:
        sure: Verdict = "yes" if checked else "with care"
        out.append(Judgement("porosity", sure, f"both grey values can be told ({size}){beyond}"))
    else:
        why = f"polymer's grey value and fibre width cannot be parted ({size})"
        out.append(Judgement("porosity", "with care", why))
    if not wide or widths < 1.0:
        why = f"fibres are no wider than the blur or two voxels ({size}): scan finer"
        out.append(Judgement("diameter", "no", why))
    elif not parted:
        why = f"width and grey value trade off below 1.5 blur widths ({size})"
        out.append(Judgement("diameter", "with care", why))
    else:
        out.append(Judgement("diameter", "yes" if checked else "with care", f"{size}{beyond}"))
    if wide:
        why = f"a wall's line is averaged over hundreds of voxels, blur leaves it in place{beyond}"
        out.append(Judgement("wall tilt", "yes" if checked else "with care", why))
    else:
        out.append(Judgement("wall tilt", "no", f"fibres are not resolved ({size})"))
    pores: Verdict = "yes" if wide and noise >= _CHECKED_CONTRAST else "with care"
    why = "pores wider than the blur" if pores == "yes" else "noise or few voxels roughen surfaces"
    out.append(Judgement("pores", pores, f"{why} ({max(blur, max(m.spacing_um)):.3g} µm)"))
    return tuple(out)
