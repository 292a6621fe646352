"""The pore stage's public face."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from volscan.errors import SettingsError
from volscan.geometry import BuildFrame, Envelope, TubeFrame
from volscan.pores.around import tube_domain, tube_throats
from volscan.pores.domain import PoreDomain
from volscan.pores.maps import pore_maps
from volscan.pores.merging import BLOCK_VOXELS, MergingBias, merging_bias
from volscan.pores.network import find_network
from volscan.pores.openings import measure_openings
from volscan.pores.paint import painting_factor
from volscan.pores.reach import Curve, reach, reach_from_sides
from volscan.pores.sizes import (
    distribution,
    inscribed_diameters,
    largest_spheres,
    u_share_of_walls,
)
from volscan.pores.solid import Solid, build_solid, working_coverage, working_grid
from volscan.pores.space import PoreSpace
from volscan.pores.structure import measure_structure
from volscan.pores.throats import DomainGrid, pore_domain, throats
from volscan.pores.transport import Transport, TransportChoice, measure_transport
from volscan.prepare.material import MaterialMap
from volscan.progress import Progress, no_progress
from volscan.quantity import Notice, Quantity

# Throats are sought on the scan's own voxels up to this many (about 1.6 GB of working memory).
FINE_THROAT_VOXELS = 64_000_000


def measure_pores(
    material: MaterialMap,
    frame: BuildFrame,
    envelope: Envelope,
    *,
    direction_deg: float | None = None,
    surface_level: float | None = None,
    solid_model: NDArray[np.float32] | None = None,
    exact: bool | None = None,
    tube: TubeFrame | None = None,
    transport: TransportChoice | None = None,
    progress: Progress = no_progress,
) -> PoreSpace:
    """Measure inscribed spheres, throats and reach of the pore space inside an envelope.

    The inscribed-sphere diameter of a point of the pores is that of the largest sphere that
    contains it and touches solid only from outside; its distribution is weighted by volume. A
    throat is the largest sphere that can cross the domain along an axis. The reach of a probe is
    the share of the pore volume that a sphere of that diameter, coming from the air outside, can
    cover.

    Parameters
    ----------
    material
        The material map; noise is smoothed away here, the map itself stays as it is.
    frame, envelope
        The build frame and the reference volume.
    direction_deg
        Lay-down direction of the first family, from the frame's X toward Y: the domain's x. None
        or 0 takes the frame's own axes.
    surface_level
        Polymer fraction at the solid's surface; the default is the map's own. Where noise is
        smoothed away, the *volume* that this level encloses in the envelope is kept.
    solid_model
        A polymer fraction on the same grid to use instead of the scan's.
    exact
        True: full resolution. False: voxels merged in pairs along each axis. None: full
        resolution up to 256³ voxels, merged in pairs above. Unless True, grids of more than 256³
        working voxels keep one sphere for each cube of 2 x 2 x 2 (or more).
    tube
        Where the envelope is a tube's shell, its frame: throats are then along its axis, around
        it and through its wall, and `frame` a rigid one along it.
    transport
        How ways, diffusion and flow through the domain are measured.
    progress
        Called with "pores" and the share done.

    Returns
    -------
    PoreSpace
        What could not be measured is None, with a notice that says why.

    Raises
    ------
    SettingsError
        If `solid_model` has another shape than the scan.

    Notes
    -----
    Each diameter's u combines: voxelisation (0.25 working voxels, the rms error found on tubes,
    balls and slits of known size), the surface level's u from both anchors and the residual noise
    (each divided by the surface's mean slope, two faces), and the thinning of round fibres by
    blur where no corrected level was given. A quantile's u also holds how far it moves when the
    thin layer of pore along the walls grows or shrinks by that. The voxel size's own u is not
    in. Memory: about 25 bytes a working voxel. See docs/theory/pores.md.
    """
    if solid_model is not None and solid_model.shape != material.fraction.shape:
        raise SettingsError(
            f"solid_model must have the scan's shape {material.fraction.shape}, "
            f"got {solid_model.shape}"
        )
    progress("pores", 0.0)
    nz, ny, nx = material.fraction.shape
    working = working_grid((nz, ny, nx), material.spacing_um, exact=exact)
    grid = None
    if tube is None:
        grid = pore_domain(
            envelope,
            frame,
            direction_deg=0.0 if direction_deg is None else float(direction_deg),
            shape=(nz, ny, nx),
            spacing_um=material.spacing_um,
        )
    notices: list[Notice] = []
    if grid is None and tube is None:
        notices.append(
            Notice("pores_no_domain", "the envelope holds no rectangle: throats not measured")
        )
    domain = None if grid is None else grid.domain
    if tube is not None:
        domain = tube_domain(tube, envelope)
    coverage = working_coverage(envelope, frame, working)
    solid, told = build_solid(
        material,
        surface_level=surface_level,
        solid_model=solid_model,
        grid=working,
        coverage=coverage,
    )
    notices.extend(told)
    if solid is None:
        return _nothing(domain, notices)
    progress("pores", 0.2)
    bias = None
    if solid.binned:
        bias = merging_bias(
            material, frame, envelope, surface_level=surface_level, solid_model=solid_model
        )
        notices.append(_merged(bias))
    notices.extend(_cut_faces(solid))

    crossing: dict[str, float] = {}
    network = None
    crossings = None
    paths: dict[str, NDArray[np.float64]] = {}
    u_throat = solid.u_diameter_um
    if grid is not None:
        inside = None
        if envelope.inside is not None and coverage is not None:
            inside = coverage >= np.float32(0.5)
        fine = _full_resolution(
            material, solid, envelope, frame, surface_level=surface_level, solid_model=solid_model
        )
        crossings = throats(fine, grid, inside=inside if fine is solid else None)
        crossing, paths = crossings.diameter_um, crossings.paths_um
        u_throat = fine.u_diameter_um
        network = find_network(crossings, grid)
        del fine
    progress("pores", 0.4)
    radius, offsets = largest_spheres(solid)
    if tube is not None and domain is not None:
        crossing = tube_throats(solid, radius, tube, domain)
    notices.extend(
        Notice("pores_no_crossing", f"no sphere crosses the domain along {name}")
        for name, value in sorted(crossing.items())
        if value <= 0
    )
    factor = 1 if exact else painting_factor(radius.shape)
    if factor > 1:
        notices.append(
            Notice(
                "pores_thinned",
                f"each cube of {factor}³ working voxels kept one sphere, its largest",
            )
        )
    spheres = inscribed_diameters(solid, radius, offsets, coverage=coverage, factor=factor)
    sizes = distribution(spheres)
    progress("pores", 0.7)
    if sizes is None:
        notices.append(Notice("pores_not_measured", "the envelope holds no pore"))
        return _nothing(domain, notices)
    reached = reach(
        solid, radius, offsets, coverage=coverage, largest_um=sizes.largest_um, factor=factor
    )
    maps = None
    if grid is not None and reached is not None:
        maps = pore_maps(grid, solid, spheres.diameters_um, reached.largest_um)
    from_sides: dict[str, Curve] = {}
    if crossings is not None:
        from_sides = reach_from_sides(crossings, largest_um=sizes.largest_um)
    del radius, offsets, spheres, crossings
    progress("pores", 0.75)
    openings = None if tube is not None else measure_openings(solid, frame, envelope)
    if openings is not None:
        notices.extend(openings.notices)
    structure = measure_structure(solid, frame, envelope, coverage=coverage)
    passed = _transport(solid, grid, transport or TransportChoice(), notices)
    progress("pores", 1.0)
    height = envelope.top_um - envelope.base_um
    median = sizes.quantile(0.5)
    if median > height > 0:
        notices.append(
            Notice(
                "pores_larger_than_height",
                f"half the pore volume lies in spheres larger than {median:.4g} µm, more "
                f"than the height of {height:.4g} µm: they reach out of the scaffold, and the "
                "openings in plan view describe such pores better",
            )
        )

    u = solid.u_diameter_um
    # Crevices narrower than a thinned cube lose their own spheres.
    u_share = factor * u_share_of_walls(solid, coverage=coverage)

    def throat(name: str) -> Quantity | None:
        value = crossing.get(name, 0.0)
        return Quantity(value, u_throat, "µm", 1) if value > 0 else None

    def quantile(q: float) -> Quantity:
        found = sizes.measured_quantile(q, u_um=u, u_share=u_share)
        return found if bias is None else bias.free_quantile(found, q)

    mean = sizes.measured_mean(u_um=u, u_share=u_share)
    return PoreSpace(
        domain=domain,
        inscribed_mean_um=mean if bias is None else bias.free_mean(mean),
        inscribed_d10_um=quantile(0.1),
        inscribed_d50_um=quantile(0.5),
        inscribed_d90_um=quantile(0.9),
        throat_x_um=throat("x"),
        throat_y_um=throat("y"),
        throat_h_um=throat("h"),
        accessible_by_probe=() if reached is None else reached.curve,
        size_histogram=sizes.histogram(),
        accessible_share=None if reached is None else reached.open_share,
        notices=tuple(notices),
        structure=structure,
        openings=openings,
        accessible_from=from_sides,
        maps=maps,
        network=network,
        throat_paths_um=paths,
        transport=passed,
    )


def _merged(bias: MergingBias | None) -> Notice:
    """Return the notice that voxels were merged, and what was done about it."""
    text = "pore sizes were measured with voxels merged in pairs"
    if bias is not None:
        moved = bias.merged.mean_um - bias.exact.mean_um
        text += (
            f"; what that does to them was measured on a block of {BLOCK_VOXELS}³ voxels and taken "
            f"off their mean, median and deciles (mean {moved:+.2g} µm)"
        )
    return Notice("pores_merged_voxels", text)


def _transport(
    solid: Solid, grid: DomainGrid | None, choice: TransportChoice, notices: list[Notice]
) -> Transport | None:
    """Return what passes the domain; on a tube the domain is no box, and nothing is told."""
    if grid is None:
        notices.append(
            Notice(
                "transport_needs_a_box",
                "pores.geodesic_tortuosity, pores.relative_diffusivity and pores.permeability_um2 "
                "are null: they are measured in a box, and neither a tube's shell nor an envelope "
                "without a rectangle holds one",
            )
        )
        return None
    passed = measure_transport(solid, grid, choice)
    notices.extend(passed.notices)
    return passed


def _full_resolution(
    material: MaterialMap,
    solid: Solid,
    envelope: Envelope,
    frame: BuildFrame,
    *,
    surface_level: float | None,
    solid_model: NDArray[np.float32] | None,
) -> Solid:
    """Return the solid on the scan's own voxels for the throats, where memory allows.

    Merged voxels leave a lateral passage between a wall's crest and the closed top plane that is
    not there; the widest path itself is quick at any size.
    """
    if (
        not solid.binned
        or envelope.inside is not None
        or material.fraction.size > FINE_THROAT_VOXELS
    ):
        return solid
    nz, ny, nx = material.fraction.shape
    grid = working_grid((nz, ny, nx), material.spacing_um, exact=True)
    fine, _ = build_solid(
        material,
        surface_level=surface_level,
        solid_model=solid_model,
        grid=grid,
        coverage=working_coverage(envelope, frame, grid),
    )
    return solid if fine is None else fine


def _nothing(domain: PoreDomain | None, notices: list[Notice]) -> PoreSpace:
    return PoreSpace(
        domain=domain,
        inscribed_mean_um=None,
        inscribed_d10_um=None,
        inscribed_d50_um=None,
        inscribed_d90_um=None,
        throat_x_um=None,
        throat_y_um=None,
        throat_h_um=None,
        accessible_by_probe=(),
        size_histogram=np.empty((0, 2)),
        accessible_share=None,
        notices=tuple(notices),
    )


def _cut_faces(solid: Solid) -> tuple[Notice, ...]:
    f, level = solid.fraction, np.float32(solid.level)
    faces = (f[0], f[-1], f[:, 0], f[:, -1], f[:, :, 0], f[:, :, -1])
    cut = sum(bool((face >= level).any()) for face in faces)
    if not cut:
        return ()
    return (
        Notice(
            "pores_cut_faces_open",
            "solid meets the edge of the scan: the cut face counts as open to the air outside",
            cut,
        ),
    )
