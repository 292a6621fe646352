"""Designed against measured: what is in tolerance, what is out, what the uncertainty leaves open.

Works on the finished results document, so that no design can reach a measurement.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np

from volscan.design import Design
from volscan.design_porosity import anchored_porosity, gravimetric_porosity, implied_porosity
from volscan.quantity import Quantity, combine_u

Json = Mapping[str, Any]
Verdict = Literal["in", "out", "undecided"]

# A measured family farther than this from a designed direction, after the mounting rotation is
# taken out, is another family and not a badly printed one.
MATCH_WITHIN_DEG = 15.0


@dataclass(frozen=True)
class Compared:
    """One line of the comparison.

    `measured` and `tolerance` carry the unit of `unit`; a measured None is told in `note`.
    `verdict` is "in" when |measured - designed| + 2u stays within the tolerance, "out" when
    |measured - designed| - 2u exceeds it, else "undecided".
    """

    name: str
    designed: float
    measured: float | None
    u: float | None
    unit: str
    tolerance: float
    verdict: Verdict
    note: str = ""


def verdict_of(
    designed: float, measured: float | None, u: float | None, tolerance: float
) -> Verdict:
    """Judge a measured value with a coverage factor of 2 (JCGM 100, 6.3).

    >>> verdict_of(20.0, 20.5, 0.1, 1.0), verdict_of(20.0, 22.0, 0.4, 1.0)
    ('in', 'out')
    >>> verdict_of(20.0, 20.9, 0.1, 1.0)
    'undecided'
    """
    if measured is None or u is None:
        return "undecided"
    off = abs(measured - designed)
    if off + 2 * u <= tolerance:
        return "in"
    return "out" if off - 2 * u > tolerance else "undecided"


def compare_with_design(design: Design, document: Json) -> dict[str, Any]:
    """Compare a results document with a design.

    Parameters
    ----------
    design
        What was meant to be printed.
    document
        The results (contents of results.json, its `design` key not looked at).

    Returns
    -------
    dict
        `name`; `implied_porosity` {mass_conserving, union} of whole cells between base and top;
        `mounting_rotation_deg`; `compared`, the lines as dictionaries; `gravimetric_porosity` and
        `anchored_porosity`, None where the design does not tell what they need.

    Notes
    -----
    A piece is mounted with any rotation in its plane, which a scan cannot tell from a rotated
    print. The rotation that brings the measured families nearest to the designed directions is
    taken out first; what is judged are the angles between families, and a design of one direction
    is always in.

    An OCT scan may be taken during the print: with fewer layers than designed it is compared with
    the design cut off at those, and the number of layers is left open.
    """
    whole, design = design, laid_so_far(design, document)
    fibres, tol = document["fibres"], design.tolerances
    implied = implied_porosity(design)
    match = match_families(design, fibres["families"])
    lines = [
        _line(
            "fibre diameter",
            design.fibre_diameter_um,
            fibres["diameter_um"],
            "µm",
            design.diameter_tolerance_um,
        ),
        _layers(whole, design, fibres["layer_count"]),
        _line(
            "layer height",
            design.layer_height_um,
            fibres["layer_height_um"],
            "µm",
            tol.layer_height_percent / 100 * design.layer_height_um,
        ),
        _count("directions", sum(p > 0 for p in design.passes), len(fibres["families"]) or None),
    ]
    for i, direction in enumerate(design.directions_deg):
        # Of a print that has just begun a direction may not be laid yet.
        if design.passes[i] == 0 and design is not whole:
            continue
        lines += _family_lines(design, document, i, direction, match)
    lines.append(
        _line(
            "porosity",
            implied.mass_conserving,
            document["porosity"]["total"],
            "1",
            tol.porosity_points / 100,
            note="designed: mass-conserving, of whole cells between base and top",
        )
    )
    total, diameter = _quantity(document["porosity"]["total"]), _quantity(fibres["diameter_um"])
    height = _quantity(fibres["scaffold_height_um"])
    weighed, anchored = (
        gravimetric_porosity(design, height),
        anchored_porosity(design, total, diameter),
    )
    return {
        "name": design.name,
        "implied_porosity": asdict(implied),
        "mounting_rotation_deg": match.rotation_deg,
        "compared": [asdict(line) for line in lines],
        "gravimetric_porosity": weighed,
        "anchored_porosity": anchored,
        "notes": _notes(design, weighed, anchored),
    }


def laid_so_far(design: Design, document: Json) -> Design:
    """Return the design, for an OCT scan of fewer layers cut off at those that were found."""
    found = document["fibres"]["layer_count"]
    if document["input"]["modality"] != "oct" or not found or found >= design.layers:
        return design
    return replace(design, layers=found)


def _layers(whole: Design, laid: Design, found: int | None) -> Compared:
    """Compare the number of layers; of a print under way it is left open."""
    line = _count("layers", whole.layers, found)
    if laid is whole:
        return line
    note = (
        "an OCT scan may show a print under way: the other lines compare with these layers alone; "
        "in a finished print the others are missing"
    )
    return replace(line, verdict="undecided", note=note)


@dataclass(frozen=True)
class Match:
    """Which measured family is which designed direction: index or None, and the rotation between.

    `off_deg` is what is left of each family's direction after the rotation.
    """

    family: tuple[int | None, ...]
    rotation_deg: float | None
    off_deg: tuple[float | None, ...]


def match_families(design: Design, families: Sequence[Json]) -> Match:
    """Find the in-plane rotation that brings measured families to the designed directions.

    Every pairing of one measured with one designed direction is tried as the rotation; the one
    that matches most families wins, then the one with the smallest directions and spacings left
    over (in tolerances, squared). The rotation is then the mean over the matched families.
    """
    measured = np.array([f["direction_deg"]["value"] for f in families])
    designed = np.array(design.directions_deg)
    nothing: tuple[None, ...] = (None,) * len(designed)
    best, best_score = Match(nothing, None, nothing), (0, -math.inf)
    for rotation in {round(float(m - d), 6) for m in measured for d in designed}:
        family = _nearest(designed, measured - rotation)
        pairs = [(i, j) for i, j in enumerate(family) if j is not None]
        if not pairs:
            continue
        off = np.array([_folded(measured[j] - designed[i] - rotation) for i, j in pairs])
        mean = float(off.mean())
        left = dict(zip((i for i, _ in pairs), (off - mean).tolist(), strict=True))
        score = sum((o / design.tolerances.direction_deg) ** 2 for o in left.values())
        score += sum(
            _spacing_misfit(families[j]["spacing_um"], design.spacing_um[i], design) ** 2
            for i, j in pairs
        )
        if (len(pairs), -score) > best_score:
            best_score = (len(pairs), -score)
            turned = _folded(rotation + mean)
            best = Match(tuple(family), turned, tuple(left.get(i) for i in range(len(designed))))
    return best


def _nearest(designed: np.ndarray[Any, Any], turned: np.ndarray[Any, Any]) -> list[int | None]:
    found: list[int | None] = [None] * len(designed)
    off = np.abs(_folded(turned[None, :] - designed[:, None]))
    for i, j in zip(*np.unravel_index(np.argsort(off, axis=None), off.shape), strict=True):
        if off[i, j] <= MATCH_WITHIN_DEG and found[i] is None and int(j) not in found:
            found[i] = int(j)
    return found


def _folded(angle: Any) -> Any:
    """Fold an angle between undirected lines into [-90, 90)."""
    return (angle + 90.0) % 180.0 - 90.0


def _spacing_misfit(q: Json | None, designed: float, design: Design) -> float:
    if q is None:
        return 0.0
    return float(100 * (q["value"] / designed - 1) / design.tolerances.spacing_percent)


def _family_lines(
    design: Design, document: Json, i: int, direction: float, match: Match
) -> list[Compared]:
    tol, families = design.tolerances, document["fibres"]["families"]
    j = match.family[i]
    name = f"direction {direction:g}°"
    designed_spacing = design.spacing_um[i]
    if j is None:
        note = "no measured family lies near this direction"
        return [Compared(name, direction, None, None, "deg", tol.direction_deg, "out", note)]
    family, off = families[j], match.off_deg[i]
    told = None if off is None else {"value": direction + off, "u": family["direction_deg"]["u"]}
    lines = [
        _line(
            name,
            direction,
            told,
            "deg",
            tol.direction_deg,
            note="relative to the other families: the mounting rotation is taken out",
        ),
        _line(
            f"spacing at {direction:g}°",
            designed_spacing,
            family["spacing_um"],
            "µm",
            tol.spacing_percent / 100 * designed_spacing,
        ),
        _count(f"layers at {direction:g}°", design.passes[i], family["layers"]),
    ]
    if design.walls_per_direction is not None:
        lines.append(
            _count(f"walls at {direction:g}°", design.walls_per_direction[i], family["walls"])
        )
    return lines + _tilt_lines(design, document, family["id"], direction)


def _tilt_lines(design: Design, document: Json, family: int, direction: float) -> list[Compared]:
    """Compare the family's mean tilt, and count the walls that keep the tolerance singly."""
    tol, wanted = design.tolerances.tilt_deg, design.wanted_tilt_deg
    tilts = [
        (w["tilt_deg"]["value"], w["tilt_deg"]["u"])
        for w in document["walls"]
        if w["family"] == family and w["tilt_deg"] is not None
    ]
    name = f"mean tilt at {direction:g}°"
    if not tilts:
        return [
            Compared(name, wanted, None, None, "deg", tol, "undecided", "no wall tilt measured")
        ]
    values = np.array([t for t, _ in tilts])
    known = [u for _, u in tilts if u is not None]
    shared = document["frame"]["u_tilt_deg"]
    u = None
    if known and shared is not None:
        # The frame's part is in every wall's u and does not average out; the rest does.
        own = [max(k**2 - shared**2, 0.0) for k in known]
        u = combine_u((shared, math.sqrt(sum(own)) / len(own)))
    verdicts = [verdict_of(wanted, t, k, tol) for t, k in tilts]
    counts = ", ".join(f"{verdicts.count(v)} {v}" for v in ("in", "out", "undecided"))
    mean = float(values.mean())
    return [
        Compared(
            name,
            wanted,
            mean,
            u,
            "deg",
            tol,
            verdict_of(wanted, mean, u, tol),
            f"single walls: {counts} (of {len(tilts)})",
        )
    ]


def _notes(design: Design, weighed: Quantity | None, anchored: Quantity | None) -> list[str]:
    notes = []
    if weighed is not None:
        notes.append(
            "the gravimetric porosity is that of the whole weighed piece, turning loops and torn "
            "edges included"
        )
    elif design.weighing is not None:
        notes.append(
            "no gravimetric porosity: it needs weighing.area_mm2, and weighing.thickness_um where "
            "the scan tells no scaffold height"
        )
    if anchored is not None:
        notes.append(
            "the anchored porosity takes the fibre diameter of the other microscope; no measured "
            "number was changed by it"
        )
    elif design.anchor is not None:
        notes.append("no anchored porosity: the scan tells no porosity or no fibre diameter")
    return notes


def _line(
    name: str, designed: float, q: Json | None, unit: str, tolerance: float, note: str = ""
) -> Compared:
    value, u = (None, None) if q is None else (q["value"], q["u"])
    if value is None:
        note = "not measured"
    return Compared(
        name, designed, value, u, unit, tolerance, verdict_of(designed, value, u, tolerance), note
    )


def _count(name: str, designed: int, measured: int | None) -> Compared:
    """Compare a count, which has no tolerance and no uncertainty."""
    if measured is None:
        return Compared(name, designed, None, None, "1", 0.0, "undecided", "not measured")
    verdict: Verdict = "in" if measured == designed else "out"
    return Compared(name, designed, measured, 0.0, "1", 0.0, verdict)


def _quantity(q: Json | None) -> Quantity | None:
    return None if q is None else Quantity(**q)
