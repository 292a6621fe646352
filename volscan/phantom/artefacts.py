"""What a scanner and a careless mounting add to a CT image: the table `[scanner.artefacts]`.

Bodies (specks, holder, glue, tape) are laid into the object before it is blurred; rings, cupping,
drift and fringes are added to the image; the grey scale is clipped, rescaled or cut to fewer bits
when it is stored. Nothing here knows how any of them is found again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from volscan.errors import SettingsError

Grey = NDArray[np.float32]
FloatArray = NDArray[np.float64]

# A Gaussian edge of standard deviation s has its greatest second derivative, one s from its
# middle: φ(1) / s², φ the normal density.
_EDGE_BEND = math.exp(-0.5) / math.sqrt(2.0 * math.pi)
_FACES = {"-z": (0, -1), "+z": (0, 1), "-y": (1, -1), "+y": (1, 1), "-x": (2, -1), "+x": (2, 1)}


@dataclass(frozen=True)
class Body:
    """One kind of thing that is not the print; `level` is its grey above air over polymer's."""

    level: float = 1.0

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, float | int) and not (math.isfinite(value) and value >= 0):
                raise SettingsError(f"artefacts: {field.name} must be finite and at least 0")
        if getattr(self, "side", "+x") not in _FACES:
            raise SettingsError(f"artefacts: side must be one of {', '.join(_FACES)}")


@dataclass(frozen=True)
class Specks(Body):
    """`count` balls, in air away from the print or (`in_print`) centred on its polymer."""

    level: float = 5.0
    count: int = 5
    diameter_um: float = 20.0
    in_print: bool = False


@dataclass(frozen=True)
class Holder(Body):
    """A sample tube along z about the middle of the field; `radius_um` 0: as wide as fits."""

    wall_um: float = 20.0
    radius_um: float = 0.0


@dataclass(frozen=True)
class Glue(Body):
    """A drop that wets the print's outermost polymer on one side; 0.4 of it lies on the print."""

    diameter_um: float = 100.0
    side: str = "+x"


@dataclass(frozen=True)
class Tape(Body):
    """A sheet across the whole field, `gap_um` beyond the print on one side."""

    thickness_um: float = 20.0
    gap_um: float = 20.0
    side: str = "+y"


@dataclass(frozen=True)
class Artefacts:
    """Everything that is wrong with a scan; what is left out is not there.

    Parameters
    ----------
    cupping, drift
        Depth of an additive bowl about the rotation axis, and additive rise from the first slice
        to the last, as shares of the contrast.
    rings, ring_height_voxels
        Standard deviation of concentric rings as a share of the contrast, and over how many
        slices they stay the same (0: all).
    ring_centre_voxels
        Rotation axis beside the middle of the field, voxels (y, x).
    fringes
        Phase contrast: the overshoot that the image gains one standard deviation of the point
        spread off a straight edge, as a share of the contrast. Needs a point spread.
    specks, holder, glue, tape
        Foreign bodies.
    clip
        Grey values are cut at these shares of the contrast (low, high).
    rescale
        These shares of the contrast are stretched over the whole integer type, what lies beyond
        is cut.
    bits
        Grey values are cut to this many bits (12-bit data in a 16-bit file); 0 for all.
    """

    cupping: float = 0.0
    drift: float = 0.0
    rings: float = 0.0
    ring_height_voxels: int = 0
    ring_centre_voxels: tuple[float, float] = (0.0, 0.0)
    fringes: float = 0.0
    specks: Specks | None = None
    holder: Holder | None = None
    glue: Glue | None = None
    tape: Tape | None = None
    clip: tuple[float, float] | None = None
    rescale: tuple[float, float] | None = None
    bits: int = 0

    def __post_init__(self) -> None:
        if self.fringes < 0 or self.rings < 0 or self.ring_height_voxels < 0:
            raise SettingsError("artefacts: fringes, rings and their height must be at least 0")
        for name in ("clip", "rescale"):
            ends = getattr(self, name)
            if ends is not None and not (len(ends) == 2 and ends[0] < ends[1]):
                raise SettingsError(f"artefacts: {name} needs a low and a high share")
        if not 0 <= self.bits <= 16:
            raise SettingsError("artefacts: bits must be 0 to 16")

    def to_dict(self) -> dict[str, Any]:
        """Return what is there, for the truth: keys as in the table."""
        plain = Artefacts()
        there = [f.name for f in fields(self) if getattr(self, f.name) != getattr(plain, f.name)]
        whole = asdict(self)
        return {name: whole[name] for name in there}


_BODIES: dict[str, type[Body]] = {"specks": Specks, "holder": Holder, "glue": Glue, "tape": Tape}


def artefacts_from_dict(values: Mapping[str, Any] | Artefacts | None) -> Artefacts | None:
    """Read the table `[scanner.artefacts]`; unknown keys are refused.

    Examples
    --------
    >>> artefacts_from_dict({"rings": 0.05, "glue": {"diameter_um": 80}}).glue.diameter_um
    80
    """
    if values is None or isinstance(values, Artefacts):
        return values
    rest = dict(values)
    try:
        for name, kind in _BODIES.items():
            if name in rest:
                rest[name] = kind(**rest[name])
        for name in ("ring_centre_voxels", "clip", "rescale"):
            if name in rest:
                rest[name] = tuple(float(v) for v in rest[name])
        return Artefacts(**rest)
    except TypeError as error:
        raise SettingsError(f"the [scanner.artefacts] table cannot be used: {error}") from error


def with_bodies(
    share: Grey, artefacts: Artefacts, *, voxel_um: tuple[float, float, float], seed: int
) -> Grey:
    """Return shares of polymer (z, y, x) with foreign bodies laid in, before any blur."""
    bodies = (artefacts.holder, artefacts.tape, artefacts.glue, artefacts.specks)
    if not any(bodies):
        return share
    rng = np.random.default_rng([seed, 11])
    place = _Place(share, voxel_um)
    out = share
    for body in bodies:
        if body is None:
            continue
        filled = place.filled(body, rng)
        # Polymer inside the body gives way to it.
        out = np.minimum(out, 1 - filled) + np.float32(body.level) * filled
    return out


class _Place:
    """Where bodies lie beside a print, in voxel positions times spacing."""

    def __init__(self, share: Grey, voxel_um: tuple[float, float, float]) -> None:
        self.share = share
        self.voxel = np.array(voxel_um)
        solid = np.argwhere(share > 0.5)
        if solid.size == 0:
            raise SettingsError("artefacts: there is no print to lay bodies beside")
        self.low, self.high = solid.min(axis=0) * self.voxel, solid.max(axis=0) * self.voxel
        self.solid_um = solid * self.voxel
        self.grid = np.meshgrid(
            *(np.arange(n) * v for n, v in zip(share.shape, self.voxel, strict=True)),
            indexing="ij", sparse=True,
        )  # fmt: skip

    def filled(self, body: Body, rng: np.random.Generator) -> Grey:
        """Return the share of each voxel that a body fills: its surface is one voxel soft."""
        if isinstance(body, Specks):
            depth = self._specks(body, rng)
        elif isinstance(body, Holder):
            depth = self._holder(body)
        elif isinstance(body, Glue):
            depth = self._glue(body)
        else:
            assert isinstance(body, Tape)
            depth = self._tape(body)
        soft = np.clip(0.5 + depth / float(self.voxel.min()), 0.0, 1.0)
        return np.broadcast_to(soft, self.share.shape).astype(np.float32)

    def _ball(self, centre: FloatArray, radius: float) -> FloatArray:
        z, y, x = (g - c for g, c in zip(self.grid, centre, strict=True))
        return np.asarray(radius - np.sqrt(z * z + y * y + x * x))

    def _specks(self, body: Specks, rng: np.random.Generator) -> FloatArray:
        radius = body.diameter_um / 2
        if body.in_print:
            places = self.solid_um
        else:
            off = ndimage.distance_transform_edt(self.share <= 0, sampling=self.voxel)
            places = np.argwhere(off > radius + 4 * self.voxel.max()) * self.voxel
            ends = (np.array(self.share.shape) - 1) * self.voxel - radius
            places = places[((places > radius) & (places < ends)).all(axis=1)]
        if len(places) < body.count:
            raise SettingsError("artefacts: there is no room for the specks")
        depth = np.full(self.share.shape, -np.inf)
        for centre in places[rng.integers(0, len(places), body.count)]:
            depth = np.maximum(depth, self._ball(centre, radius))
        return depth

    def _holder(self, body: Holder) -> FloatArray:
        _, y, x = self.grid
        middle = (np.array(self.share.shape) - 1) * self.voxel / 2
        fits = float(middle[1:].min() - 2 * self.voxel[1:].max())
        outer = body.radius_um or fits
        far = np.hypot(y - middle[1], x - middle[2])
        inner = float(np.hypot(*(self.solid_um[:, 1:] - middle[1:]).T).max())
        if inner > outer - body.wall_um - 2 * self.voxel.max():
            raise SettingsError(
                "artefacts: the print does not fit into the holder: widen margin_um or radius_um"
            )
        return np.asarray(body.wall_um / 2 - np.abs(far - (outer - body.wall_um / 2)))

    def _glue(self, body: Glue) -> FloatArray:
        axis, sign = _FACES[body.side]
        outermost = self.solid_um[np.argmax(sign * self.solid_um[:, axis])].copy()
        outermost[axis] += sign * 0.1 * body.diameter_um
        return self._ball(outermost, body.diameter_um / 2)

    def _tape(self, body: Tape) -> FloatArray:
        axis, sign = _FACES[body.side]
        edge = self.high[axis] if sign > 0 else self.low[axis]
        middle = edge + sign * (body.gap_um + body.thickness_um / 2)
        return np.asarray(body.thickness_um / 2 - np.abs(self.grid[axis] - middle))


def add_to_image(
    image: Grey,
    artefacts: Artefacts,
    *,
    contrast: float,
    voxel_um: tuple[float, float, float],
    psf_fwhm_um: tuple[float, float, float],
    seed: int,
) -> None:
    """Add fringes, cupping, rings and drift to a noise-free image, in place."""
    if artefacts.fringes:
        _add_fringes(image, artefacts.fringes, voxel_um=voxel_um, psf_fwhm_um=psf_fwhm_um)
    add_background(
        image, cupping=artefacts.cupping, rings=artefacts.rings, drift=artefacts.drift,
        contrast=contrast, voxel_um=voxel_um, rng=np.random.default_rng([seed, 12]),
        centre_voxels=artefacts.ring_centre_voxels, height_voxels=artefacts.ring_height_voxels,
    )  # fmt: skip


def add_background(
    image: Grey,
    *,
    cupping: float,
    rings: float,
    drift: float,
    contrast: float,
    voxel_um: tuple[float, float, float],
    rng: np.random.Generator,
    centre_voxels: tuple[float, float] = (0.0, 0.0),
    height_voxels: int = 0,
) -> None:
    """Add cupping, rings and drift in place, as shares of the contrast.

    The axis lies `centre_voxels` (y, x) beside the middle of the field; rings are drawn anew every
    `height_voxels` slices, 0 for once.
    """
    nz, ny, nx = image.shape
    dy, dx = centre_voxels
    finest = min(voxel_um[1:])
    yy = (np.arange(ny) - (ny - 1) / 2 - dy)[:, None] * voxel_um[1]
    xx = (np.arange(nx) - (nx - 1) / 2 - dx)[None, :] * voxel_um[2]
    radius = np.hypot(yy, xx)
    if cupping:
        bowl = 1 - (radius / radius.max()) ** 2
        image -= (cupping * contrast * bowl).astype(np.float32)
    if rings:
        bins = np.arange(int(radius.max() / finest) + 2)
        height = height_voxels or nz
        for start in range(0, nz, height):
            ring = np.interp(radius / finest, bins, rng.standard_normal(bins.size))
            image[start : start + height] += (rings * contrast * ring).astype(np.float32)
    if drift:
        ramp = np.linspace(-0.5, 0.5, nz) * drift * contrast
        image += ramp[:, None, None].astype(np.float32)


def _add_fringes(
    image: Grey,
    overshoot: float,
    *,
    voxel_um: tuple[float, float, float],
    psf_fwhm_um: tuple[float, float, float],
) -> None:
    """Subtract the Laplacian, as free propagation of a coherent beam adds it to a tomogram.

    For one material the tomogram becomes image - k ∇² image (transport of intensity: Paganin et
    al. 2002, Journal of Microscopy 206, 33); k is set by the overshoot wanted at a blurred edge.
    """
    if min(psf_fwhm_um) <= 0:
        raise SettingsError("artefacts: fringes need psf_fwhm_um: their width is that of the blur")
    sigma = float(np.mean(psf_fwhm_um)) / (2.0 * math.sqrt(2.0 * math.log(2.0)))
    k = overshoot * sigma**2 / _EDGE_BEND
    bend = np.zeros_like(image)
    for axis in range(3):
        second = ndimage.correlate1d(image, [1.0, -2.0, 1.0], axis=axis, mode="nearest")
        bend += np.float32(1.0 / voxel_um[axis] ** 2) * second
    image -= np.float32(k) * bend


def stored_scale(
    artefacts: Artefacts | None, *, air: float, polymer: float, dtype: str
) -> tuple[float, float]:
    """Return gain and offset from the scanner's grey values to the stored ones."""
    if artefacts is None or artefacts.rescale is None:
        return 1.0, 0.0
    low, high = (air + s * (polymer - air) for s in artefacts.rescale)
    largest = 1.0 if dtype == "float32" else float(np.iinfo(dtype).max)
    gain = largest / (high - low)
    return gain, -gain * low


def cut_greys(image: Grey, artefacts: Artefacts, *, air: float, polymer: float) -> None:
    """Clip and rescale in place what is about to be stored."""
    span = polymer - air
    ends = artefacts.rescale or artefacts.clip
    if ends is not None:
        np.clip(image, air + ends[0] * span, air + ends[1] * span, out=image)
    if artefacts.bits:
        np.clip(image, 0, 2**artefacts.bits - 1, out=image)
