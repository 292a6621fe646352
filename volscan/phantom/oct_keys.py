"""From the plain values of a phantom file to OCT volumes and what is true about them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np

from volscan.errors import SettingsError
from volscan.phantom.mounting import Mounting
from volscan.phantom.oct import oct_scan, place, rows_needed
from volscan.phantom.oct_columns import trace_columns
from volscan.phantom.oct_laid import first_layers
from volscan.phantom.oct_spec import OctSpec
from volscan.phantom.parts import joined, parts_from_tables, parts_truth
from volscan.phantom.release import release_truth, released
from volscan.phantom.scaffold import ScaffoldSpec, build_scaffold
from volscan.phantom.spec import numbers, scaffold_from_dict
from volscan.phantom.truth import scaffold_truth
from volscan.volume import Volume

_OCT_KEYS = {f.name for f in fields(OctSpec)}
_TRIPLES = ("voxel_um", "resolution_fwhm_um", "margin_um", "shift_um")
_PAIRS = ("scan_curvature_um",)


def oct_from_keys(values: Mapping[str, Any]) -> OctSpec:
    """Read the keys of an `oct` table; unknown ones are refused.

    Raises
    ------
    SettingsError
        If a key is unknown, `voxel_um` is missing or a value cannot be.
    """
    unknown = sorted(set(values) - _OCT_KEYS)
    if unknown:
        raise SettingsError(
            f"unknown key {', '.join(unknown)} in [oct]; known: {', '.join(sorted(_OCT_KEYS))}"
        )
    if "voxel_um" not in values:
        raise SettingsError("the [oct] table needs voxel_um")
    given = dict(values)
    try:
        for names, n in ((_TRIPLES, 3), (_PAIRS, 2)):
            for name in names:
                if given.get(name) is not None:
                    given[name] = tuple(float(v) for v in numbers(given[name], n, name))
        return OctSpec(**given)
    except (TypeError, ValueError) as error:
        if isinstance(error, SettingsError):
            raise
        raise SettingsError(f"the [oct] table cannot be used: {error}") from error


def oct_specs(values: Mapping[str, Any]) -> list[OctSpec]:
    """Read `oct` and the list `volume`, each of whose tables overrides keys of `oct`."""
    table, later = values.get("oct"), values.get("volume", ())
    if not isinstance(table, Mapping):
        raise SettingsError("an OCT phantom needs an [oct] table")
    if not isinstance(later, list | tuple) or not all(isinstance(v, Mapping) for v in later):
        raise SettingsError("the volumes of a sequence are written as [[volume]] tables")
    return [oct_from_keys({**table, **row}) for row in later or ({},)]


def oct_from_dict(
    values: Mapping[str, Any], *, throats_too: bool = True
) -> tuple[list[Volume], dict[str, Any], ScaffoldSpec]:
    """Build a print, image it as often as asked, and tell the truth about it.

    Parameters
    ----------
    values
        `name`, `scaffold`, `part` as for `phantom_from_dict`; `oct`, and a list `volume`.
    throats_too
        False leaves the throats out of the truth.

    Returns
    -------
    volumes
        One, or those of the sequence.
    truth
        Of the last volume. Where there is a list `volume`, that of each under `volumes`.
    spec
        The finished print.

    Raises
    ------
    SettingsError
        If a key is unknown or a value cannot be.

    Examples
    --------
    >>> volumes, truth, spec = oct_from_dict(
    ...     {
    ...         "name": "patch",
    ...         "scaffold": {
    ...             "directions_deg": [0, 90], "spacing_um": 120, "diameter_um": 20, "layers": 4,
    ...             "layer_height_um": 16, "walls": 3, "lean": 5.0,
    ...         },
    ...         "oct": {"voxel_um": 5.0, "resolution_fwhm_um": 10.0},
    ...     },
    ...     throats_too=False,
    ... )
    >>> truth["frame"]["axes"]["h"], truth["fibres"]["layer_count"]
    ([-1.0, 0.0, 0.0], 4)
    """
    specs = oct_specs(values)
    if not isinstance(values.get("scaffold"), Mapping):
        raise SettingsError("an OCT phantom needs a [scaffold] table")
    spec = scaffold_from_dict(values["scaffold"])
    scaffold = build_scaffold(spec)
    others, offsets = parts_from_tables(values.get("part", ()))
    whole = released(joined([scaffold, *others], offsets) if others else scaffold)
    shapes = {place(whole, s)[1] for s in specs}
    if len(shapes) > 1:
        raise SettingsError("all volumes of a sequence need the same field of view")
    rows = max(_rows(whole, s) for s in specs)
    volumes, truths = [], []
    for one in specs:
        laid = scaffold
        if one.layers_laid is not None:
            if others:
                raise SettingsError("layers_laid cannot be used with [[part]] tables")
            laid = first_layers(scaffold, one.layers_laid)
        imaged = whole if laid is scaffold else laid
        volume, mounting = oct_scan(whole, one, laid=imaged, rows=rows)
        if others:
            truth = parts_truth([scaffold, *others], offsets, mounting, throats_too=throats_too)
            envelope = truth["parts"][0]["envelope"]
        else:
            truth = scaffold_truth(laid, mounting, throats_too=throats_too)
            envelope = truth["envelope"]
        if laid is scaffold:
            unreleased = joined([scaffold, *others], offsets) if others else scaffold
            outline = np.array(envelope["outline_um"])
            truth["release"] = release_truth(unreleased, mounting, outline)
        truth["name"] = str(values.get("name", "phantom"))
        truth["collector"] = {"height_um": 0.0}
        truth["material"] = material_truth(one)
        truth["oct"] = oct_truth(one, mounting, laid.spec.layers)
        volumes.append(volume)
        truths.append(truth)
    told = dict(truths[-1])
    if "volume" in values:
        told["volumes"] = truths
    return volumes, told, spec


def _rows(scaffold: Any, spec: OctSpec) -> int:
    if spec.rows:
        return spec.rows
    mounting, shape = place(scaffold, spec)
    return rows_needed(
        trace_columns(scaffold, mounting, shape=shape, voxel_um=spec.voxel_um[1:]), spec
    )


def material_truth(spec: OctSpec) -> dict[str, Any]:
    """Grey values and widths of the point spread as they stand in the file."""
    gain, offset = spec.gain_offset

    def grey(db: float) -> float:
        value = {"db": db, "amplitude": 10 ** (db / 20), "intensity": 10 ** (db / 10)}[spec.scale]
        return offset + gain * value

    # The optical path's scale is the file's times the index by which it was divided.
    z, y, x = spec.resolution_fwhm_um
    amplitude = [z / spec.axial_index, y, x]
    return {
        "noise_floor_grey": grey(0.0) if spec.noise else None,
        "interior_grey": grey(spec.interior_db),
        "cap_grey": grey(spec.cap_db),
        "collector_grey": grey(spec.collector_db),
        "scale": spec.scale,
        "gain": gain,
        "offset": offset,
        "amplitude_fwhm_um": amplitude,
        "intensity_fwhm_um": [w / math.sqrt(2) for w in amplitude],
    }


def oct_truth(spec: OctSpec, mounting: Mounting, layers: int) -> dict[str, Any]:
    """How the picture was formed, in plain numbers; infinite levels are None."""
    h = mounting.h[::-1]
    told = {
        name: None if isinstance(value, float) and math.isinf(value) else value
        for name, value in ((f.name, getattr(spec, f.name)) for f in fields(OctSpec))
        if name not in ("gain", "offset", "margin_um", "rows")
    }
    told |= {
        "up": "-z",
        "layers_laid": layers,
        "optical_um_per_row": spec.step_um,
        # Geometric positions [z, y, x] on the collector: normal · p = offset.
        "collector_plane": {
            "normal": h.tolist(),
            "offset_um": float(mounting.to_scan_xyz(np.zeros(3)) @ mounting.h),
        },
    }
    return {k: list(v) if isinstance(v, tuple) else v for k, v in told.items()}
