"""Parts of the envelope that the pore space is measured in apart: bands, boxes, halves, masks."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from volscan.envelope import coverage, polygon
from volscan.errors import SettingsError
from volscan.geometry import BuildFrame, Envelope

FloatArray = NDArray[np.float64]

# Sides of the polygon that stands for a circle; its area is 0.1 % less.
CIRCLE_SIDES = 96
# What follows each kind of region: numbers in µm in build coordinates, those in brackets optional.
KINDS: dict[str, tuple[tuple[int, ...], str]] = {
    "band": ((2,), "band:H0,H1"),
    "box": ((4, 6), "box:X0,X1,Y0,Y1[,H0,H1]"),
    "cylinder": ((3, 5), "cylinder:X,Y,RADIUS[,H0,H1]"),
    "half": ((3,), "half:X,Y,DIRECTION"),
}


@dataclass(frozen=True)
class Region:
    """A part of the envelope, as the user named it.

    Parameters
    ----------
    name
        What its results are called.
    kind
        "band" (between two heights), "box", "cylinder" (upright), "half" (what lies to the left of
        a line through X, Y in a direction in degrees from X toward Y) or "mask".
    numbers
        Its measures in build coordinates, µm.
    mask
        Voxels of the scan (z, y, x) for "mask".

    Examples
    --------
    >>> region("lower=band:0,40")
    Region(name='lower', kind='band', numbers=(0.0, 40.0), mask=None)
    """

    name: str
    kind: str
    numbers: tuple[float, ...] = ()
    mask: NDArray[np.bool_] | None = None


def region(text: str) -> Region:
    """Read a region as the command line gives it: NAME=KIND:NUMBERS.

    Raises
    ------
    SettingsError
        If it cannot be read; the message shows how it is written.
    """
    shapes = ", ".join(form for _, form in KINDS.values())
    name, equals, rest = text.partition("=")
    kind, colon, told = rest.partition(":")
    if not name.strip() or not equals or not colon or kind not in KINDS:
        raise SettingsError(f"a region is NAME=KIND:NUMBERS with {shapes}; got {text!r}")
    try:
        numbers = tuple(float(part) for part in told.split(","))
    except ValueError:
        numbers = ()
    counts, form = KINDS[kind]
    if len(numbers) not in counts or not all(math.isfinite(v) for v in numbers):
        raise SettingsError(f"a region of this kind is NAME={form} in µm; got {text!r}")
    return Region(name.strip(), kind, numbers)


def part_of(
    envelope: Envelope,
    chosen: Region,
    frame: BuildFrame,
    *,
    shape: tuple[int, int, int],
    spacing_um: tuple[float, float, float],
) -> Envelope | None:
    """Return the part of an envelope in a region; None where they have nothing in common.

    Parameters
    ----------
    envelope, frame
        The reference volume and the build frame.
    chosen
        The region.
    shape, spacing_um
        Of the scan.
    """
    words = f"{envelope.definition}; region {chosen.name}"
    if chosen.mask is not None:
        return _masked(envelope, chosen.mask, frame, shape, spacing_um, words)
    outline, base, top = _prism(envelope, chosen)
    if len(outline) < 3 or not top > base:
        return None
    prism = Envelope(words, outline, base, top, envelope.u_volume_frac)
    if envelope.inside is None:
        return prism
    cover = coverage(prism, frame, shape, spacing_um)
    return _masked(envelope, cover >= np.float32(0.5), frame, shape, spacing_um, words)


def _prism(envelope: Envelope, chosen: Region) -> tuple[FloatArray, float, float]:
    """Return the common outline and planes of a prism and a region."""
    outline, base, top = envelope.outline_um, envelope.base_um, envelope.top_um
    n = chosen.numbers
    heights: tuple[float, ...] = ()
    if chosen.kind == "band":
        heights = n
    elif chosen.kind == "box":
        low, high = np.array([n[0], n[2]]), np.array([n[1], n[3]])
        outline = polygon.intersect(outline, polygon.counter_clockwise_box(low, high))
        heights = n[4:]
    elif chosen.kind == "cylinder":
        turn = np.arange(CIRCLE_SIDES) * 2 * math.pi / CIRCLE_SIDES
        circle = np.column_stack([n[0] + n[2] * np.cos(turn), n[1] + n[2] * np.sin(turn)])
        outline = polygon.intersect(outline, circle)
        heights = n[3:]
    else:
        a = math.radians(n[2])
        left = np.array([-math.sin(a), math.cos(a)])
        outline = polygon.clip(outline, left, float(left @ np.array(n[:2])))
    if heights:
        base, top = max(base, heights[0]), min(top, heights[1])
    return outline, base, top


def _masked(
    envelope: Envelope,
    mask: NDArray[np.bool_],
    frame: BuildFrame,
    shape: tuple[int, int, int],
    spacing_um: tuple[float, float, float],
    words: str,
) -> Envelope | None:
    """Return the voxels of a mask that lie in the envelope, as an envelope."""
    if envelope.inside is not None:
        inside = envelope.inside & mask
    elif envelope.whole_array:
        inside = mask.copy()
    else:
        inside = (coverage(envelope, frame, shape, spacing_um) >= np.float32(0.5)) & mask
    at = np.argwhere(inside)
    if at.size == 0:
        return None
    built = frame.to_build(at * np.asarray(spacing_um))
    low, high = built.min(axis=0), built.max(axis=0)
    return replace(
        envelope,
        definition=words,
        outline_um=polygon.counter_clockwise_box(low[:2], high[:2]),
        base_um=float(low[2]),
        top_um=float(high[2]),
        inside=inside,
        whole_array=False,
        mask_volume_um3=len(at) * float(np.prod(spacing_um)),
        beyond_um=None,
    )


def chosen_regions(
    texts: Sequence[str], masks: Mapping[str, NDArray[np.bool_]] | None = None
) -> tuple[Region, ...]:
    """Return the regions told as text and as masks by name.

    Raises
    ------
    SettingsError
        If two have one name.
    """
    found = [region(text) for text in texts]
    found += [Region(name, "mask", (), mask) for name, mask in (masks or {}).items()]
    names = [r.name for r in found]
    if len(set(names)) < len(names):
        raise SettingsError(f"regions need names of their own, got {', '.join(names)}")
    return tuple(found)
