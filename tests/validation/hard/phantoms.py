"""The list of hard phantoms: read, filled with what all share, and set to a noise level."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

LIST = Path(__file__).with_name("phantoms.toml")


@dataclass(frozen=True)
class Case:
    """One phantom at one noise level; `values` is what `phantom_from_dict` reads."""

    name: str
    pattern: str
    noise: str
    values: dict[str, Any]

    @property
    def key(self) -> str:
        """Name of the run."""
        return f"{self.name}.{self.noise}"

    @property
    def voxel_um(self) -> float:
        """Coarsest voxel edge."""
        voxel = self.values["scanner"]["voxel_um"]
        return float(max(voxel) if isinstance(voxel, list) else voxel)

    @property
    def blur_um(self) -> float:
        """Full width at half maximum of the point spread."""
        blur = self.values["scanner"]["psf_fwhm_um"]
        return float(max(blur) if isinstance(blur, list) else blur)


def noise_levels() -> list[str]:
    """Return the names of the noise levels, from the least noise on."""
    return [level["name"] for level in _loaded()["noise"]]


def noise_in_words() -> str:
    """Return what the noise levels are."""
    told = []
    for level in _loaded()["noise"]:
        reach = level["noise_correlation_voxels"]
        kind = f"correlated over {reach} voxels" if reach else "white"
        told.append(f"{level['contrast_to_noise']} ({kind})")
    return ", ".join(told)


def cases(names: Iterable[str] = (), noises: Iterable[str] = ()) -> list[Case]:
    """Return every phantom at every noise level, noise by noise; or only those that are named.

    Raises
    ------
    ValueError
        If a name is not in the list.
    """
    table = _loaded()
    wanted, levels = set(names), set(noises)
    known = {row["name"] for row in table["phantom"]}
    unknown = sorted((wanted - known) | (levels - {n["name"] for n in table["noise"]}))
    if unknown:
        raise ValueError(f"not in the list: {', '.join(unknown)}")
    return [
        _case(row, level, table["default"])
        for level in table["noise"]
        for row in table["phantom"]
        if (not wanted or row["name"] in wanted) and (not levels or level["name"] in levels)
    ]


def _case(row: dict[str, Any], level: dict[str, Any], default: dict[str, Any]) -> Case:
    kind = "tube" if "tube" in row else "scaffold"
    scanner = {**default["scanner"], **row["scanner"]}
    scanner["seed"] += level["seed"]
    scanner["contrast_to_noise"] = level["contrast_to_noise"]
    scanner["noise_correlation_voxels"] = level["noise_correlation_voxels"]
    values = {"name": row["name"], kind: {**default[kind], **row[kind]}, "scanner": scanner}
    if "part" in row:
        values["part"] = row["part"]
    return Case(row["name"], row["pattern"], level["name"], values)


def _loaded() -> dict[str, Any]:
    return tomllib.loads(LIST.read_text(encoding="utf-8"))
