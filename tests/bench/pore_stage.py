"""The pore stage at 512³ beside the same quantities from general-purpose library calls.

    python -m tests.bench.pore_stage [--edge 512] [--naive-edge 256]

Prints seconds and peak memory of both. The naive side is run on a smaller edge by default and its
time scaled by the number of voxels, which favours it: its steps grow faster than that.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse.linalg import cg

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from pore_solids import level_frame, material, pile, prism, sampled  # noqa: E402

from volscan.pores import measure_pores  # noqa: E402


def scaffold(edge: int) -> NDArray[np.float32]:
    """Return a 0/90 pile: fibres of 9.5 voxels, 76 apart, as the floors were measured on."""
    rise, d = 0.85 * 9.5, 9.5
    layers = int((edge * 0.8 - d) / rise) + 1
    shape = pile(diameter=d, pitch=76.0, rise=rise, layers=layers, base=0.1 * edge)
    return sampled(shape, (edge,) * 3, parts=2)


def naive(fraction: NDArray[np.float32]) -> dict[str, float]:
    """Measure the same quantities with general-purpose calls, on the full grid."""
    from skimage.graph import MCP_Geometric
    from skimage.measure import euler_number, marching_cubes, mesh_surface_area
    from skimage.segmentation import watershed

    pore = fraction < 0.5
    times = {}

    def timed(name: str, start: float) -> None:
        times[name] = time.perf_counter() - start

    t = time.perf_counter()
    distance = ndimage.distance_transform_edt(pore)
    timed("distance", t)
    t = time.perf_counter()
    sizes = np.zeros_like(distance, dtype=np.float32)
    for r in np.linspace(1, distance.max(), 20):
        ball = ndimage.distance_transform_edt(distance < r) < r
        sizes[ball & pore] = 2 * r
    timed("sizes, 20 openings", t)
    t = time.perf_counter()
    for axis in range(3):
        low, high = 0.0, float(distance.max())
        for _ in range(10):
            middle = 0.5 * (low + high)
            labels, _ = ndimage.label(distance >= middle)
            first, last = labels.take(0, axis=axis), labels.take(-1, axis=axis)
            if np.intersect1d(first[first > 0], last[last > 0]).size:
                low = middle
            else:
                high = middle
    timed("throats, bisection", t)
    t = time.perf_counter()
    markers, _ = ndimage.label(distance == ndimage.maximum_filter(distance, 9))
    watershed(-distance, markers, mask=pore)
    timed("bodies, watershed", t)
    t = time.perf_counter()
    euler_number(~pore, connectivity=3)
    vertices, faces, _, _ = marching_cubes(fraction, 0.5)
    mesh_surface_area(vertices, faces)
    timed("surface and Euler number", t)
    half = pore[::2, ::2, ::2]
    for axis in range(3):
        turned = np.ascontiguousarray(np.moveaxis(half, axis, 0))
        t = time.perf_counter()
        starts = [(0, int(y), int(x)) for y, x in np.argwhere(turned[0])]
        MCP_Geometric(np.where(turned, 1.0, -1.0)).find_costs(starts)
        timed(f"ways {axis}, half resolution", t)
        t = time.perf_counter()
        _conduct(turned)
        timed(f"diffusion {axis}, half resolution", t)
    return times


def _conduct(pore: NDArray[np.bool_]) -> None:
    """Solve Laplace's equation on a voxel network, Jacobi-preconditioned conjugate gradients."""
    index = np.cumsum(pore.ravel()).reshape(pore.shape) - 1
    count = int(pore.sum())
    rows, columns = [], []
    for axis in range(3):
        low = tuple(slice(None, -1) if k == axis else slice(None) for k in range(3))
        high = tuple(slice(1, None) if k == axis else slice(None) for k in range(3))
        both = pore[low] & pore[high]
        rows.append(index[low][both])
        columns.append(index[high][both])
    i, j = np.concatenate(rows), np.concatenate(columns)
    diagonal = np.bincount(i, minlength=count) + np.bincount(j, minlength=count).astype(float)
    b = np.zeros(count)
    b[index[0][pore[0]]] = 2
    diagonal[index[0][pore[0]]] += 2
    diagonal[index[-1][pore[-1]]] += 2
    ones = -np.ones(i.size)
    matrix = sparse.coo_matrix((ones, (i, j)), (count, count))
    matrix = (matrix + matrix.T + sparse.diags(diagonal)).tocsr()
    inverse = sparse.diags(1 / np.maximum(diagonal, 1e-9))
    cg(matrix, b, rtol=1e-5, M=inverse, maxiter=5000)


def main() -> None:
    """Time both and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--edge", type=int, default=512)
    parser.add_argument("--naive-edge", type=int, default=256)
    parser.add_argument("--only", choices=("ours", "naive"))
    chosen = parser.parse_args()
    if chosen.only != "naive":
        small = scaffold(96)
        _ours(small, 96)  # compiles
        fraction = scaffold(chosen.edge)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        start, cpu = time.perf_counter(), time.process_time()
        _ours(fraction, chosen.edge)
        took, used = time.perf_counter() - start, time.process_time() - cpu
        peak = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024**2
        print(f"volscan {chosen.edge}³: {took:.1f} s, {used:.1f} s of processor, {peak:.2f} GiB")
    if chosen.only != "ours":
        cpu = time.process_time()
        times = naive(scaffold(chosen.naive_edge))
        used = time.process_time() - cpu
        for name, seconds in times.items():
            print(f"  {name}: {seconds:.1f} s")
        scale = (chosen.edge / chosen.naive_edge) ** 3
        total = sum(times.values())
        print(f"naive {chosen.naive_edge}³: {total:.1f} s, {used:.1f} s of processor")
        print(f"naive scaled to {chosen.edge}³: {scale * total:.0f} s at least")


def _ours(fraction: NDArray[np.float32], edge: int) -> None:
    a, b = 0.12 * edge, 0.88 * edge
    envelope = prism([[a, a], [b, a], [b, b], [a, b]], 0.1 * edge, 0.9 * edge)
    measure_pores(material(fraction), level_frame(), envelope)


if __name__ == "__main__":
    main()
