"""Which voxel spacing holds: the file's, or the user's. It is never guessed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from volscan.errors import InputError, SpacingError
from volscan.quantity import Notice
from volscan.readers.contract import ToldSpacing
from volscan.volume import checked_spacing_um

# Relative difference above which a given voxel size is said to disagree with the file's. Headers
# that store single precision or rounded resolutions stay below 1e-5; a wrong calibration that
# matters to a measurement is above 1e-3.
DISAGREES = 1e-3

Spacing = tuple[float, float, float]


def given_spacing_um(voxel_um: float | Sequence[float] | None) -> Spacing | None:
    """Return the user's spacing (z, y, x), one number standing for all three."""
    if voxel_um is None:
        return None
    values = np.atleast_1d(np.asarray(voxel_um, dtype=np.float64)).tolist()
    return checked_spacing_um(values * 3 if len(values) == 1 else values)


def settled_spacing(
    path: Path, told: ToldSpacing, given: Spacing | None
) -> tuple[Spacing, str, tuple[Notice, ...]]:
    """Return spacing (z, y, x) in µm, where it came from, and notices.

    Raises
    ------
    SpacingError
        If neither file nor user tells the spacing of every axis.
    """
    bad = [s for s in told.um if s is not None and not (math.isfinite(s) and s > 0)]
    if given is None:
        if bad:
            raise SpacingError(
                f"{path}: its {told.origin} says a voxel spacing of {_listed(told)} µm (z, y, x), "
                "which cannot be; give the voxel size with --voxel-um"
            )
        z, y, x = told.um
        if z is None or y is None or x is None:
            raise SpacingError(f"{path}: {told.missing}; give the voxel size with --voxel-um")
        return (z, y, x), told.origin, ()
    if bad:
        message = f"the {told.origin} says a spacing of {_listed(told)} µm, which cannot be"
        return given, "given by the user", (Notice("header_spacing_unusable", message),)
    if any(
        s is not None and abs(s - g) > DISAGREES * g for s, g in zip(told.um, given, strict=True)
    ):
        used = ", ".join(f"{g:g}" for g in given)
        message = (
            f"the {told.origin} says a voxel spacing of {_listed(told)} µm (z, y, x); the given "
            f"{used} µm is used"
        )
        return given, "given by the user", (Notice("voxel_size_overridden", message),)
    return given, "given by the user", ()


def axes_notices(steps: np.ndarray) -> tuple[Notice, ...]:
    """Return what the directions of the index axes imply for leans.

    Parameters
    ----------
    steps
        Matrix (3, 3) whose columns are the steps in right-handed space for one index along x, y
        and z.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        norms = np.linalg.norm(steps, axis=0)
    if not np.all(np.isfinite(norms)) or np.any(norms <= 0):
        return ()
    unit = steps / norms
    notices = []
    if np.linalg.det(unit) < 0:
        notices.append(
            Notice(
                "axes_left_handed",
                "the header's orientation says that the index axes are left-handed: if it is "
                "right, the samples are a mirror image, which --mirrored yes undoes",
            )
        )
    cosines = [abs(float(unit[:, i] @ unit[:, j])) for i, j in ((0, 1), (0, 2), (1, 2))]
    off_deg = math.degrees(math.asin(min(max(cosines), 1.0)))
    # A tenth of a degree is what the tilt of a wall is wanted to.
    if off_deg > 0.1:
        notices.append(
            Notice(
                "axes_not_square",
                f"the header says that the index axes are off square by {off_deg:.2g}°: they are "
                "taken as square, and leans and volumes carry that error; resample the scan",
            )
        )
    return tuple(notices)


def refuse_thin(path: Path, shape: Sequence[int]) -> None:
    """Refuse a single slice, in whatever direction."""
    if min(shape) < 2:
        n = " × ".join(str(s) for s in shape)
        raise InputError(f"{path}: one slice only ({n}); a stack of at least two is needed")


def _listed(told: ToldSpacing) -> str:
    return ", ".join("?" if s is None else f"{s:g}" for s in told.um)
