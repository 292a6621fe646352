"""The porosities that a design implies, and a weighed piece's own."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from volscan.design import Design
from volscan.errors import SettingsError
from volscan.quantity import Quantity, combine_u

# Gauss-Legendre nodes between two neighbouring tangent heights. The integrand is smooth there
# up to square-root ends, for which 60 nodes leave a relative error below 1e-5.
NODES = 60


@dataclass(frozen=True)
class ImpliedPorosity:
    """Porosities of a design as fractions, 0..1.

    `mass_conserving`: crossing fibres displace each other, no polymer is lost (real prints).
    `union`: bodies drawn through each other, the overlap counted once (phantoms).
    """

    mass_conserving: float
    union: float


def implied_porosity(design: Design, *, endless: bool = False) -> ImpliedPorosity:
    """Porosity of whole cells of a design, from the lowest fibre's underside to the top.

    With the polymer volume a unit of plan area ``sum_i N_i π d² / (4 s_i)``, N_i the passes of
    direction i, and the height H::

        mass_conserving = 1 - sum_i N_i π d² / (4 s_i H)
        union           = mean over height z of  prod_i (1 - w_i(z) / s_i)

    w_i(z) is the width that the fibres of one wall of direction i take at height z, their own
    overlap counted once.

    Parameters
    ----------
    design
        The design.
    endless
        False (default): the finite pile that the envelope encloses, H = (layers - 1) h + d.
        True: one period of an endless pile, h per layer, without its outer faces.

    Returns
    -------
    ImpliedPorosity
        Both porosities.

    Raises
    ------
    SettingsError
        If the polymer would not fit into the volume.

    Notes
    -----
    The product over directions is exact for two directions, whose fibres cross in every phase;
    for three and more it is the mean over the lateral phase of the patterns, which a design leaves
    open, and exact while no three fibres of different directions overlap in one place (fused
    0/60/120 patterns that cross in common points are more solid at the crossings). At
    h >= d the two porosities are equal. Tilt enters only through the overlap inside a wall.

    References
    ----------
    Elementary geometry; 1 - π d²/(4 s h) is the usual formula of 0/90 scaffolds, as in Landers
    et al. 2002, J. Mater. Sci. 37, 3107 (cited from memory). The overlap of two crossing
    cylinders is the integral of the product of their widths.

    Examples
    --------
    >>> design = Design((0.0, 90.0), (200.0, 200.0), 20.0, 10, 16.0)
    >>> both = implied_porosity(design, endless=True)
    >>> round(both.mass_conserving, 6), round(both.union, 6)
    (0.901825, 0.902531)
    """
    d, h, n = design.fibre_diameter_um, design.layer_height_um, len(design.directions_deg)
    fused = design.morphology == "fused"
    # A period of an endless pile: every direction once. Its neighbours reach into it.
    period = h if fused else n * h
    if endless:
        reach = math.ceil(d / period) + 1
        count = (2 * reach + 1) * (1 if fused else n)
        lower, height = reach * period, period
        passes_in_height = tuple(1.0 for _ in range(n))
    else:
        count = design.layers
        lower, height = -d / 2, design.height_um
        passes_in_height = tuple(float(p) for p in design.passes)
    areal = sum(
        p * math.pi * d**2 / (4 * s)
        for p, s in zip(passes_in_height, design.spacing_um, strict=True)
    )
    mass_conserving = 1 - areal / height
    if mass_conserving <= 0:
        raise SettingsError(
            f"design: the fibres hold {areal / height:.2f} times the volume they are printed in; "
            f"check fibre_diameter_um, spacing_um and layer_height_um"
        )
    layer_z = np.asarray(np.arange(count) * h, dtype=np.float64)
    z, weight = _nodes(layer_z, d, lower, lower + height)
    open_share = np.ones_like(z)
    rise = h if fused else n * h
    step = rise * math.tan(math.radians(design.wanted_tilt_deg))
    for i, spacing in enumerate(design.spacing_um):
        heights = layer_z if fused else layer_z[i::n]
        covered = _wall_width(z, heights, step, d)
        open_share *= 1 - np.minimum(covered / spacing, 1)
    return ImpliedPorosity(mass_conserving, float(np.dot(weight, open_share) / height))


def gravimetric_porosity(design: Design, scaffold_height_um: Quantity | None) -> Quantity | None:
    """Porosity of a weighed piece: 1 - m / (ρ A t).

    Parameters
    ----------
    design
        A design with a `weighing` table; its area A is the plan outline of the weighed piece.
    scaffold_height_um
        Measured height, taken as the thickness t where the design tells none.

    Returns
    -------
    Quantity or None
        Porosity of the *whole weighed piece*, turning loops and torn edges included, so that it
        lies below the envelope's by their share; None without an area or a thickness.
    """
    weighing = design.weighing
    if weighing is None or weighing.area_mm2 is None:
        return None
    if weighing.thickness_um is not None:
        thickness, u_thickness = weighing.thickness_um, weighing.u_thickness_um
    elif scaffold_height_um is not None and scaffold_height_um.u is not None:
        thickness, u_thickness = scaffold_height_um.value, scaffold_height_um.u
    else:
        return None
    # 1 mg of a polymer of 1 g/cm³ fills 1 mm³.
    polymer_mm3 = weighing.mass_mg / weighing.polymer_density_g_cm3
    solid = polymer_mm3 / (weighing.area_mm2 * thickness * 1e-3)
    relative = combine_u(
        (
            weighing.u_mass_mg / weighing.mass_mg,
            weighing.u_polymer_density_g_cm3 / weighing.polymer_density_g_cm3,
            weighing.u_area_mm2 / weighing.area_mm2,
            u_thickness / thickness,
        )
    )
    return Quantity(1 - solid, solid * relative, "1", 1)


def anchored_porosity(
    design: Design, porosity: Quantity | None, diameter_um: Quantity | None
) -> Quantity | None:
    """Porosity if the fibres were as thick as the other microscope says: 1 - (1 - ε) (D/d)².

    The spacing and height of the fibres stay as the scan shows them. None without an anchor,
    a porosity or a diameter with their uncertainties.
    """
    anchor = design.anchor
    if anchor is None or porosity is None or diameter_um is None:
        return None
    if porosity.u is None or diameter_um.u is None or diameter_um.value <= 0:
        return None
    ratio = anchor.fibre_diameter_um / diameter_um.value
    solid = (1 - porosity.value) * ratio**2
    # A porosity and a diameter of one scan share blur and anchors; taken as independent, which
    # overstates u, since a fibre read thick reads less porous and the correction takes both back.
    u = combine_u(
        (
            porosity.u * ratio**2,
            2 * solid * anchor.u / anchor.fibre_diameter_um,
            2 * solid * diameter_um.u / diameter_um.value,
        )
    )
    return Quantity(1 - solid, u, "1", 1)


def _nodes(
    layer_z: NDArray[np.float64], d: float, lower: float, upper: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return heights and weights of a quadrature that stops at every tangent and axis height."""
    edges = np.concatenate([layer_z - d / 2, layer_z, layer_z + d / 2, [lower, upper]])
    edges = np.unique(np.clip(edges, lower, upper))
    edges = edges[np.concatenate([[True], np.diff(edges) > 1e-9 * d])]
    # z = a + (b - a)(1 - cos t)/2 takes the square-root ends out of the integrand.
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    t = (nodes + 1) * (np.pi / 2)
    a, b = edges[:-1, None], edges[1:, None]
    z = a + (b - a) * (1 - np.cos(t)) / 2
    w = weights * (np.pi / 2) * (b - a) * np.sin(t) / 2
    return z.ravel(), w.ravel()


def _wall_width(
    z: NDArray[np.float64], heights: NDArray[np.float64], step: float, d: float
) -> NDArray[np.float64]:
    """Return the width that a wall's fibres take together at each height, overlap counted once."""
    half = np.sqrt(np.maximum((d / 2) ** 2 - (z[:, None] - heights) ** 2, 0))
    centre = np.arange(heights.size) * step
    left, right = centre - half, centre + half
    # An empty interval must not bridge a gap: it is put where its neighbours cannot see it.
    left = np.where(half > 0, left, np.inf)
    right = np.where(half > 0, right, -np.inf)
    order = np.argsort(left, axis=1, kind="stable")
    left = np.take_along_axis(left, order, axis=1)
    right = np.take_along_axis(right, order, axis=1)
    before = np.full_like(right, -np.inf)
    before[:, 1:] = np.maximum.accumulate(right, axis=1)[:, :-1]
    gain = right - np.maximum(left, before)
    width: NDArray[np.float64] = np.where(np.isfinite(gain), np.maximum(gain, 0), 0).sum(axis=1)
    return width
