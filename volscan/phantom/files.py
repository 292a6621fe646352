"""Write a phantom: the scan, the design file of the print it stands for, and its truth."""

from __future__ import annotations

import json
import tempfile
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from volscan.errors import SettingsError, UnreadableError
from volscan.outputs import check_folder, write_folder
from volscan.phantom.make import phantom_from_dict
from volscan.phantom.oct_keys import oct_from_dict
from volscan.phantom.scaffold import ScaffoldSpec
from volscan.phantom.tube import TubeSpec
from volscan.phantom.tube_scan import sheet_pattern
from volscan.volume import Volume
from volscan.writers import write_tiff

NAMES = ("scan.tif", "design.toml", "truth.json")
_KEYS = (
    "name", "scaffold", "part", "tube", "scanner", "oct", "volume", "tolerances", "wanted_tilt_deg",
)  # fmt: skip


def make_phantom(
    spec: str | Path | Mapping[str, Any],
    out_dir: str | Path,
    *,
    force: bool = False,
    throats_too: bool = True,
) -> list[Path]:
    """Make a phantom and write it as ``scan.tif``, ``design.toml`` and ``truth.json``.

    Parameters
    ----------
    spec
        A phantom file (TOML), or the mapping that it holds: `name`, the tables `scaffold` (or
        `tube`) and `scanner` (see `phantom_from_dict`), and for the design file
        `wanted_tilt_deg` and the table `tolerances`. An `oct` table with a list `volume` gives a
        scan for each, ``scan_01.tif`` and on (see `oct_from_dict`).
    out_dir
        Folder to write into; made if it is missing.
    force
        Replace what stands there.
    throats_too
        False leaves the throats out of the truth.

    Returns
    -------
    The files written, whole or not at all.

    Raises
    ------
    UnreadableError
        If the phantom file is missing or is not TOML.
    SettingsError
        If a key is unknown or a value cannot be.
    OutputError
        If the files cannot be written, or are there and `force` is False.
    """
    values = _loaded(spec)
    unknown = sorted(set(values) - set(_KEYS))
    if unknown:
        raise SettingsError(
            f"phantom: unknown key {', '.join(unknown)}; known are {', '.join(_KEYS)}"
        )
    later = values.get("volume", ())
    if later and "oct" not in values:
        raise SettingsError("[[volume]] tables need an [oct] table")
    scans = [f"scan_{i + 1:02d}.tif" for i in range(len(later))] or [NAMES[0]]
    names = (*scans, *NAMES[1:])
    folder = check_folder(out_dir, names, force=force)
    print_: ScaffoldSpec | TubeSpec
    if later:
        volumes, truth, print_ = oct_from_dict(values, throats_too=throats_too)
    else:
        volume, truth, print_ = phantom_from_dict(values, throats_too=throats_too)
        volumes = [volume]
    stacks = [_tiff(v) for v in volumes]
    design = design_file(
        print_,
        name=truth["name"],
        wanted_tilt_deg=values.get("wanted_tilt_deg", 0.0),
        tolerances=values.get("tolerances", {}),
    )
    text = json.dumps(truth, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
    contents = (*stacks, design.encode(), text.encode())
    write_folder(folder, dict(zip(names, contents, strict=True)), force=force)
    return [folder / name for name in names]


def _tiff(volume: Volume) -> bytes:
    with tempfile.TemporaryDirectory() as place:
        scan = Path(place) / NAMES[0]
        write_tiff(scan, volume.samples, spacing_um=volume.spacing_um, compress=True)
        return scan.read_bytes()


def design_file(
    spec: ScaffoldSpec | TubeSpec,
    *,
    name: str,
    wanted_tilt_deg: float = 0.0,
    tolerances: Mapping[str, float] | None = None,
) -> str:
    """Return the text of the design file of a scaffold: as it was meant, without lean or jitter.

    Examples
    --------
    >>> from volscan.phantom.spec import scaffold_spec
    >>> spec = scaffold_spec(directions_deg=[0, 90], spacing_um=100, diameter_um=20, layers=6,
    ...                      layer_height_um=16, walls=4)
    >>> print(design_file(spec, name="patch").splitlines()[1])
    name = "patch"
    """
    if isinstance(spec, TubeSpec):
        collector, pattern = "mandrel", sheet_pattern(spec)
    else:
        collector = "plate"
        pattern = {
            "directions_deg": [a % 180 for a in spec.directions_deg],
            "spacing_um": spec.spacing_um,
            "fibre_diameter_um": spec.diameter_um,
            "layers": spec.layers,
            "layer_height_um": spec.layer_height_um,
            "walls_per_direction": spec.walls,
        }
    lines = [
        "[print]",
        f"name = {json.dumps(name, ensure_ascii=False)}",
        f'collector = "{collector}"',
        "",
        "[pattern]",
        *(
            f"{k} = {_numbers(v) if isinstance(v, list | tuple) else _number(v)}"
            for k, v in pattern.items()
        ),
        f"wanted_tilt_deg = {_number(wanted_tilt_deg)}",
        f'morphology = "{spec.morphology}"',
    ]
    if tolerances:
        lines += ["", "[tolerances]", *(f"{k} = {_number(v)}" for k, v in tolerances.items())]
    return "\n".join(lines) + "\n"


def _loaded(spec: str | Path | Mapping[str, Any]) -> Mapping[str, Any]:
    if isinstance(spec, Mapping):
        return spec
    try:
        return tomllib.loads(Path(spec).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not a UTF-8 text file"
        raise UnreadableError(f"cannot read the phantom file {spec}: {reason}") from error
    except tomllib.TOMLDecodeError as error:
        raise UnreadableError(f"phantom file {spec} is not TOML: {error}") from error


def _number(value: float) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise SettingsError(f"phantom: a number is needed for the design file, got {value!r}")
    return repr(int(value)) if float(value).is_integer() else repr(float(value))


def _numbers(values: Any) -> str:
    return "[" + ", ".join(_number(v) for v in values) + "]"
