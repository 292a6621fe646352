"""Pore bodies, throats and openings of solids whose geometry tells them."""

import math
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pore_solids import block, lattice, level_frame, material, pile, prism, sampled
from scipy import ndimage

from volscan.kernels.bodies import split_bodies
from volscan.pores import measure_pores
from volscan.results_tables import make_table
from volscan.writers.graphml import graphml_text


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.6, 0.9, 1.01]))
def test_bodies_hold_what_defines_them(seed, ratio):
    rng = np.random.default_rng(seed)
    level = ndimage.gaussian_filter(rng.random((8, 9, 7)), 1) * 3000
    level[level < np.quantile(level, 0.3)] = 0
    level = level.astype(np.uint16)
    found = split_bodies(level, ratio=ratio)
    assert ((found.labels > 0) == (level > 0)).all()
    for k, p in enumerate(found.peaks, start=1):
        part = found.labels == k
        # Each body is in one piece, and its peak is its largest.
        assert ndimage.label(part)[1] == 1
        assert level[part].max() == level.flat[p]
    # Throats against trying every touching pair of voxels.
    best = {}
    for axis in range(3):
        a, b = np.moveaxis(found.labels, axis, 0), np.moveaxis(level, axis, 0)
        for i, j, v, w in zip(a[:-1].flat, a[1:].flat, b[:-1].flat, b[1:].flat, strict=True):
            if i > 0 and j > 0 and i != j:
                pair = (min(i, j), max(i, j))
                best[pair] = max(best.get(pair, 0), min(v, w))
    assert {tuple(p): level.flat[q] for p, q in zip(found.pairs, found.places, strict=True)} == best
    if ratio <= 1:
        for (a, b), w in best.items():
            smaller = min(level.flat[found.peaks[a - 1]], level.flat[found.peaks[b - 1]])
            assert w <= smaller


def test_two_chambers_and_the_channel_between_them():
    # Chambers of 15 and 11 µm joined by a round channel of 5 µm, walls all around.
    def shape(z, y, x):
        one = (z - 14) ** 2 + (y - 14) ** 2 + (x - 12) ** 2 <= 7.5**2
        two = (z - 14) ** 2 + (y - 14) ** 2 + (x - 34) ** 2 <= 5.5**2
        channel = ((z - 14) ** 2 + (y - 14) ** 2 <= 2.5**2) & (x > 12) & (x < 34)
        return ~(one | two | channel)

    f = sampled(shape, (29, 29, 46))
    network = measure_pores(material(f), level_frame(), block(f.shape)).network
    big, small = network.bodies
    # A quarter of a voxel of voxelisation, twice.
    assert big.inscribed_diameter_um == pytest.approx(15, abs=0.5)
    assert small.inscribed_diameter_um == pytest.approx(11, abs=0.5)
    assert big.centre_um == pytest.approx((12, 14, 14), abs=1)
    assert small.centre_um == pytest.approx((34, 14, 14), abs=1)
    assert (big.coordination, small.coordination) == (1, 1)
    assert not big.cut
    (throat,) = network.throats
    assert throat.diameter_um == pytest.approx(5, abs=0.5)
    # From one sphere's surface to the other's: 22 - 7.5 - 5.5.
    assert throat.length_um == pytest.approx(9, abs=1)
    total = sum(b.volume_um3 for b in network.bodies)
    assert total == pytest.approx((1 - f).sum(), rel=0.05)
    equivalent = (6 * big.volume_um3 / math.pi) ** (1 / 3)
    assert big.equivalent_diameter_um == pytest.approx(equivalent)


def test_simple_cubic_spheres_leave_one_body_a_cell_with_six_throats():
    # Touching spheres, R = 10: cavities of sqrt(3) - 1 and windows of sqrt(2) - 1, times 2R.
    f = sampled(lattice([(0, 0, 0)], cell=20.0, radius=10.0), (60, 60, 60))
    network = measure_pores(material(f), level_frame(), block(f.shape)).network
    assert len(network.bodies) == 27
    whole = [b for b in network.bodies if not b.cut]
    assert len(whole) == 1
    assert whole[0].coordination == 6
    assert whole[0].inscribed_diameter_um == pytest.approx(20 * (math.sqrt(3) - 1), abs=0.5)
    assert whole[0].volume_um3 == pytest.approx(20**3 * (1 - math.pi / 6), rel=0.05)
    assert len(network.throats) == 3 * 2 * 9
    widths = [t.diameter_um for t in network.throats]
    np.testing.assert_allclose(widths, 20 * (math.sqrt(2) - 1), atol=0.6)


D, S, H, LAYERS, PAD = 8.0, 24.0, 8.0, 4, 6
HEIGHT = D + (LAYERS - 1) * H
COUNTS = (round(HEIGHT) + 2 * PAD, 96, 96)


@pytest.fixture(scope="module")
def lattice_pores():
    f = sampled(pile(diameter=D, pitch=S, rise=H, layers=LAYERS, base=PAD - 0.5), COUNTS)
    envelope = prism([[12, 12], [60, 12], [60, 60], [12, 60]], PAD - 0.5, PAD - 0.5 + HEIGHT)
    return measure_pores(material(f), level_frame(), envelope)


def test_openings_of_a_square_pile(lattice_pores):
    openings = lattice_pores.openings
    # Fibres at 0, 24, 48, 72: two by two cells have their middle (12, 36, 60) inside or on the
    # outline; those on it are told by rounding, those inside never lost.
    centres = {tuple(round(c) for c in o.centre_um) for o in openings.openings}
    assert (36, 36) in centres
    for o in openings.openings:
        # The widest circle of a square of s - d, its area s - d squared, and no longer than wide.
        assert o.inscribed_um == pytest.approx(S - D, abs=0.25)
        assert o.equivalent_um == pytest.approx(2 * (S - D) / math.sqrt(math.pi), rel=0.02)
        assert o.aspect == pytest.approx(1, abs=0.02)
    assert openings.mean_um.value == pytest.approx(S - D, abs=0.25)
    assert openings.mean_um.n == len(openings.openings)


def test_an_opening_over_the_edge_is_measured_whole_and_one_beyond_the_scan_is_told():
    f = np.ones((6, 40, 60), np.float32)
    f[:, 10:30, 10:20] = 0  # whole, middle inside the outline though the outline cuts it
    f[:, 10:30, 26:36] = 0  # middle outside
    f[:, 5:12, 50:] = 0  # reaches the edge of the scan
    outline = [[5, 5], [17, 5], [17, 35], [5, 35]]
    found = measure_pores(material(f), level_frame(), prism(outline, -0.5, 5.5)).openings
    (only,) = found.openings
    assert only.inscribed_um == pytest.approx(10, abs=0.25)
    assert only.area_um2 == pytest.approx(200, rel=0.02)
    assert only.aspect == pytest.approx(2, abs=0.02)
    wide = [[5, 2], [59, 2], [59, 35], [5, 35]]
    told = measure_pores(material(f), level_frame(), prism(wide, -0.5, 5.5)).openings
    assert len(told.openings) == 2
    assert [n.count for n in told.notices if n.code == "openings_cut"] == [1]


def test_the_way_of_the_largest_sphere(lattice_pores):
    for axis, throat in zip("xyh", ("throat_x_um", "throat_y_um", "throat_h_um"), strict=True):
        path = lattice_pores.throat_paths_um[axis]
        assert path[:, 3].min() >= getattr(lattice_pores, throat).value - 1e-3 * S
        k = "xyh".index(axis)
        origin, size = lattice_pores.domain.origin_um[k], lattice_pores.domain.size_um[k]
        assert abs(path[0, k] - origin) < 1
        assert abs(path[-1, k] - origin - size) < 1
        # No jumps: each step goes to a node beside the last.
        assert np.linalg.norm(np.diff(path[:, :3], axis=0), axis=1).max() < 1.9


def test_a_network_is_written_as_graphml():
    bodies = make_table(
        "pore_bodies", [(0, 1.0, 2.0, 3.0, 50.0, 4.0, 4.6, 1, True), (1, *[0.5] * 6, 1, False)]
    )
    throats = make_table("pore_throats", [(0, 0, 1, 1.0, 1.0, 1.0, 2.5, float("nan"))])
    text = graphml_text(bodies, throats, ends=("body_a", "body_b"))
    # Read by a general XML parser, by the format's own names (graphml.graphdrawing.org).
    space = {"g": "http://graphml.graphdrawing.org/xmlns"}
    root = ElementTree.fromstring(text)
    keys = {k.get("id"): k.get("attr.name") for k in root.findall("g:key", space)}
    nodes = root.findall("g:graph/g:node", space)
    assert [n.get("id") for n in nodes] == ["n0", "n1"]
    data = {keys[d.get("key")]: d.text for d in nodes[0].findall("g:data", space)}
    assert data["inscribed_diameter_um"] == "4.0"
    assert data["cut"] == "true"
    (edge,) = root.findall("g:graph/g:edge", space)
    assert (edge.get("source"), edge.get("target")) == ("n0", "n1")
    assert {keys[d.get("key")] for d in edge.findall("g:data", space)} == {
        "x_um", "y_um", "h_um", "diameter_um",
    }  # fmt: skip
