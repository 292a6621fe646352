"""The tables beside results.json: one list of columns drives headers, types and the docs page.

A table is written as CSV: UTF-8, comma, point as decimal mark, an empty field for "not measured".
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from volscan.fibres.field import FibreField
from volscan.pores.space import PoreSpace
from volscan.porosity import Porosity
from volscan.quantity import Quantity
from volscan.shift.plan import ShiftPlan
from volscan.walls.wallset import WallSet

if TYPE_CHECKING:
    import pandas as pd

# Tables that results written by earlier versions lack: read as empty.
LATER_TABLES = (
    "pore_openings", "pore_bodies", "pore_throats", "pore_sealed", "pore_surface_by_height",
    "pore_tortuosity", "throat_paths",
)  # fmt: skip

# Significant digits of every number written: far below any uncertainty, far above the last
# bits in which sums differ between machines.
DIGITS = 8


@dataclass(frozen=True)
class Column:
    """A column: its name, pandas dtype, unit ("" for none) and what it holds."""

    name: str
    dtype: str
    unit: str
    description: str


TABLES: dict[str, tuple[Column, ...]] = {
    "fibres": (
        Column("id", "Int64", "", "number of the fibre, from 0"),
        Column("family", "Int64", "", "family it belongs to"),
        Column("layer", "Int64", "", "distinct fibre height it lies at, 0 at the collector"),
        Column("wall", "Int64", "", "wall it belongs to; empty outside any wall"),
        Column("length_um", "float64", "µm", "length along the centreline"),
        Column("diameter_mean_um", "float64", "µm", "mean diameter along the fibre"),
        Column("diameter_sd_um", "float64", "µm", "spread of the diameter along the fibre"),
        Column("direction_deg", "float64", "deg", "lay-down direction in [0, 180), from X to Y"),
        Column(
            "sinuosity", "float64", "1", "length along the centreline over distance of its ends"
        ),
        Column("recruitment_strain", "float64", "1", "arc over chord minus one"),
        Column("sag_um", "float64", "µm", "mean drop at mid-span below the neighbouring supports"),
    ),
    "walls": (
        Column("id", "Int64", "", "number of the wall, from 0"),
        Column("family", "Int64", "", "family it belongs to"),
        Column("direction_deg", "float64", "deg", "direction of its path in [0, 180)"),
        Column("position_um", "float64", "µm", "distance from the origin along the left normal"),
        Column("length_um", "float64", "µm", "length of its path"),
        Column("height_um", "float64", "µm", "lowest fibre's underside to highest fibre's top"),
        Column("fibres", "Int64", "", "fibres found in it"),
        Column("tilt_deg", "float64", "deg", "tilt, positive toward the left normal"),
        Column("tilt_u_deg", "float64", "deg", "standard uncertainty of the tilt"),
        Column("lean_x", "float64", "1", "X part of the lean vector: travel of the top per rise"),
        Column("lean_y", "float64", "1", "Y part of the lean vector"),
        Column("lean", "string", "", "in, out, upright, undecided, or empty"),
        Column("offset_per_fibre_um", "float64", "µm", "lateral step per fibre number"),
        Column("offset_per_fibre_u_um", "float64", "µm", "its standard uncertainty"),
    ),
    "shift": (
        Column("level", "string", "", "wall, family or print"),
        Column("id", "Int64", "", "number of the wall or family; empty for the print"),
        Column("per_fibre_um", "float64", "µm", "change per fibre along the left normal"),
        Column("per_fibre_u_um", "float64", "µm", "its standard uncertainty"),
        Column("vector_x_um", "float64", "µm", "the same change, X part"),
        Column("vector_y_um", "float64", "µm", "the same change, Y part"),
        Column("advised", "boolean", "", "whether this version stands behind it"),
        Column("reason", "string", "", "why, or why not"),
    ),
    "pore_sizes": (
        Column(
            "diameter_to_um", "float64", "µm", "upper edge of the inscribed-sphere diameter bin"
        ),
        Column("share", "float64", "1", "share of the pore volume in the bin"),
    ),
    "pore_openings": (
        Column("id", "Int64", "", "number of the opening, from 0"),
        Column("x_um", "float64", "µm", "X of the middle of its inscribed circle"),
        Column("y_um", "float64", "µm", "Y of it"),
        Column("inscribed_diameter_um", "float64", "µm", "largest circle that fits in"),
        Column("equivalent_diameter_um", "float64", "µm", "circle of equal area"),
        Column("aspect", "float64", "1", "long over short axis of the ellipse of equal moments"),
        Column("area_um2", "float64", "µm²", "area seen through"),
    ),
    "pore_bodies": (
        Column("id", "Int64", "", "number of the pore body, from 0, by falling size"),
        Column("x_um", "float64", "µm", "X of the middle of its largest sphere"),
        Column("y_um", "float64", "µm", "Y"),
        Column("h_um", "float64", "µm", "height above the base plane"),
        Column("volume_um3", "float64", "µm³", "volume inside the domain"),
        Column("inscribed_diameter_um", "float64", "µm", "largest sphere that fits in"),
        Column("equivalent_diameter_um", "float64", "µm", "sphere of equal volume"),
        Column("coordination", "Int64", "", "throats to other bodies"),
        Column("cut", "boolean", "", "whether a face of the domain cuts it"),
    ),
    "pore_throats": (
        Column("id", "Int64", "", "number of the throat, from 0"),
        Column("body_a", "Int64", "", "pore body it joins"),
        Column("body_b", "Int64", "", "the other one"),
        Column("x_um", "float64", "µm", "X of its place"),
        Column("y_um", "float64", "µm", "Y"),
        Column("h_um", "float64", "µm", "height above the base plane"),
        Column("diameter_um", "float64", "µm", "largest sphere that passes it"),
        Column("length_um", "float64", "µm", "way between the bodies' largest spheres"),
    ),
    "pore_sealed": (
        Column("id", "Int64", "", "number of the pore without a way out, by falling volume"),
        Column("x_um", "float64", "µm", "X of its centroid"),
        Column("y_um", "float64", "µm", "Y"),
        Column("h_um", "float64", "µm", "height above the base plane"),
        Column("volume_um3", "float64", "µm³", "volume inside the envelope"),
        Column("equivalent_diameter_um", "float64", "µm", "sphere of equal volume"),
    ),
    "pore_surface_by_height": (
        Column("height_um", "float64", "µm", "height above the base plane"),
        Column("surface_per_um", "float64", "1/µm", "solid surface over the slab's volume"),
        Column("open_surface_per_um", "float64", "1/µm", "of it, on pores open to the outside"),
    ),
    "pore_tortuosity": (
        Column("axis", "string", "", "x, y or h"),
        Column("tortuosity_to", "float64", "1", "upper edge of the bin"),
        Column("share", "float64", "1", "share of the exit face's pores in the bin"),
    ),
    "throat_paths": (
        Column("axis", "string", "", "x, y or h"),
        Column("x_um", "float64", "µm", "X of the largest crossing sphere's way"),
        Column("y_um", "float64", "µm", "Y"),
        Column("h_um", "float64", "µm", "height above the base plane"),
        Column("diameter_um", "float64", "µm", "largest sphere centred there"),
    ),
    "porosity_by_height": (
        Column("height_um", "float64", "µm", "height above the base plane"),
        Column("porosity", "float64", "1", "porosity of the slab at that height"),
    ),
    "centrelines": (
        Column("fibre", "Int64", "", "id of the fibre"),
        Column("x_um", "float64", "µm", "X of the centreline point in the build frame"),
        Column("y_um", "float64", "µm", "Y"),
        Column("h_um", "float64", "µm", "height above the base plane"),
        Column("diameter_um", "float64", "µm", "diameter there, of the circle of equal area"),
    ),
}


def rounded(value: float) -> float | None:
    """Round to the digits that are written; None for what is not a finite number.

    >>> rounded(0.1234567891), rounded(float("nan")), rounded(-0.0)
    (0.12345679, None, 0.0)
    """
    value = float(value)
    if not math.isfinite(value):
        return None
    return float(f"{value:.{DIGITS}g}") or 0.0


def make_table(name: str, rows: Iterable[Sequence[Any]]) -> pd.DataFrame:
    """Build one of `TABLES` with its exact columns and types, also from no rows at all."""
    import pandas as pd

    columns = TABLES[name]
    cells = [[rounded(c) if isinstance(c, float) else c for c in row] for row in rows]
    by_column = list(zip(*cells, strict=True)) if cells else [()] * len(columns)
    return pd.DataFrame(
        {
            c.name: pd.Series(list(values), dtype=c.dtype)
            for c, values in zip(columns, by_column, strict=True)
        }
    )


def tables_of(
    field: FibreField,
    walls: WallSet,
    shift: ShiftPlan,
    pores: PoreSpace | None,
    porosity: Porosity | None,
) -> dict[str, pd.DataFrame]:
    """Build all tables from what the stages found."""
    nan = float("nan")
    fibres = [
        (
            *(f.id, f.family, f.layer, f.wall, f.length_um, f.diameter_um.value),
            nan if f.diameter_um.sd is None else f.diameter_um.sd,
            *(f.direction_deg, f.sinuosity),
            nan if f.recruitment_strain is None else f.recruitment_strain.value,
            nan if f.sag_um is None else f.sag_um.value,
        )
        for f in field.fibres
    ]
    wall_rows = [
        (
            *(w.id, w.family, w.direction_deg, w.position_um, w.length_um, w.height_um),
            sum(math.isfinite(o) for o in w.layer_offset_um),
            *_value_u(w.tilt_deg),
            *(w.lean_vector or (nan, nan)),
            w.lean,
            *_value_u(w.offset_per_fibre_um),
        )
        for w in walls.walls
    ]
    advice = [
        (a.level, a.id, *_value_u(a.per_fibre_um), *a.vector_um, a.advised, a.reason)
        for a in shift.advice
    ]
    points = [
        (f.id, *(float(p) for p in point), float(d))
        for f in field.fibres
        for point, d in zip(f.points_um, f.diameters_um, strict=True)
    ]
    sizes = [] if pores is None else [(float(d), float(s)) for d, s in pores.size_histogram]
    heights = [] if porosity is None else [(float(h), float(p)) for h, p in porosity.by_height]
    rows: dict[str, Sequence[Sequence[Any]]] = {
        "fibres": fibres,
        "walls": wall_rows,
        "shift": advice,
        "pore_sizes": sizes,
        **_pore_rows(pores),
        "porosity_by_height": heights,
        "centrelines": points,
    }
    return {name: make_table(name, rows[name]) for name in TABLES}


def _pore_rows(pores: PoreSpace | None) -> dict[str, Sequence[Sequence[Any]]]:
    """Return the rows of the tables of openings, bodies, surface and ways."""
    openings = () if pores is None or pores.openings is None else pores.openings.openings
    network = None if pores is None else pores.network
    structure = None if pores is None else pores.structure
    transport = None if pores is None else pores.transport
    return {
        "pore_openings": [
            (k, *o.centre_um, o.inscribed_um, o.equivalent_um, o.aspect, o.area_um2)
            for k, o in enumerate(openings)
        ],
        "pore_bodies": [
            (
                *(k, *b.centre_um, b.volume_um3, b.inscribed_diameter_um),
                *(b.equivalent_diameter_um, b.coordination, b.cut),
            )
            for k, b in enumerate(() if network is None else network.bodies)
        ],
        "pore_throats": [
            (k, *t.bodies, *t.centre_um, t.diameter_um, t.length_um)
            for k, t in enumerate(() if network is None else network.throats)
        ],
        "pore_sealed": [
            (k, *s.centre_um, s.volume_um3, s.equivalent_diameter_um)
            for k, s in enumerate(() if structure is None else structure.sealed)
        ],
        "pore_surface_by_height": [] if structure is None else structure.surface_by_height,
        "pore_tortuosity": [
            (axis, float(to), float(share))
            for axis, rows in ({} if transport is None else transport.tortuosity_histogram).items()
            for to, share in rows
        ],
        "throat_paths": [
            (axis, *(float(v) for v in row))
            for axis, path in ({} if pores is None else pores.throat_paths_um).items()
            for row in path
        ],
    }


def write_table(table: pd.DataFrame) -> str:
    """Write a table as CSV text."""
    return str(table.to_csv(index=False, lineterminator="\n"))


def read_table(name: str, text: str) -> pd.DataFrame:
    """Read a table back with the types it was written with; of no text, an empty one."""
    if not text:
        return make_table(name, [])
    import pandas as pd

    return pd.read_csv(io.StringIO(text), dtype={c.name: c.dtype for c in TABLES[name]})


def tables_markdown() -> str:
    """Describe every table as the docs page shows it."""
    lines = []
    for name, columns in TABLES.items():
        lines += [f"### `tables/{name}.csv`", "", "| column | type | unit | holds |"]
        lines += ["|---|---|---|---|"]
        lines += [
            f"| `{c.name}` | {_PLAIN_TYPE[c.dtype]} | {c.unit} | {c.description} |" for c in columns
        ]
        lines.append("")
    return "\n".join(lines)


_PLAIN_TYPE = {"Int64": "whole number", "float64": "number", "string": "text", "boolean": "yes/no"}


def _value_u(q: Quantity | None) -> tuple[float, float]:
    nan = float("nan")
    return (nan, nan) if q is None else (q.value, nan if q.u is None else q.u)
