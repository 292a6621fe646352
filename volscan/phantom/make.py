"""From a mapping to a scan with its truth."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from volscan.errors import SettingsError
from volscan.phantom.oct_keys import oct_from_dict
from volscan.phantom.parts import joined, parts_from_tables, parts_truth
from volscan.phantom.release import release_truth, released
from volscan.phantom.scaffold import ScaffoldSpec, build_scaffold
from volscan.phantom.scanner import ScannerSpec, scan
from volscan.phantom.spec import scanner_from_dict, specs_from_dict
from volscan.phantom.truth import scaffold_truth
from volscan.phantom.tube import TubeSpec
from volscan.phantom.tube_scan import tube_from_dict
from volscan.volume import Volume


def phantom_from_dict(
    values: Mapping[str, Any], *, throats_too: bool = True
) -> tuple[Volume, dict[str, Any], ScaffoldSpec | TubeSpec]:
    """Build, scan and tell the truth about a phantom.

    Parameters
    ----------
    values
        `name`, and the tables `scaffold` (keyword arguments of `spec.scaffold_spec`) and
        `scanner` (fields of `ScannerSpec`); or `tube` instead of `scaffold` (keyword arguments
        of `tube_scan.tube_spec`), whose truth has no throats. A list `part` holds further
        scaffolds in the same scan, each a table like `scaffold` with `offset_um` (X, Y, H). A
        table `oct` instead of `scanner` gives an OCT volume (see `oct_from_dict`; of a sequence
        the last one).
    throats_too
        False leaves the throats out of the truth.

    Returns
    -------
    volume, truth, spec

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.

    Examples
    --------
    >>> volume, truth, spec = phantom_from_dict(
    ...     {
    ...         "name": "patch",
    ...         "scaffold": {
    ...             "directions_deg": [0, 90], "spacing_um": 160, "diameter_um": 20, "layers": 6,
    ...             "layer_height_um": 16, "walls": 4, "lean": 5.0,
    ...         },
    ...         "scanner": {"voxel_um": 4.0, "psf_fwhm_um": 8.0, "contrast_to_noise": 10.0},
    ...     },
    ...     throats_too=False,
    ... )
    >>> truth["fibres"]["layer_count"], round(truth["walls"][0]["tilt_deg"], 6)
    (6, 5.0)
    """
    spec: ScaffoldSpec | TubeSpec
    if "oct" in values:
        if "scanner" in values or "tube" in values:
            raise SettingsError("a phantom with an [oct] table has no [scanner] and no [tube]")
        volumes, truth, spec = oct_from_dict(values, throats_too=throats_too)
        return volumes[-1], truth, spec
    if "tube" in values:
        if "scaffold" in values:
            raise SettingsError("a phantom is a [scaffold] or a [tube], not both")
        scanner = scanner_from_dict(values)
        volume, truth, spec = tube_from_dict(values)
    else:
        spec, scanner = specs_from_dict(values)
        scaffold = build_scaffold(spec)
        others, offsets = parts_from_tables(values.get("part", ()))
        whole = joined([scaffold, *others], offsets) if others else scaffold
        volume, mounting = scan(released(whole), scanner)
        if others:
            truth = parts_truth([scaffold, *others], offsets, mounting, throats_too=throats_too)
            outline = np.array(truth["parts"][0]["envelope"]["outline_um"])
        else:
            truth = scaffold_truth(scaffold, mounting, throats_too=throats_too)
            outline = np.array(truth["envelope"]["outline_um"])
        truth["release"] = release_truth(whole, mounting, outline)
        truth["collector"] = _collector(scanner)
    truth["name"] = str(values.get("name", "phantom"))
    truth["material"] = _material(scanner)
    return volume, truth, spec


def _collector(scanner: ScannerSpec) -> dict[str, float] | None:
    if not scanner.collector_um:
        return None
    return {"thickness_um": scanner.collector_um, "level": scanner.collector_level}


def _material(scanner: ScannerSpec) -> dict[str, Any]:
    gain, offset = scanner.stored_scale
    air, polymer = (gain * level + offset for level in scanner.levels)
    finite = math.isfinite(scanner.contrast_to_noise)
    return {
        "air": air,
        "polymer": polymer,
        "noise": gain * scanner.noise,
        "contrast_to_noise": scanner.contrast_to_noise if finite else None,
        "noise_correlation_voxels": scanner.noise_correlation_voxels,
        "blur_axes_um": list(scanner.psf_fwhm_um),
        "psf": scanner.psf,
        "artefacts": None if scanner.artefacts is None else scanner.artefacts.to_dict(),
    }
