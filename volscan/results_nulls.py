"""No null of the results stands without a line in `warnings` that names it and says why."""

from __future__ import annotations

import fnmatch
from collections.abc import Iterator, Sequence
from typing import Any

from volscan.quantity import Notice

# Keys of the contract that a later version delivers: none are left.
NOT_IN_THIS_VERSION: tuple[str, ...] = ()

# Keys whose null is an answer, or stands for a choice not made.
_NULL_IS_PLAIN = (
    "settings.*",
    # A region's nulls have the reasons of the whole's.
    "pores.regions.*",
    "design",
    "design.*",
    # Of a plate's frame and of a mandrel's, one set of keys is null.
    "frame.axes",
    "frame.axis",
    "frame.radius_um",
    "frame.bend_um",
    "frame.ovality",
    "frame.up",
    "frame.mount_tilt_deg",
    "tube",
    "walls.layer_offset_um",
    "walls.layer_heights_um",
    "walls.u_layer_offset_um",
    "walls.bow_um",
    "shift.advice.id",
    "fibres.families.wave",
    "software.*",
)

_REASON = {
    "fibres": ("no_fibres", "no fibres were found, or too few to tell"),
    "fibres.families": ("family_incomplete", "the family has too few fibres or walls"),
    "walls": (
        "wall_incomplete",
        "the wall has too few fibres, or (lean) it stands too near the middle",
    ),
    "shift": (
        "shift_incomplete",
        "the walls do not tell it, or families differ in their normals (the vector holds)",
    ),
    "porosity": ("porosity_incomplete", "the estimator does not apply to this scan"),
    "pores.permeability_um2": (
        "permeability_not_asked",
        "flow is solved only where it is asked for (--permeability)",
    ),
    "pores.bodies": ("no_network", "bodies are told in a box, and there is none"),
    "pores.body_throats": ("no_network", "bodies are told in a box, and there is none"),
    "pores.opening_um": ("no_openings", "a tube has no plan view"),
    "pores": ("pores_incomplete", "no sphere crosses there, or the pore space is too small"),
    "envelope": ("no_envelope", "no envelope was drawn"),
    "material": ("material_incomplete", "the scan does not show it"),
    "tube": ("tube_incomplete", "fibres along the axis have no pitch, or no fibres were found"),
    "frame.release_um": (
        "release_untold",
        "only plate prints taken off their plate, of twelve tiles or more, tell it",
    ),
    "frame": ("frame_assumed", "no planes were found to tell up from; the image axis was taken"),
    "input": ("no_hash", "the scan came as an array, not as a file"),
}


# What is not looked at where only walls are asked for.
_BEYOND_WALLS = ("envelope", "porosity", "pores", "material")


def explain_nulls(
    document: dict[str, Any], told: Sequence[Notice], *, only_walls: bool
) -> list[Notice]:
    """Return the notices that are missing: for later keys, for nulls and for unknown u.

    Keys are written with dots, list positions left out: ``walls.tilt_deg`` with a count of 2
    means two walls. A key that a stage's own notice already names is left alone.
    """
    counts: dict[str, int] = {}
    for key in null_keys(document):
        counts[key] = counts.get(key, 0) + 1
    later: list[str] = []
    missing: dict[str, list[str]] = {}
    unknown_u: list[str] = []
    for key in counts:
        if _matches(key, _NULL_IS_PLAIN):
            continue
        if _matches(key, NOT_IN_THIS_VERSION):
            later.append(key)
        elif any(_names(n.message, key) for n in told):
            continue
        elif key.endswith(".u"):
            unknown_u.append(key.removesuffix(".u"))
        else:
            parts = key.split(".")
            section = ".".join(parts[:2])
            if section not in _REASON or (only_walls and parts[0] in _BEYOND_WALLS):
                section = parts[0]
            missing.setdefault(section, []).append(key)
    found = []
    if later:
        found.append(
            Notice(
                "not_in_this_version",
                "not measured by this version: " + ", ".join(later),
                len(later),
            )
        )
    for section, keys in missing.items():
        code, reason = _REASON.get(section, ("not_measured", "it could not be measured"))
        if only_walls and section in _BEYOND_WALLS:
            code, reason = "not_asked", "only walls were asked for"
        count = max(counts[k] for k in keys)
        found.append(Notice(code, f"{', '.join(keys)} could not be measured: {reason}", count))
    if unknown_u:
        found.append(
            Notice(
                "uncertainty_unknown",
                "too few independent items, or no model, for an uncertainty of "
                + ", ".join(unknown_u),
                len(unknown_u),
            )
        )
    return found


def null_keys(node: Any, key: str = "") -> Iterator[str]:
    """Yield the dotted key of every null, list positions left out."""
    if node is None:
        yield key
    elif isinstance(node, dict):
        for name, value in node.items():
            yield from null_keys(value, f"{key}.{name}" if key else name)
    elif isinstance(node, list):
        for value in node:
            yield from null_keys(value, key)


def _matches(key: str, patterns: Sequence[str]) -> bool:
    return any(fnmatch.fnmatchcase(key, p) for p in patterns)


def _names(message: str, key: str) -> bool:
    """Tell whether a stage's notice names the key, whole or by its last two parts."""
    short = ".".join(key.removesuffix(".u").split(".")[-2:])
    return key in message or short in message
