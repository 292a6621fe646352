"""What `measure` is given, settled: settings, an opened and unmirrored scan, a mask."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.design import Design
from volscan.design_porosity import implied_porosity
from volscan.errors import InputError, SettingsError, SpacingError
from volscan.fibres.field import FibreField
from volscan.geometry import BuildFrame, Envelope, TubeFrame, Up
from volscan.pores.regions import Region, chosen_regions
from volscan.pores.transport import TransportChoice
from volscan.quantity import Notice
from volscan.readers import RawLayout, checked_samples, open_scan
from volscan.settings import Settings
from volscan.volume import Source, Volume, checked_spacing_um

NAMED_ENVELOPES = ("auto", "block", "hull")


def chosen_settings(settings: Settings | None, options: Mapping[str, Any]) -> Settings:
    """Return the settings, from one object or from keywords, refusing what is not measured yet.

    Raises
    ------
    SettingsError
        If both are given, a keyword is unknown, or the choice belongs to a later version.
    """
    if settings is not None and options:
        raise SettingsError(
            f"give settings or single options, not both: {', '.join(sorted(options))}"
        )
    chosen = Settings.from_dict(options) if settings is None else settings
    if chosen.modality == "oct" and chosen.collector == "mandrel":
        raise SettingsError("an OCT scan is measured on a flat collector: leave --collector plate")
    return chosen


def wanted_design(design: Design | str | Path | None) -> Design | None:
    """Return the design, refused before any work if its polymer cannot fit its volume."""
    if design is None:
        return None
    wanted = design if isinstance(design, Design) else Design.load(design)
    implied_porosity(wanted)
    return wanted


def opened_scan(
    scan: Volume | str | Path | NDArray[Any],
    *,
    settings: Settings,
    voxel_um: float | Sequence[float] | None,
    raw: RawLayout | None,
) -> Volume:
    """Return the scan as a checked volume with right-handed axes.

    `mirrored=True` reverses the x index of the samples before anything looks at them.

    Raises
    ------
    SpacingError
        If an array comes without a voxel size.
    SettingsError
        If a voxel size or raw layout is given for a `Volume`, which already has both.
    InputError
        If the scan cannot be used.
    """
    if isinstance(scan, Volume):
        if voxel_um is not None or raw is not None:
            raise SettingsError("voxel_um and raw belong to a path or an array, not to a Volume")
        volume = scan
    elif isinstance(scan, np.ndarray):
        if voxel_um is None:
            raise SpacingError("an array has no voxel size; give voxel_um, one number or (z, y, x)")
        volume = Volume(scan, _three(voxel_um), "given by the user", settings.modality)
        digest = hashlib.sha256(np.ascontiguousarray(scan).tobytes()).hexdigest()
        volume = replace(volume, source=Source("(array)", digest, "array"))
    elif isinstance(scan, str | Path):
        volume = open_scan(scan, voxel_um=voxel_um, modality=settings.modality, raw=raw)
    else:
        raise InputError(f"a scan must be a Volume, a path or an array, got {type(scan).__name__}")
    if volume.modality != settings.modality:
        raise SettingsError(f"the scan is {volume.modality}, the settings say {settings.modality}")
    volume = checked_samples(volume)
    if not settings.mirrored:
        return volume
    told = Notice(
        "mirror_undone",
        "the scan's x axis was reversed before measuring (mirrored: yes); positions, slices and "
        "the frame refer to the reversed scan",
    )
    return replace(volume, samples=volume.samples[:, :, ::-1], notices=(*volume.notices, told))


def opened_earlier(
    scans: Sequence[Volume | str | Path | NDArray[Any]],
    *,
    settings: Settings,
    voxel_um: float | Sequence[float] | None,
    raw: RawLayout | None,
) -> tuple[tuple[Volume, ...], dict[str, Any]]:
    """Return the scans of the print while it grew, as `opened_scan` does, and the facts to keep.

    Raises
    ------
    SettingsError
        If the scan is not OCT: after the print nothing grows.
    InputError
        If a scan cannot be used.
    """
    if not scans:
        return (), {}
    if settings.modality != "oct":
        raise SettingsError("earlier scans of a growing print are joined for OCT only")
    volumes = tuple(opened_scan(s, settings=settings, voxel_um=voxel_um, raw=raw) for s in scans)
    facts = [{"file": Path(v.source.path).name, "sha256": v.source.sha256} for v in volumes]
    return volumes, {"earlier": facts}


def up_as_measured(settings: Settings) -> Up | None:
    """Return `up`, which is told of the scan as stored, in the scan that is measured.

    Undoing a mirror reverses the x index, and with it an up along x.
    """
    if not settings.mirrored or settings.up not in ("+x", "-x"):
        return settings.up
    return "-x" if settings.up == "+x" else "+x"


def opened_mask(
    settings: Settings, volume: Volume
) -> tuple[NDArray[np.bool_] | None, dict[str, Any]]:
    """Return the user's envelope mask and the facts to keep of it; None for a named envelope.

    Raises
    ------
    InputError
        If the mask is empty or its shape is not the scan's.
    """
    if settings.envelope in NAMED_ENVELOPES:
        return None, {}
    mask = open_scan(settings.envelope, voxel_um=volume.spacing_um)
    if mask.shape != volume.shape:
        raise InputError(
            f"the mask {settings.envelope} has shape {mask.shape}, the scan {volume.shape} "
            f"(z, y, x); draw it on the same scan"
        )
    inside = np.asarray(mask.samples) != 0
    if not inside.any():
        raise InputError(f"the mask {settings.envelope} is empty: every voxel is 0")
    if settings.mirrored:
        inside = inside[:, :, ::-1]
    name = Path(settings.envelope).name
    return inside, {"envelope": name, "envelope_sha256": mask.source.sha256}


def assumed(frame: BuildFrame | TubeFrame) -> list[Notice]:
    """Return what the user did not tell about the frame and was assumed."""
    found = []
    # On a tube up is outward, whatever the image axes are.
    if isinstance(frame, BuildFrame) and not frame.up_confirmed:
        found.append(
            Notice(
                "up_assumed",
                f"up was assumed to be {frame.up}; tell it with --up, no shift is advised until "
                "then",
            )
        )
    if not frame.mirrored_confirmed:
        found.append(
            Notice(
                "handedness_assumed",
                "the scan was assumed not to be mirrored; tell it with --mirrored, no shift is "
                "advised until then",
            )
        )
    return found


def middle_xy_um(field: FibreField, envelope: Envelope) -> tuple[float, float]:
    """Return the scaffold's middle in plan view: of its fibres, else of the envelope."""
    points = [f.points_um[:, :2] for f in field.fibres] or [envelope.outline_um]
    low = np.min([p.min(axis=0) for p in points], axis=0)
    high = np.max([p.max(axis=0) for p in points], axis=0)
    x, y = (low + high) / 2
    return float(x), float(y)


def scan_settings(
    voxel_um: float | Sequence[float] | None, raw: RawLayout | None
) -> dict[str, Any]:
    """Return the choices that came with the scan, as the results keep them."""
    layout = None
    if raw is not None:
        layout = {
            "shape": list(raw.shape),
            "dtype": raw.dtype,
            "byte_order": raw.byte_order,
            "offset": raw.offset,
        }
    return {"voxel_um": None if voxel_um is None else list(_three(voxel_um)), "raw": layout}


def _three(voxel_um: float | Sequence[float]) -> tuple[float, float, float]:
    values = (voxel_um,) * 3 if isinstance(voxel_um, int | float) else voxel_um
    return checked_spacing_um(values)


def transport_choice(settings: Settings) -> TransportChoice:
    """Return how transport through the pores is measured, as the settings ask."""
    return TransportChoice(
        permeability=settings.permeability,
        sides=settings.transport_sides,
        solid_diffusivity=settings.solid_diffusivity,
    )


def opened_regions(settings: Settings, volume: Volume) -> tuple[Region, ...]:
    """Return the regions that pores are measured in apart, their masks read.

    Raises
    ------
    SettingsError
        If a region cannot be read, or two have one name.
    InputError
        If a mask has another shape than the scan.
    """
    texts: list[str] = []
    masks: dict[str, NDArray[np.bool_]] = {}
    for text in settings.regions:
        name, _, rest = text.partition("=")
        if not rest.startswith("mask:"):
            texts.append(text)
            continue
        path = rest.removeprefix("mask:")
        mask = open_scan(path, voxel_um=volume.spacing_um)
        if mask.shape != volume.shape:
            raise InputError(
                f"the mask {path} has shape {mask.shape}, the scan {volume.shape} (z, y, x); "
                "draw it on the same scan"
            )
        inside = np.asarray(mask.samples) != 0
        masks[name] = inside[:, :, ::-1] if settings.mirrored else inside
    return chosen_regions(texts, masks)
