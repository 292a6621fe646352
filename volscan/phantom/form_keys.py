"""From the plain values of a phantom file to what departs from a straight grid."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from volscan.errors import SettingsError
from volscan.phantom.form import (
    Break,
    Bridge,
    Double,
    Form,
    Membrane,
    Release,
    Site,
    Spikes,
    Swell,
    Wave,
)

FORM_KEYS = (
    "wave",
    "sag_um",
    "sag_shape",
    "diameter_trend",
    "layer_factor",
    "swell",
    "bend_radius_um",
    "twist_deg_per_mm",
    "rise_bow_um",
    "missing",
    "broken",
    "doubled",
    "bridges",
    "spikes",
    "membrane",
    "release",
)


def form_from_keys(
    values: Mapping[str, Any],
    *,
    walls: Sequence[int],
    fibres_per_wall: Sequence[int],
    diameter_um: float,
    half_length_um: Sequence[float],
    seed: int,
) -> Form:
    """Read the keys of `FORM_KEYS`.

    Parameters
    ----------
    values
        `wave`: a table (fields of `Wave`) for all families, or a list of one a family, false
        (or an empty table) where straight. `swell`, `spikes`, `membrane`, `release`: tables.
        `bend_radius_um`, `twist_deg_per_mm`: a number or one a family; `rise_bow_um`: a number,
        one a family, or one a wall. `missing`, `broken`, `doubled`: a list of tables with
        `family`, `wall`, `fibre` (and `at_um`, `gap_um`; `offset_um`, `rise_um`), or a table
        with a `count` of fibres to choose, and `seed`. `bridges`: a list of tables.
    walls, fibres_per_wall, half_length_um
        Numbers a family; half the length of its fibres.
    diameter_um
        Default diameter of bridges, default gap and offset.
    seed
        Seeds phases, and choices that state no seed of their own.
    """
    n = len(walls)
    waves, phases = _waves(values.get("wave"), n, fibres_per_wall, seed)
    sites = [
        Site(f, j, k) for f in range(n) for j in range(walls[f]) for k in range(fibres_per_wall[f])
    ]
    taken: set[Site] = set()
    missing = [s for s, _, _ in _chosen(values, "missing", sites, taken, seed)]
    broken = [
        Break(
            s,
            float(row.get("at_um", rng.uniform(-0.5, 0.5) * half_length_um[s.family])),
            float(row.get("gap_um", 2 * diameter_um)),
        )
        for s, row, rng in _chosen(values, "broken", sites, taken, seed + 1)
    ]
    doubled = [
        Double(s, float(row.get("offset_um", diameter_um)), float(row.get("rise_um", 0.0)))
        for s, row, _ in _chosen(values, "doubled", sites, taken, seed + 2)
    ]
    return Form(
        waves=waves,
        layer_phases_deg=phases,
        sag_um=float(values.get("sag_um", 0.0)),
        sag_shape=values.get("sag_shape", "parabola"),
        diameter_trend=float(values.get("diameter_trend", 0.0)),
        layer_factor=float(values.get("layer_factor", 1.0)),
        swell=_table(Swell, values.get("swell"), "swell"),
        bend_radius_um=_numbers(values.get("bend_radius_um", 0.0), n, "bend_radius_um"),
        twist_deg_per_mm=_numbers(values.get("twist_deg_per_mm", 0.0), n, "twist_deg_per_mm"),
        rise_bow_um=_rows(values.get("rise_bow_um", 0.0), walls),
        missing=tuple(missing),
        broken=tuple(broken),
        doubled=tuple(doubled),
        bridges=tuple(_bridge(b, diameter_um) for b in values.get("bridges", ())),
        spikes=_table(Spikes, values.get("spikes"), "spikes"),
        membrane=_table(Membrane, values.get("membrane"), "membrane"),
        release=_table(Release, values.get("release"), "release"),
    )


def _waves(
    value: Any, n: int, fibres: Sequence[int], seed: int
) -> tuple[tuple[Wave | None, ...], tuple[tuple[float, ...], ...]]:
    if not value:
        return (), ()
    rows = list(value) if isinstance(value, list | tuple) else [value] * n
    if len(rows) != n:
        raise SettingsError(f"wave needs one table or {n}, got {len(rows)}")
    waves = tuple(_table(Wave, row, "wave") if row else None for row in rows)
    if not any(waves):
        return (), ()
    rng = np.random.default_rng([seed, 11])
    phases = []
    for wave, m in zip(waves, fibres, strict=True):
        drawn = rng.standard_normal(m) * (wave.phase_jitter_deg if wave else 0.0)
        phases.append(tuple(float(p) for p in drawn))
    return waves, tuple(phases)


def _table(kind: Any, value: Any, name: str) -> Any:
    if not value:
        return None
    if not isinstance(value, Mapping):
        raise SettingsError(f"{name} needs a table, got {value!r}")
    try:
        return kind(**{k: v if isinstance(v, str | bool) else float(v) for k, v in value.items()})
    except TypeError as error:
        raise SettingsError(f"{name}: {str(error).split('() ')[-1].split('__ ')[-1]}") from error


def _numbers(value: Any, n: int, name: str) -> tuple[float, ...]:
    rows = list(value) if isinstance(value, list | tuple) else [value] * n
    if len(rows) != n:
        raise SettingsError(f"{name} needs one value or {n}, got {len(rows)}")
    return tuple(float(v) for v in rows) if any(rows) else ()


def _rows(value: Any, walls: Sequence[int]) -> tuple[tuple[float, ...], ...]:
    rows = list(value) if isinstance(value, list | tuple) else [value] * len(walls)
    if len(rows) != len(walls):
        raise SettingsError(f"rise_bow_um needs one value or {len(walls)}, got {len(rows)}")
    full = [r if isinstance(r, list | tuple) else [r] * m for r, m in zip(rows, walls, strict=True)]
    if any(len(r) != m for r, m in zip(full, walls, strict=True)):
        raise SettingsError(f"rise_bow_um needs one value a wall ({tuple(walls)})")
    out = tuple(tuple(float(v) for v in r) for r in full)
    return out if any(v for r in out for v in r) else ()


def _chosen(
    values: Mapping[str, Any], name: str, sites: list[Site], taken: set[Site], seed: int
) -> list[tuple[Site, Mapping[str, Any], np.random.Generator]]:
    """Fibres named one by one, or so many drawn among those that nothing befell yet."""
    value = values.get(name)
    rng = np.random.default_rng([seed, 12])
    if not value:
        return []
    if isinstance(value, int):
        value = {"count": value}
    if isinstance(value, Mapping):
        if "count" not in value:
            raise SettingsError(f"{name} needs a count, or a list of fibres")
        if "seed" in value:
            rng = np.random.default_rng([int(value["seed"]), 12])
        free = [s for s in sites if s not in taken]
        count = int(value["count"])
        if count > len(free):
            raise SettingsError(f"{name}: {count} of {len(free)} fibres cannot be chosen")
        picked = [free[i] for i in sorted(rng.choice(len(free), count, replace=False))]
        out = [(s, value, rng) for s in picked]
    else:
        out = []
        for row in value:
            if not isinstance(row, Mapping):
                row = dict(zip(("family", "wall", "fibre"), row, strict=True))
            lacking = [k for k in ("family", "wall", "fibre") if k not in row]
            if lacking:
                raise SettingsError(f"{name}: each fibre needs {', '.join(lacking)}")
            site = Site(int(row["family"]), int(row["wall"]), int(row["fibre"]))
            out.append((site, row, rng))
    taken.update(s for s, _, _ in out)
    return out


def _bridge(row: Mapping[str, Any], diameter_um: float) -> Bridge:
    ends = [tuple(float(v) for v in row.get(k, ())) for k in ("from_um", "to_um")]
    if any(len(e) != 3 for e in ends):
        raise SettingsError("bridges need from_um and to_um of three numbers (X, Y, H)")
    known = {"from_um", "to_um", "diameter_um", "sag_um"}
    if set(row) - known:
        raise SettingsError(f"bridges: unknown key {', '.join(sorted(set(row) - known))}")
    return Bridge(
        (ends[0][0], ends[0][1], ends[0][2]),
        (ends[1][0], ends[1][1], ends[1][2]),
        float(row.get("diameter_um", diameter_um)),
        float(row.get("sag_um", 0.0)),
    )
