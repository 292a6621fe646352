"""Conduction and creeping flow of arrays, against published tables; small and quick.

Sources (numbers recomputed for them from multipole and boundary-integral systems, which agree with
the printed tables to the digits shown; what each was read from is told there):

* relative diffusivity around impermeable cylinders, square and hexagonal: Perrins, McKenzie and
  McPhedran 1979, Proc. R. Soc. Lond. A 369, 207; square with conducting cylinders of ratio 10:
  the same, and by duality (Keller 1964, J. Math. Phys. 5, 548) its inverse for ratio 0.1;
* relative diffusivity around spheres, simple cubic: McPhedran and McKenzie 1978, Proc. R. Soc.
  Lond. A 359, 45, and Sangani and Acrivos 1983, A 386, 263;
* flow across square arrays of cylinders: Sangani and Acrivos 1982, Int. J. Multiphase Flow 8,
  193, table 1; along: Sparrow and Loeffler 1959, AIChE J. 5, 325 (method);
* flow through simple cubic spheres: Zick and Homsy 1982, J. Fluid Mech. 115, 13, table 2.

Each cell is measured from its voxels as any scan is, with the whole array as the envelope. The
full set, finer grids and convergence are in docs/validation/pores.md.
"""

import math

import numpy as np
import pytest
from pore_solids import block, lattice, level_frame, material, sampled

from volscan.pores import TransportChoice
from volscan.pores.domain import PoreDomain
from volscan.pores.solid import build_solid, working_grid
from volscan.pores.throats import pore_domain
from volscan.pores.transport import measure_transport

SQUARE = {0.1: 0.818177, 0.2: 0.666531, 0.3: 0.537580, 0.4: 0.425351, 0.5: 0.324654}
HEXAGONAL = {0.1: 0.818182, 0.2: 0.666665, 0.3: 0.538442, 0.4: 0.428445, 0.5: 0.332809}
CUBIC = {0.1: 0.857112, 0.2: 0.726703, 0.3: 0.605661, 0.4: 0.490110, 0.45: 0.432718}
# Ratio 10: inverse of these for 0.1.
RATIO_TEN = {0.2: 1.391458, 0.5: 2.415467}
ACROSS = {0.1: 1.26516, 0.2: 0.304849, 0.3: 0.101787, 0.4: 0.0360449, 0.5: 0.0117983}
ALONG = {0.1: 2.553110, 0.2: 0.6412757, 0.3: 0.2351908, 0.4: 0.09918680, 0.5: 0.04445153}
SPHERES = {0.027: 2.007748, 0.125: 4.291589, 0.216: 7.44195, 0.343: 15.3995, 0.45: 28.086}


def transport(fraction, along, spacing=(1.0, 1.0, 1.0), **choice):
    m, envelope = material(fraction, spacing_um=spacing), block(fraction.shape, spacing_um=spacing)
    grid = pore_domain(
        envelope, level_frame(), direction_deg=0.0, shape=fraction.shape, spacing_um=spacing
    )
    assert grid is not None
    assert isinstance(grid.domain, PoreDomain)
    solid, _ = build_solid(
        m,
        surface_level=None,
        solid_model=None,
        grid=working_grid(fraction.shape, spacing, exact=True),
        coverage=None,
    )
    assert solid is not None
    return measure_transport(solid, grid, TransportChoice(**choice), along=along)


def square_cell(n, share, depth=2):
    r = n * math.sqrt(share / math.pi)
    c = n / 2 - 0.5
    return sampled(lambda z, y, x: ((z - c) ** 2 + (y - c) ** 2 <= r * r) & (x == x), (n, n, depth))


def hexagonal_cell(n, share, depth=2):
    """One period along y, half a hexagon's period along z: two quarters of four cylinders."""
    rows = round(n * math.sqrt(3))
    stretch = n * math.sqrt(3) / rows  # voxels along z, in voxels along y
    r = n * math.sqrt(share * math.sqrt(3) / (2 * math.pi))

    def shape(z, y, x):
        found = x != x
        for i, j in ((0.5, 0.5), (0, 0), (1, 0), (0, 1), (1, 1)):
            dz = z + stretch / 2 - i * n * math.sqrt(3)
            found = found | (dz**2 + (y + 0.5 - j * n) ** 2 <= r * r)
        return found

    spacing = (stretch, 1.0, 1.0)
    return sampled(shape, (rows, n, depth), spacing_um=spacing), spacing


def sphere_cell(n, share):
    r = n * (3 * share / (4 * math.pi)) ** (1 / 3)
    return sampled(lattice([(0.5, 0.5, 0.5)], cell=n, radius=r), (n,) * 3)


def check(found, true, rel):
    assert found is not None
    assert found.value == pytest.approx(true, rel=rel)
    # Three standard uncertainties: an u too small is an error as well.
    assert abs(found.value - true) < 3 * found.u


@pytest.mark.parametrize("share", SQUARE)
def test_diffusion_across_square_arrays(share):
    # 1 % at 64 voxels a cell: second order, 1.8 % at 16 (the finer the closer, see below).
    found = transport(square_cell(64, share), "hy")
    for axis in "hy":
        check(found.diffusivity[axis], SQUARE[share], 0.01)


@pytest.mark.parametrize("share", HEXAGONAL)
def test_diffusion_across_hexagonal_arrays(share):
    f, spacing = hexagonal_cell(48, share)
    found = transport(f, "xyh", spacing)
    check(found.diffusivity["h"], HEXAGONAL[share], 0.01)
    check(found.diffusivity["y"], HEXAGONAL[share], 0.01)
    # Along the cylinders: 1 - f exactly.
    check(found.diffusivity["x"], 1 - share, 0.01)


@pytest.mark.parametrize("share", CUBIC)
def test_diffusion_around_spheres(share):
    check(transport(sphere_cell(32, share), "x").diffusivity["x"], CUBIC[share], 0.015)


@pytest.mark.parametrize("share", RATIO_TEN)
def test_diffusion_where_the_solid_conducts(share):
    f = square_cell(64, share)
    # A mixed cell is of first order: 2 % at 64 voxels a cell.
    check(transport(f, "h", solid_diffusivity=10.0).diffusivity["h"], RATIO_TEN[share], 0.02)
    check(transport(f, "h", solid_diffusivity=0.1).diffusivity["h"], 1 / RATIO_TEN[share], 0.02)


@pytest.mark.parametrize("share", ACROSS)
def test_flow_across_and_along_square_arrays(share):
    n = 32
    a2 = n * n * share / math.pi
    found = transport(square_cell(n, share), "hx", permeability=True).permeability_um2
    check(found["h"], ACROSS[share] * a2, 0.04)
    check(found["x"], ALONG[share] * a2, 0.04)


@pytest.mark.parametrize("share", SPHERES)
def test_flow_through_spheres(share):
    n = 32
    radius = n * (3 * share / (4 * math.pi)) ** (1 / 3)
    k = 2 * radius**2 / (9 * share * SPHERES[share])
    check(transport(sphere_cell(n, share), "x", permeability=True).permeability_um2["x"], k, 0.05)


@pytest.mark.parametrize(("kind", "share", "true"), [("across", 0.2, 0.304849)])
def test_flow_converges_with_resolution(kind, share, true):
    errors = []
    for n in (16, 32, 64):
        found = transport(square_cell(n, share), "h", permeability=True).permeability_um2["h"]
        errors.append(abs(found.value / (true * n * n * share / math.pi) - 1))
    # Of second order, with a scatter by where the voxels fall: each halving by a half at least.
    assert errors[2] < 0.25 * errors[0]
    assert errors[2] < 0.01


def test_periodic_and_closed_sides_agree_on_a_symmetric_cell():
    f = square_cell(32, 0.3, depth=4)
    closed = transport(f, "xyh", permeability=True)
    joined = transport(f, "xyh", permeability=True, sides="periodic")
    for axis in "xyh":
        # Both are the infinite array's; rounding and the solvers' rest only.
        assert joined.diffusivity[axis].value == pytest.approx(
            closed.diffusivity[axis].value, rel=1e-3
        )
        assert joined.permeability_um2[axis].value == pytest.approx(
            closed.permeability_um2[axis].value, rel=2e-3
        )
        assert np.isclose(joined.tortuosity[axis].value, closed.tortuosity[axis].value, rtol=1e-3)


def test_flow_between_plates_and_in_a_square_duct():
    # Slit H: k = H³ / 12 per height; square duct w: 0.03514425 w² times its open share. Walls on
    # voxel faces, so that shares and level agree.
    slit = np.zeros((24, 4, 4), np.float32)
    slit[:4] = slit[-4:] = 1
    check(transport(slit, "x", permeability=True).permeability_um2["x"], 16**3 / 12 / 24, 0.02)
    duct = np.ones((24, 24, 4), np.float32)
    duct[4:20, 4:20] = 0
    k = 0.03514425 * 16**4 / 24**2
    check(transport(duct, "x", permeability=True).permeability_um2["x"], k, 0.03)
