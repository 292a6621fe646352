"""Cylinders as lenses: what lies below a fibre is seen by rays that the fibre has bent.

At each place a fibre acts as a thin prism: the ray's slope changes by (n_p/n_m - 1) times the
gradient of the thickness, toward the thicker side. Near the axis of a round fibre of radius R
this is the thin lens of focal length R / (2 (n_p/n_m - 1)). Bends by fibres above one another
add up; each is taken on the straight line of sight.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange

from volscan.phantom.oct_columns import Columns
from volscan.phantom.oct_field import Field, Grey, curvature_um
from volscan.phantom.oct_spec import OctSpec

# A ray's slope (dx/dz) is cut here: steeper ones leave the cone that is collected.
_STEEPEST = 0.7


def bent(
    given: Field, columns: Columns, light: Grey, spec: OctSpec, *, step_um: float | None = None
) -> Field:
    """Return a field (z, y, x) as seen by rays bent in the fibres above.

    Its rows are `step_um` of optical path apart, by default as far as those of the scan.

    Below a fibre each row shows what lies where its bent ray runs, at the optical depth of its
    own column and dimmed like it; the echoes of the fibre itself stay where they are.
    """
    real, imag = given
    out = real.copy(), imag.copy()
    _bend(
        out[0], out[1], real, imag, columns.starts, columns.ends_um, columns.slopes,
        curvature_um(spec, columns), light, np.array(spec.geometric_um),
        step_um or spec.step_um, spec.index_medium, spec.index_polymer,
    )  # fmt: skip
    return out


@njit(cache=True)
def _optical(depth, curve, begin, end, ends, medium, polymer):  # type: ignore[no-untyped-def]
    """Optical path of a column down to a depth."""
    solid = 0.0
    for i in range(begin, end):
        solid += max(0.0, min(ends[i, 1], depth) - ends[i, 0])
    return curve + medium * depth + (polymer - medium) * solid


@njit(cache=True)
def _depth(optical, curve, begin, end, ends, medium, polymer):  # type: ignore[no-untyped-def]
    """Depth of a column at an optical path."""
    left, above = optical - curve, 0.0
    for i in range(begin, end):
        gap = medium * (ends[i, 0] - above)
        if left <= gap:
            return above + left / medium
        left -= gap
        inside = polymer * (ends[i, 1] - ends[i, 0])
        if left <= inside:
            return ends[i, 0] + left / polymer
        left -= inside
        above = ends[i, 1]
    return above + left / medium


@njit(parallel=True, cache=True)
def _bend(  # type: ignore[no-untyped-def]
    out_re, out_im, real, imag, starts, ends, slopes, curve, light, voxel, step, medium, polymer
):
    rows, ny, nx = real.shape
    lit_rows = light.shape[0]
    strength = polymer / medium - 1.0
    for iy in prange(ny):
        for ix in range(nx):
            c = iy * nx + ix
            begin, end = starts[c], starts[c + 1]
            if begin == end:
                continue
            own = curve[iy, ix]
            leave = _optical(ends[begin, 1], own, begin, end, ends, medium, polymer) / step
            # The fibre's own underside, half a row and more, is not moved.
            for r in range(max(0, math.floor(leave) + 2), rows):
                depth = _depth(r * step, own, begin, end, ends, medium, polymer)
                dy, dx, way_y, way_x = 0.0, 0.0, 0.0, 0.0
                at = 0.0
                for i in range(begin, end):
                    if ends[i, 1] >= depth:
                        break
                    middle = 0.5 * (ends[i, 0] + ends[i, 1])
                    dy += way_y * (middle - at)
                    dx += way_x * (middle - at)
                    at = middle
                    way_y += strength * (slopes[i, 1, 0] - slopes[i, 0, 0])
                    way_x += strength * (slopes[i, 1, 1] - slopes[i, 0, 1])
                    way_y = min(_STEEPEST, max(-_STEEPEST, way_y))
                    way_x = min(_STEEPEST, max(-_STEEPEST, way_x))
                dy += way_y * (depth - at)
                dx += way_x * (depth - at)
                y, x = round(iy + dy / voxel[1]), round(ix + dx / voxel[2])
                if y == iy and x == ix:
                    continue
                if y < 0 or y >= ny or x < 0 or x >= nx:
                    out_re[r, iy, ix] = 0.0
                    out_im[r, iy, ix] = 0.0
                    continue
                o = y * nx + x
                met = _optical(depth, curve[y, x], starts[o], starts[o + 1], ends, medium, polymer)
                s = round(met / step)
                if s < 0 or s >= rows:
                    out_re[r, iy, ix] = 0.0
                    out_im[r, iy, ix] = 0.0
                    continue
                z = min(lit_rows - 1, max(0, math.floor(depth / voxel[0])))
                dim = math.sqrt(light[z, iy, ix] / max(light[z, y, x], 1e-30))
                # A place in deeper shadow than the ray's own cannot be brightened without end.
                dim = min(dim, 3.0)
                out_re[r, iy, ix] = real[s, y, x] * dim
                out_im[r, iy, ix] = imag[s, y, x] * dim
