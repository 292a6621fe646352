"""The truth fibre by fibre, of waves, of defects, and of what stands beside the grid."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from volscan.phantom.form import Break, Form, Site, Wave
from volscan.phantom.mounting import Mounting
from volscan.phantom.paths import arc_length, wave_curve
from volscan.phantom.pieces import Strand
from volscan.phantom.scaffold import Scaffold

FloatArray = NDArray[np.float64]


def layer_of(scaffold: Scaffold, family: int, fibre: int) -> int:
    """Layer, from 0, of a fibre of a family in the order of writing."""
    if scaffold.spec.morphology == "fused":
        return fibre
    return fibre * len(scaffold.spec.directions_deg) + family


def strand_numbers(scaffold: Scaffold, strand: Strand) -> dict[str, float]:
    """Length, sinuosity, recruitment strain, sag and diameter of one strand.

    Lengths are those of its own points; the diameter is that of the circle with the section's
    area, its mean over length; `diameter_change` is the relative change of a straight line
    fitted along it, from start to end.
    """
    arc = arc_length(strand.points_um)
    length = float(arc[-1])
    chord = float(np.linalg.norm(strand.points_um[-1] - strand.points_um[0]))
    mean, change = scaffold.diameter_um, 0.0
    if strand.widths_um is not None:
        d = strand.widths_um / math.sqrt(scaffold.stretch)
        steps = np.diff(arc)
        mean = float(((d[1:] + d[:-1]) / 2 * steps).sum() / length)
        # First moment of a piecewise straight diameter about the middle.
        a, b = arc[:-1] - length / 2, arc[1:] - length / 2
        moment = (steps * ((2 * a + b) * d[:-1] + (a + 2 * b) * d[1:]) / 6).sum()
        change = float(12 * moment / length**2 / mean)
    return {
        "length_um": length,
        "sinuosity": length / chord,
        "recruitment_strain": length / chord - 1,
        "sag_um": strand.sag_um,
        "diameter_um": mean,
        "diameter_change": change,
    }


def fibre_rows(
    scaffold: Scaffold,
    rank: dict[int, int],
    wall_ids: dict[tuple[int, int], int],
    sense: dict[int, float],
) -> list[dict[str, Any]]:
    """Return one row a fibre or piece of one: family and wall as measured, layer, numbers.

    `sense` is -1 for families whose measured direction runs against that of writing: their
    diameters then change the other way.
    """
    rows = []
    for s in scaffold.strands:
        if s.loop or s.kind not in ("laid", "double"):
            continue
        numbers = strand_numbers(scaffold, s)
        numbers["diameter_change"] *= sense[s.family]
        rows.append(
            {
                "family": rank[s.family],
                "wall": wall_ids[s.family, s.wall],
                "fibre": s.step,
                "layer": layer_of(scaffold, s.family, s.step),
                "doubled": s.kind == "double",
                **numbers,
            }
        )
    return rows


def family_numbers(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Means over fibres; the sag over those that hang, which the lowest layer does not."""
    hanging = [r["sag_um"] for r in rows if r["sag_um"] != 0]
    return {
        "diameter_um": _mean(rows, "diameter_um"),
        "sag_um": float(np.mean(hanging)) if hanging else 0.0,
        "recruitment_strain": _mean(rows, "recruitment_strain"),
        "sinuosity": _mean(rows, "sinuosity"),
        "diameter_change": _mean(rows, "diameter_change"),
    }


def _mean(rows: list[dict[str, Any]], key: str) -> float | None:
    values = [float(r[key]) for r in rows]
    if len(set(values)) == 1:
        return values[0]
    return math.fsum(values) / len(values) if values else None


def wave_truth(form: Form, family: int, fibres: int, sense: float) -> dict[str, Any] | None:
    """Amplitude (half the swing), that of the first harmonic, wavelength and phases of a wave.

    Seen against the direction of writing (`sense` -1) a sine's phase changes its sign.

    `phase_mismatch_deg` is the standard deviation (n - 1) of the layers' phases.
    """
    wave = form.wave(family)
    if wave is None:
        return None
    phases = [sense * form.phase_deg(family, k) for k in range(fibres)]
    curve = wave_curve(wave, 0.0, 2 * wave.wavelength_um, phase_deg=0.0)
    amplitude = float(np.ptp(curve[:, 1])) / 2 if wave.shape != "sine" else wave.amplitude_um
    return {
        "shape": wave.shape,
        "amplitude_um": amplitude,
        "first_harmonic_um": _first_harmonic(wave, curve),
        "wavelength_um": wave.wavelength_um,
        "phase_mismatch_deg": float(np.std(phases, ddof=1)) if fibres > 1 else 0.0,
        "layer_phases_deg": phases,
        "mirrored": wave.mirrored,
    }


def _first_harmonic(wave: Wave, curve: FloatArray) -> float | None:
    if wave.shape == "sine":
        return wave.amplitude_um
    if not wave.is_graph:
        return None
    # The midpoint rule on a period is exact to rounding for all but the corners.
    u = (np.arange(8192) + 0.5) / 8192
    w = np.interp(u * wave.wavelength_um, curve[:, 0], curve[:, 1])
    return float(2 * np.mean(w * np.sin(2 * math.pi * u)))


def defects_truth(
    scaffold: Scaffold,
    place: Mounting,
    rank: dict[int, int],
    wall_ids: dict[tuple[int, int], int],
    sense: dict[int, float],
) -> dict[str, Any]:
    """Missing, broken and doubled fibres by measured family and wall; places as measured."""
    form = scaffold.spec.form

    def where(site: Site) -> dict[str, int]:
        return {
            "family": rank[site.family],
            "wall": wall_ids[site.family, site.wall],
            "fibre": site.fibre,
            "layer": layer_of(scaffold, site.family, site.fibre),
        }

    broken = []
    for b in form.broken:
        at = place.to_measured(_middle_of_gap(scaffold, b))
        broken.append({**where(b.site), "at_um": at.tolist(), "gap_um": b.gap_um})
    return {
        "missing": [where(s) for s in form.missing],
        "broken": broken,
        "doubled": [
            {
                **where(d.site),
                "offset_um": sense[d.site.family] * d.offset_um,
                "rise_um": d.rise_um,
            }
            for d in form.doubled
        ],
    }


def _middle_of_gap(scaffold: Scaffold, gap: Break) -> FloatArray:
    """Half-way between the ends of the two pieces, or the end of the only one."""
    breaks = sorted(b.at_um for b in scaffold.spec.form.broken if b.site == gap.site)
    pieces = [
        s.points_um
        for s in scaffold.strands
        if Site(s.family, s.wall, s.step) == gap.site and s.kind == "laid" and not s.loop
    ]
    n = breaks.index(gap.at_um)
    if len(pieces) == len(breaks) + 1:
        return np.asarray((pieces[n][-1] + pieces[n + 1][0]) / 2)
    return np.asarray(pieces[0][0 if gap.at_um < 0 else -1])


def beside_truth(scaffold: Scaffold, place: Mounting) -> dict[str, Any]:
    """Bridges, spikes and the membrane."""
    form = scaffold.spec.form
    bridges = [
        {
            "ends_um": place.to_measured(np.array([b.from_um, b.to_um])).tolist(),
            "diameter_um": b.diameter_um,
            "sag_um": b.sag_um,
        }
        for b in form.bridges
    ]
    spikes = None
    if form.spikes is not None:
        count = sum(s.kind == "spike" for s in scaffold.strands)
        spikes = {"count": count, **asdict(form.spikes)}
    membrane = None
    if form.membrane is not None:
        m = form.membrane
        membrane = {**asdict(m), "top_um": m.base_um + m.thickness_um}
    return {"bridges": bridges, "spikes": spikes, "membrane": membrane}
