"""From a mapping with a `tube` table to a scan of a wound tube with its truth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np

from volscan.errors import SettingsError
from volscan.phantom.mounting import FloatArray, Mounting, mount_rotation
from volscan.phantom.raster import cover
from volscan.phantom.scanner import Grey, ScannerSpec, grey_volume
from volscan.phantom.spec import checked_table, scanner_from_dict
from volscan.phantom.tube import TubeSpec, laydown_deg
from volscan.phantom.tube_truth import tube_truth
from volscan.phantom.tube_wind import Tube, build_tube
from volscan.volume import Volume

_KEYS = {f.name for f in fields(TubeSpec)} - {"tilt_deg", "winding_angles_deg"}
_KEYS |= {"winding_angle_deg", "lean", "seed"}

# Noise and image alone then take 16 GB.
_MOST_VOXELS = 2e9

# Own (X, Y, Z) to scan (x, y, z), Z along the named axis; cyclic, so that no hand is changed.
_ALONG: dict[str, FloatArray] = {
    "z": np.eye(3),
    "x": np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]),
    "y": np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]]),
}


def tube_spec(
    *,
    winding_angle_deg: Any,
    starts: int,
    lean: Any = 0.0,
    seed: int = 0,
    **rest: Any,
) -> TubeSpec:
    """Build a specification from short forms.

    Parameters
    ----------
    winding_angle_deg
        A number: both hands, the right-handed helix first. A list: each direction with its sign.
    starts
        As in `TubeSpec`.
    lean
        A number (all stacks), a list with a number or a list of stacks for each direction, or a
        mapping with `kind` "mixed" (`low`, `high`: uniform, each stack its own).
    seed
        Seeds mixed leans.
    rest
        Other fields of `TubeSpec`.

    Examples
    --------
    >>> tube_spec(winding_angle_deg=45, starts=6, mandrel_diameter_um=400, diameter_um=20,
    ...           layers=6, layer_height_um=18, length_um=600).winding_angles_deg
    (45.0, -45.0)
    """
    angles = (
        tuple(float(a) for a in winding_angle_deg)
        if isinstance(winding_angle_deg, list | tuple)
        else (float(winding_angle_deg), -float(winding_angle_deg))
    )
    n = len(angles)
    if isinstance(lean, Mapping):
        if lean.get("kind") != "mixed":
            raise SettingsError(f"lean.kind of a tube must be mixed, got {lean.get('kind')!r}")
        rng = np.random.default_rng(seed)
        rows = [list(rng.uniform(lean["low"], lean["high"], starts)) for _ in range(n)]
    else:
        families = list(lean) if isinstance(lean, list | tuple) else [lean] * n
        rows = [list(f) if isinstance(f, list | tuple) else [f] * starts for f in families]
    tilts = tuple(tuple(float(v) for v in row) for row in rows)
    return TubeSpec(winding_angles_deg=angles, starts=starts, tilt_deg=tilts, **rest)


def mount_tube(tube: Tube, scanner: ScannerSpec) -> tuple[Mounting, tuple[int, int, int]]:
    """Place a tube in a scan that leaves air on every side.

    The tube is turned about its own axis by the scanner's `in_plane_deg`, laid along the scan axis
    that it names, and leaned from there by `mount_tilt_deg` toward `mount_azimuth_deg`: for a tube
    along z counted from x toward y, along x from y toward z, along y from z toward x.

    Raises
    ------
    SettingsError
        If the scan would hold more than two thousand million voxels.
    """
    rotation = _ALONG[tube.spec.axis] @ mount_rotation(
        tilt_deg=scanner.mount_tilt_deg,
        azimuth_deg=scanner.mount_azimuth_deg,
        in_plane_deg=scanner.in_plane_deg,
    )
    turned = tube.segments_um().reshape(-1, 3) @ rotation.T
    radius = tube.spec.diameter_um / 2
    low, high = turned.min(axis=0) - radius, turned.max(axis=0) + radius
    if scanner.margin_um is None:
        margin = 3 * tube.spec.diameter_um + np.array(scanner.psf_fwhm_um)[::-1]
    else:
        margin = np.array(scanner.margin_um)[::-1]
    voxel = np.array(scanner.voxel_um)[::-1]
    counts = np.ceil((high - low + 2 * margin) / voxel).astype(np.int64) + 1
    if float(np.prod(counts.astype(float))) > _MOST_VOXELS:
        raise SettingsError(
            f"a phantom of {' × '.join(str(n) for n in counts[::-1])} voxels is too large: "
            "widen voxel_um or wind less"
        )
    middle = (counts - 1) * voxel / 2
    mounting = Mounting(rotation, np.zeros(3), middle - (low + high) / 2)
    return mounting, (int(counts[2]), int(counts[1]), int(counts[0]))


def tube_share(
    tube: Tube, mounting: Mounting, *, shape: tuple[int, int, int], scanner: ScannerSpec
) -> Grey:
    """Return the polymer's share of each voxel, array (z, y, x), before any blur."""
    to_own = mounting.rotation.T
    return cover(
        shape,
        scanner.voxel_um,
        segments=tube.segments_um(),
        radius=tube.spec.diameter_um / 2,
        matrix=to_own[:, ::-1],
        offset=-to_own @ mounting.centre_scan_um,
        samples=scanner.samples,
    )


def tube_from_dict(values: Mapping[str, Any]) -> tuple[Volume, dict[str, Any], TubeSpec]:
    """Wind, scan and tell the truth about a tube, from the tables `tube` and `scanner`.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.
    """
    table = checked_table(values, "tube", _KEYS)
    scanner = scanner_from_dict(values)
    try:
        spec = tube_spec(**table)
    except (TypeError, ValueError, KeyError) as error:
        if isinstance(error, SettingsError):
            raise
        why = f"lean.{error.args[0]} is missing" if isinstance(error, KeyError) else str(error)
        for name in ("tube_spec() ", "TubeSpec.__init__() "):
            why = why.removeprefix(name)
        raise SettingsError(f"the [tube] table cannot be used: {why}") from error
    tube = build_tube(spec)
    mounting, shape = mount_tube(tube, scanner)
    share = tube_share(tube, mounting, shape=shape, scanner=scanner)
    return grey_volume(share, scanner), tube_truth(tube, mounting), spec


def sheet_pattern(spec: TubeSpec) -> dict[str, Any]:
    """Return the `pattern` of a tube's design: the sheet at the shell's mean radius, no lean."""
    radius = spec.mean_radius_um
    angles = [spec.winding_deg(d, radius) for d in range(len(spec.winding_angles_deg))]
    around = 2 * math.pi * radius / spec.starts
    return {
        "directions_deg": [laydown_deg(a) % 180 for a in angles],
        "spacing_um": [around * math.cos(math.radians(a)) for a in angles],
        "fibre_diameter_um": spec.diameter_um,
        "layers": spec.layers,
        "layer_height_um": spec.layer_height_um,
        "walls_per_direction": [spec.starts] * len(angles),
    }
