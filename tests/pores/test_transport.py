"""Transport through the domain: behaviour; published values are in tests/external."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pore_solids import block, level_frame, material, pile, prism, sampled
from scipy import ndimage, sparse
from scipy.sparse.linalg import spsolve

from volscan.kernels.arrival import arrival
from volscan.kernels.cutcells import level_set_on_grid, open_shares
from volscan.kernels.multigrid import make_links, residual, solve
from volscan.pores import TransportChoice, measure_pores
from volscan.pores.diffusion import relative_flux
from volscan.pores.flow import permeability
from volscan.pores.solid import build_solid, working_grid
from volscan.pores.throats import pore_domain
from volscan.pores.transport import measure_transport


def corners_of(fraction):
    return level_set_on_grid(
        np.asarray(fraction, np.float32),
        level=0.5,
        spacing_um=(1.0, 1.0, 1.0),
        origin_um=np.full(3, -0.5),
        axes=np.eye(3),
        steps_um=(1.0, 1.0, 1.0),
        shape=tuple(n + 1 for n in fraction.shape),
    )


def _random_links(seed, shape, periodic):
    rng = np.random.default_rng(seed)
    links = [rng.random(shape).astype(np.float32) * (rng.random(shape) > 0.4) for _ in range(3)]
    for axis, c in enumerate(links):
        if axis == 0 or not periodic:
            c[tuple(slice(0, 1) if k == axis else slice(None) for k in range(3))] = 0
    sink = np.zeros(shape, np.float32)
    sink[0] = rng.random(shape[1:])
    sink[-1] = rng.random(shape[1:])
    return make_links(*links, sink)


def _matrix(g):
    """Build the network's matrix entry by entry."""
    index = np.arange(g.cz.size).reshape(g.shape)
    a = sparse.lil_matrix((g.cz.size, g.cz.size))
    a.setdiag(g.sink.ravel().astype(float))
    for axis, c in enumerate((g.cz, g.cy, g.cx)):
        other = np.roll(index, 1, axis=axis)
        for i, j, v in zip(index.ravel(), other.ravel(), c.ravel().astype(float), strict=True):
            a[i, i] += v
            a[j, j] += v
            a[i, j] -= v
            a[j, i] -= v
    return a.tocsc()


@pytest.mark.parametrize(("shape", "periodic"), [((5, 6, 7), True), ((8, 1, 9), False)])
def test_the_solver_agrees_with_a_direct_one(shape, periodic):
    grid = _random_links(3, shape, periodic)
    a = _matrix(grid)
    rng = np.random.default_rng(4)
    x = rng.normal(size=shape).astype(np.float32)
    b = a @ x.ravel()
    # float32 sums of seven terms.
    np.testing.assert_allclose(-residual(grid, x, np.zeros_like(x)).ravel(), b, atol=1e-5)
    right = np.zeros(shape, np.float32)
    right[0] = grid.sink[0]
    u, left, rounds = solve(grid, right, tolerance=1e-6)
    assert left <= 1e-6
    assert rounds < 60
    # Cells without any way to a sink have no answer of their own: give them one.
    labels = sparse.csgraph.connected_components(a, directed=False)[1]
    fed = np.isin(labels, np.unique(labels[grid.sink.ravel() > 0]))
    exact = spsolve(a + sparse.diags((~fed).astype(float)), right.ravel().astype(float))
    # A residual of 1e-6 of the right-hand side, times a condition number of some hundreds.
    np.testing.assert_allclose(u.ravel()[fed], exact[fed], atol=1e-3)


def test_a_straight_channel_conducts_as_its_area_at_any_slant_of_the_array():
    # A slit of 7.3 of 16 voxels, walls between voxel centres: relative flux 7.3 / 16 exactly.
    f = sampled(lambda z, y, x: (abs(y - 7.6) > 3.65) | (z < -9) | (x < -9), (8, 16, 6))
    for axis in (0, 2):
        order = (axis, *(k for k in range(3) if k != axis))
        k = np.ascontiguousarray(corners_of(f).transpose(order))
        flux, u = relative_flux(k, steps_um=(1.0, 1.0, 1.0))
        # The level 0.5 of unblurred shares is off by up to a few hundredths of a voxel a wall.
        assert flux.relative == pytest.approx(7.3 / 16, abs=0.1 / 16)
        assert flux.imbalance < 1e-4
        assert np.isfinite(u).all()


def test_a_laminate_conducts_in_series_across_and_in_parallel_along():
    f = np.zeros((12, 12, 12), np.float32)
    f[3:9] = 1
    k = corners_of(f)
    along, _ = relative_flux(
        np.ascontiguousarray(k.transpose(2, 0, 1)), steps_um=(1.0, 1.0, 1.0), solid_ratio=0.2
    )
    across, _ = relative_flux(k, steps_um=(1.0, 1.0, 1.0), solid_ratio=0.2)
    # Faces on voxel boundaries: shares are exact to the cubic's overshoot of 1/16 at a step.
    assert along.relative == pytest.approx(0.5 + 0.5 * 0.2, abs=0.01)
    assert across.relative == pytest.approx(1 / (0.5 + 0.5 / 0.2), abs=0.01)


def test_blocked_boxes_conduct_nothing_and_let_nothing_flow():
    f = np.zeros((8, 8, 8), np.float32)
    f[4] = 1
    k = corners_of(f)
    assert relative_flux(k, steps_um=(1.0, 1.0, 1.0))[0].relative == 0
    assert permeability(k, steps_um=(1.0, 1.0, 1.0)).value_um2 < 1e-4
    full = corners_of(np.ones((4, 4, 4), np.float32))
    assert relative_flux(full, steps_um=(1.0, 1.0, 1.0))[0].relative == 0
    assert permeability(full, steps_um=(1.0, 1.0, 1.0)).value_um2 == 0


def test_the_open_share_of_cut_faces_adds_up_to_one():
    rng = np.random.default_rng(0)
    p = rng.normal(size=(4, 5, 6)).astype(np.float32)
    for pore, solid in zip(open_shares(p), open_shares(-p), strict=True):
        np.testing.assert_allclose(pore + solid, 1, atol=1e-5)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 1000))
def test_ways_lie_between_the_straight_line_and_the_ways_along_the_grid(seed):
    rng = np.random.default_rng(seed)
    free = ndimage.gaussian_filter(rng.normal(size=(9, 10, 11)), 1.0) > -0.1
    way = arrival(free, steps_um=(1.0, 1.0, 1.0))
    # Steps along the grid's axes only, by plain rounds.
    plain = np.where(free, np.inf, np.nan)
    plain[0][free[0]] = 0.5
    for _ in range(free.size):
        padded = np.pad(plain, 1, constant_values=np.inf)
        padded = np.where(np.isnan(padded), np.inf, padded)
        middle = (slice(1, -1),) * 3
        best = plain.copy()
        for axis in range(3):
            for step in (-1, 1):
                best = np.fmin(best, np.roll(padded, step, axis)[middle] + 1)
        best[~free] = np.nan
        if np.array_equal(best, plain, equal_nan=True):
            break
        plain = best
    reached = np.isfinite(way)
    np.testing.assert_array_equal(reached, np.isfinite(plain))
    depth = np.arange(9)[:, None, None] + 0.5
    assert (way[reached] >= np.broadcast_to(depth, way.shape)[reached] - 1e-4).all()
    assert (way[reached] <= plain[reached] + 1e-4).all()


def test_a_way_around_a_screen_is_the_taut_string():
    # A screen across half the box, in the middle: from the entry face straight to the screen's
    # edge and on to the exit behind it; nothing on the open side is longer than the box.
    n, w = 41, 80
    free = np.ones((n, w, 1), bool)
    free[20, : w // 2] = False
    ends = arrival(free, steps_um=(1.0, 1.0, 1.0))[-1, :, 0] + 0.5
    behind = np.arange(w // 2) - (w // 2 - 0.5)
    string = 20.5 + np.hypot(20.5, behind[10:])
    # The screen is a cell thick and is passed half a cell from its edge: up to a cell longer; and
    # a few tenths of a cell for the first-order steps around the edge.
    assert (ends[10 : w // 2] - string > 0).all()
    assert (ends[10 : w // 2] - string < 1.3).all()
    np.testing.assert_allclose(ends[w // 2 + 2 :], n, atol=0.3)


D, S, H, LAYERS, PAD = 10.0, 32.0, 9.0, 4, 8
HEIGHT = D + (LAYERS - 1) * H
COUNTS = (round(HEIGHT) + 2 * PAD, 64, 64)
ENVELOPE = prism([[16, 16], [48, 16], [48, 48], [16, 48]], PAD - 0.5, PAD - 0.5 + HEIGHT)


@pytest.fixture(scope="module")
def scaffold():
    return sampled(pile(diameter=D, pitch=S, rise=H, layers=LAYERS, base=PAD - 0.5), COUNTS)


def test_a_pile_is_measured_along_all_axes_within_its_uncertainty(scaffold):
    choice = TransportChoice(permeability=True)
    pores = measure_pores(material(scaffold), level_frame(), ENVELOPE, transport=choice)
    t = pores.transport
    porosity = 1 - scaffold[PAD : PAD + round(HEIGHT), 16:48, 16:48].mean()
    for axis in "xyh":
        d, way, k = t.diffusivity[axis], t.tortuosity[axis], t.permeability_um2[axis]
        # Hashin and Shtrikman's bound is for isotropic bodies; the series-parallel one for all.
        assert 0 < d.value < porosity
        assert 0 < d.u < 0.1 * d.value
        assert 1 <= way.value < 1.5
        assert 0 < way.u < 0.1
        assert k.value > 0
        assert k.u > 0
        assert t.imbalance[axis] < 1e-3
        assert t.tortuosity_histogram[axis][:, 1].sum() == pytest.approx(1.0)
    # The pile's lattice is the same along x and y, its ends apart.
    assert t.diffusivity["x"].value == pytest.approx(t.diffusivity["y"].value, rel=0.05)


def _along_h(fraction, scale, choice):
    spacing = (scale,) * 3
    envelope = prism(ENVELOPE.outline_um * scale, ENVELOPE.base_um * scale, ENVELOPE.top_um * scale)
    grid = pore_domain(
        envelope, level_frame(), direction_deg=0.0, shape=fraction.shape, spacing_um=spacing
    )
    solid, _ = build_solid(
        material(fraction, spacing_um=spacing),
        surface_level=None,
        solid_model=None,
        grid=working_grid(fraction.shape, spacing, exact=True),
        coverage=None,
    )
    return measure_transport(solid, grid, choice, along="h")


def test_rescaling_and_coarse_voxels(scaffold):
    k = 2.5
    choice = TransportChoice(permeability=True)
    small = _along_h(scaffold, 1.0, choice)
    large = _along_h(scaffold, k, choice)
    coarse = _along_h(scaffold, 1.0, replace(choice, memory_bytes=2_000_000))
    assert {"flow_coarsened"} <= {n.code for n in coarse.notices}
    a, b = small.diffusivity["h"], large.diffusivity["h"]
    assert b.value == pytest.approx(a.value, rel=1e-3)
    assert b.u == pytest.approx(a.u, rel=0.02)
    p, q = small.permeability_um2["h"], large.permeability_um2["h"]
    assert q.value == pytest.approx(p.value * k * k, rel=0.01)
    r = coarse.permeability_um2["h"]
    assert abs(r.value - p.value) < 2 * r.u


def test_nothing_crosses_a_closed_film():
    f = np.zeros((20, 20, 20), np.float32)
    f[9:12] = 1
    pores = measure_pores(material(f), level_frame(), block(f.shape))
    t = pores.transport
    assert t.tortuosity["h"] is None
    assert t.diffusivity["h"].value == 0
    # Along the film the two gaps are straight: 17 of 20.
    assert t.tortuosity["x"].value == pytest.approx(1.0, abs=1e-3)
    assert t.diffusivity["x"].value == pytest.approx(17 / 20, abs=0.01)
    assert {"no_way", "no_diffusion"} <= {n.code for n in pores.notices}
