"""Phantoms as plain mappings: what a TOML file holds becomes specifications and back."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np

from volscan.errors import SettingsError
from volscan.phantom.form_keys import FORM_KEYS, form_from_keys
from volscan.phantom.scaffold import ScaffoldSpec
from volscan.phantom.scanner import ScannerSpec

_SCAFFOLD_KEYS = {f.name for f in fields(ScaffoldSpec)} - {"tilt_deg", "wall_offset_um", "form"}
_SCAFFOLD_KEYS |= {"lean", "jitter_percent", "seed", "patch_um", *FORM_KEYS}
_SCANNER_KEYS = {f.name for f in fields(ScannerSpec)}


def scaffold_spec(
    *,
    directions_deg: Sequence[float],
    spacing_um: float | Sequence[float],
    diameter_um: float,
    layers: int,
    layer_height_um: float,
    walls: int | Sequence[int] | None = None,
    patch_um: float | None = None,
    lean: Any = 0.0,
    jitter_percent: float = 0.0,
    shift_per_fibre_um: Any = 0.0,
    seed: int = 0,
    overhang_um: float | None = None,
    **rest: Any,
) -> ScaffoldSpec:
    """Build a specification from short forms.

    Parameters
    ----------
    directions_deg, spacing_um, diameter_um, layers, layer_height_um, walls
        As in `ScaffoldSpec`; one number stands for all families.
    patch_um
        Instead of `walls`: the patch's width, filled with as many walls as fit.
    lean
        A number (all walls), a list with a number or a list of walls for each family, or a
        mapping with `kind`: "mixed" (`low`, `high`: uniform, each wall its own), "systematic"
        (`mean`, one or a family, and normal `scatter`), "fan" (`edge`: outermost walls lean
        outward by it, the others in proportion), "vector" (`tilt`, `azimuth`: the whole print's
        top went that way).
    jitter_percent
        Standard deviation of each wall's displacement in percent of the spacing.
    shift_per_fibre_um
        Like `lean` as a number or lists.
    seed
        Seeds mixed leans, scatter and jitter.
    overhang_um
        By default 0.4 spacings.
    rest
        Other fields of `ScaffoldSpec`, and the keys that `form_from_keys` reads.
    """
    form_values = {k: rest.pop(k) for k in FORM_KEYS if k in rest}
    directions = tuple(float(a) for a in directions_deg)
    n = len(directions)
    spacing = tuple(float(s) for s in numbers(spacing_um, n, "spacing_um"))
    if walls is None:
        if patch_um is None:
            raise SettingsError("a phantom needs walls or patch_um")
        walls = [int(patch_um // s) + 1 for s in spacing]
    counts = tuple(int(w) for w in numbers(walls, n, "walls"))
    rng = np.random.default_rng(seed)
    middle = [np.arange(m) - (m - 1) / 2 for m in counts]
    tilts = _leans(lean, directions, middle, rng)
    offsets = tuple(
        tuple(float(v) for v in rng.standard_normal(m) * s * jitter_percent / 100)
        for m, s in zip(counts, spacing, strict=True)
    )
    plain = ScaffoldSpec(
        directions_deg=directions,
        spacing_um=spacing,
        diameter_um=float(diameter_um),
        layers=int(layers),
        layer_height_um=float(layer_height_um),
        walls=counts,
        tilt_deg=tilts,
        shift_per_fibre_um=_rows(shift_per_fibre_um, counts, "shift_per_fibre_um"),
        wall_offset_um=offsets,
        overhang_um=0.4 * max(spacing) if overhang_um is None else float(overhang_um),
        **rest,
    )
    if not form_values:
        return plain
    half = [(m - 1) / 2 * s + plain.overhang_um for m, s in zip(counts, spacing, strict=True)]
    form = form_from_keys(
        form_values,
        walls=counts,
        fibres_per_wall=plain.fibres_per_wall,
        diameter_um=plain.diameter_um,
        half_length_um=half,
        seed=seed,
    )
    return replace(plain, form=form)


def specs_from_dict(values: Mapping[str, Any]) -> tuple[ScaffoldSpec, ScannerSpec]:
    """Read the `scaffold` and `scanner` tables of a phantom; unknown keys are refused."""
    checked_table(values, "scaffold", _SCAFFOLD_KEYS)
    checked_table(values, "scanner", _SCANNER_KEYS)
    return scaffold_from_dict(values["scaffold"]), scanner_from_dict(values)


def scaffold_from_dict(values: Mapping[str, Any], table: str = "scaffold") -> ScaffoldSpec:
    """Read the keys of a `scaffold` table, or of another that holds the same."""
    known = checked_table({table: values}, table, _SCAFFOLD_KEYS)
    try:
        return scaffold_spec(**known)
    except (TypeError, ValueError, KeyError) as error:
        if isinstance(error, SettingsError):
            raise
        why = f"lean.{error.args[0]} is missing" if isinstance(error, KeyError) else str(error)
        raise SettingsError(
            f"the [{table}] table cannot be used: {why.removeprefix('scaffold_spec() ')}"
        ) from error


def checked_table(values: Mapping[str, Any], table: str, known: set[str]) -> Mapping[str, Any]:
    """Return a table of a phantom; a missing one and unknown keys are refused."""
    if not isinstance(values.get(table), Mapping):
        raise SettingsError(f"a phantom needs a [{table}] table")
    unknown = sorted(set(values[table]) - known)
    if unknown:
        raise SettingsError(
            f"unknown key {', '.join(unknown)} in [{table}]; known: {', '.join(sorted(known))}"
        )
    return dict(values[table])


def scanner_from_dict(values: Mapping[str, Any]) -> ScannerSpec:
    """Read the `scanner` table of a phantom."""
    scanner = dict(checked_table(values, "scanner", _SCANNER_KEYS))
    if "voxel_um" not in scanner:
        raise SettingsError("the [scanner] table needs voxel_um")
    try:
        for key in ("voxel_um", "psf_fwhm_um", "margin_um"):
            if key in scanner:
                scanner[key] = tuple(float(v) for v in numbers(scanner[key], 3, key))
        return ScannerSpec(**scanner)
    except (TypeError, ValueError) as error:
        if isinstance(error, SettingsError):
            raise
        raise SettingsError(f"the [scanner] table cannot be used: {error}") from error


def numbers(value: Any, n: int, name: str) -> list[Any]:
    """Return n values from one that stands for all, or from a list of n."""
    values = list(value) if isinstance(value, list | tuple) else [value] * n
    if len(values) != n:
        raise SettingsError(f"{name} needs one value or {n}, got {len(values)}")
    return values


def _rows(value: Any, counts: Sequence[int], name: str) -> tuple[tuple[float, ...], ...]:
    families = numbers(value, len(counts), name)
    return tuple(
        tuple(float(v) for v in numbers(f, m, name)) for f, m in zip(families, counts, strict=True)
    )


def _leans(
    lean: Any,
    directions_deg: Sequence[float],
    middle: Sequence[Any],
    rng: np.random.Generator,
) -> tuple[tuple[float, ...], ...]:
    counts = [len(m) for m in middle]
    if not isinstance(lean, Mapping):
        return _rows(lean, counts, "lean")
    kind = lean.get("kind")
    rows: list[Any]
    if kind == "mixed":
        rows = [rng.uniform(lean["low"], lean["high"], m) for m in counts]
    elif kind == "systematic":
        means = numbers(lean["mean"], len(counts), "lean.mean")
        scatter = lean.get("scatter", 0.0)
        rows = [a + scatter * rng.standard_normal(m) for a, m in zip(means, counts, strict=True)]
    elif kind == "fan":
        rows = [lean["edge"] * c / max(abs(c[0]), 1e-9) for c in middle]
    elif kind == "vector":
        rise = math.tan(math.radians(lean["tilt"]))
        rows = [
            [math.degrees(math.atan(rise * math.sin(math.radians(lean["azimuth"] - a))))] * m
            for a, m in zip(directions_deg, counts, strict=True)
        ]
    else:
        raise SettingsError(f"lean.kind must be mixed, systematic, fan or vector, got {kind!r}")
    return tuple(tuple(float(v) for v in row) for row in rows)
