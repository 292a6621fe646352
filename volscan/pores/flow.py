"""Stokes permeability: creeping flow through the pores between two faces of a box."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from volscan.kernels.multigrid import Links, Multigrid, dot, make_links, residual

F32 = NDArray[np.float32]
Sides = Literal["closed", "periodic"]

# Working memory: three velocities and a pressure, seven vectors of each, three pyramids of links.
BYTES_PER_CELL = 260
# Norm of the preconditioned residual over that at the start at which the solver stops.
TOLERANCE = 1e-5
MOST_ROUNDS = 400
# A wall nearer to a node than this share of a step is taken to be so far off: its link, 1 over the
# share, would else swamp the others; the velocity there is all but 0 either way.
NEAREST_WALL = 0.01


@dataclass(frozen=True)
class Permeability:
    """Permeability in µm², the spread of the flow over cross-sections, rounds of the solver."""

    value_um2: float
    imbalance: float
    rounds: int


@dataclass(frozen=True)
class _Component:
    """One component of the velocity: its links with walls as sinks, and the nodes in the flow."""

    links: Links
    open: NDArray[np.bool_]


def permeability(
    corners: F32,
    *,
    steps_um: tuple[float, float, float],
    sides: Sides = "closed",
    tolerance: float = TOLERANCE,
) -> Permeability:
    """Solve Stokes' equation along the first axis of a box and return the permeability.

    The pressure is 1 on the first face and 0 on the last, where the flow is along the axis; the
    velocity is 0 on the solid. Sides are symmetry planes (no flux, no shear), or periodic.

    Parameters
    ----------
    corners
        Level set at the corners of cells, above 0 in the pores; the flow's axis first.
    steps_um
        Edges of a cell.
    sides
        "closed" or "periodic".
    tolerance
        Relative residual at which to stop.

    Returns
    -------
    Permeability
        k = viscosity × mean velocity over the pressure's gradient, the mean over the whole box.

    Notes
    -----
    Velocities on the faces of the cells, pressure in their middle (Harlow and Welch 1965, Phys.
    Fluids 8, 2182). The wall's place between a node and a neighbour in the solid is the level
    set's zero; a link 1 / share stands there (Gibou, Fedkiw, Cheng and Kang 2002, J. Comput.
    Phys. 176, 205): symmetric and of second order. The saddle point is solved by minimal
    residuals with one multigrid cycle for each velocity and the identity for the pressure as
    preconditioner (Elman, Silvester and Wathen, Finite Elements and Fast Iterative Solvers, ch. 4,
    for why that needs a number of rounds that does not grow with the grid). From memory.
    """
    hz, hy, hx = steps_um
    n = corners.shape[0] - 1
    first = _component(corners, 0, steps_um, sides)
    if not first.open[0].any() or not first.open[-1].any():
        return Permeability(0.0, 0.0, 0)
    parts = [first, *(_component(corners, axis, steps_um, sides) for axis in (1, 2))]
    faces = (hy * hx, hz * hx, hz * hy)
    system = _Saddle(parts, faces, periodic=sides == "periodic")
    force = system.zeros()
    force[0][0] = np.where(parts[0].open[0], np.float32(faces[0]), 0)
    solution, rounds = _minimal_residuals(system, force, tolerance)
    flux = solution[0].sum(axis=(1, 2), dtype=np.float64)
    area = corners.shape[1] - 1, corners.shape[2] - 1
    mean = float(flux.mean()) / (area[0] * area[1])
    if mean <= 0:
        return Permeability(0.0, 0.0, rounds)
    spread = float(np.abs(flux - flux.mean()).max() / flux.mean())
    return Permeability(mean * n * hz, spread, rounds)


def _middles(corners: F32, axis: int) -> F32:
    """Return the level set at the middles of the faces across an axis."""
    p = corners
    for k in range(3):
        if k != axis:
            low = tuple(slice(None, -1) if j == k else slice(None) for j in range(3))
            high = tuple(slice(1, None) if j == k else slice(None) for j in range(3))
            p = np.float32(0.5) * (p[low] + p[high])
    return p


def _component(
    corners: F32, axis: int, steps_um: tuple[float, float, float], sides: Sides
) -> _Component:
    """Return the links of the velocity along an axis.

    Along the flow (axis 0) there is a node on each of the n + 1 faces, half a cell each on the
    first and last. Across, the first and last face are one where sides are periodic, and both
    closed where they are symmetry planes: the last is left out.
    """
    p = _middles(corners, axis)
    if axis > 0:
        keep = tuple(slice(None, -1) if j == axis else slice(None) for j in range(3))
        if sides == "periodic":
            last = p.take([-1], axis=axis)
            p = p[keep].copy()
            first = tuple(slice(0, 1) if j == axis else slice(None) for j in range(3))
            p[first] = 0.5 * (p[first] + last)
        else:
            p = p[keep].copy()
    inside = p > 0
    if axis > 0 and sides == "closed":
        inside[tuple(slice(0, 1) if j == axis else slice(None) for j in range(3))] = False
    volume = steps_um[0] * steps_um[1] * steps_um[2]
    weight = np.ones(p.shape[0], np.float32)
    if axis == 0:
        weight[[0, -1]] = 0.5
    sink = np.zeros(p.shape, np.float32)
    links = []
    for k in range(3):
        base = np.float32(volume / steps_um[k] ** 2)
        here, there = inside, np.roll(inside, 1, axis=k)
        open_side = sides == "periodic" and k > 0
        # Links that would join the first to the last node.
        joined = np.ones(p.shape, bool)
        if not open_side:
            joined[tuple(slice(0, 1) if j == k else slice(None) for j in range(3))] = False
        scale = base * (weight[:, None, None] if k > 0 else np.float32(1))
        c = np.where(here & there & joined, scale, 0).astype(np.float32)
        before = np.roll(p, 1, axis=k)
        rigid = ~there
        if axis == k and axis > 0 and sides == "closed":
            # The closed face itself is a wall for this component, a whole step away.
            share = np.where(before > 0, np.float32(1), _share(p, before))
        else:
            share = _share(p, before)
        sink += np.where(here & rigid & joined, scale / share, 0).astype(np.float32)
        after = np.roll(p, -1, axis=k)
        beyond = np.roll(inside, -1, axis=k)
        valid = np.roll(joined, -1, axis=k)
        if axis == k and axis > 0 and sides == "closed":
            share = np.where(after > 0, np.float32(1), _share(p, after))
            # Beyond the last node lies the closed face that was left out.
            end = tuple(slice(-1, None) if j == k else slice(None) for j in range(3))
            share[end] = 1
            valid[end] = True
            beyond[end] = False
        else:
            share = _share(p, after)
        sink += np.where(here & ~beyond & valid, scale / share, 0).astype(np.float32)
        links.append(c)
    if axis > 0:
        # Half a step before the first and after the last node the flow is along the axis only.
        plane = np.float32(2 * volume / steps_um[0] ** 2)
        sink[0] += np.where(inside[0], plane, 0)
        sink[-1] += np.where(inside[-1], plane, 0)
    return _Component(make_links(links[0], links[1], links[2], sink), inside)


def _share(here: F32, there: F32) -> F32:
    """Return how far the wall is from a node toward its neighbour, as a share of the step."""
    drop = here - there
    share = np.divide(here, drop, out=np.ones_like(here), where=drop > 0)
    out: F32 = np.clip(share, np.float32(NEAREST_WALL), np.float32(1))
    return out


class _Saddle:
    """The matrix of velocities and pressure, and its preconditioner."""

    def __init__(
        self, parts: list[_Component], faces: tuple[float, float, float], *, periodic: bool
    ) -> None:
        self.parts = parts
        self.faces = tuple(np.float32(f) for f in faces)
        self.periodic = periodic
        self.pyramids = [Multigrid(p.links) for p in parts]
        n0, n1, n2 = parts[0].open.shape
        self.cells = (n0 - 1, n1, n2)
        self.nothing = [np.zeros(p.open.shape, np.float32) for p in parts]
        volume = np.float32(np.sqrt(faces[0] * faces[1] * faces[2]))
        self.inverse_volume = np.float32(1) / volume

    def zeros(self) -> list[F32]:
        """Return velocities and pressure, all 0."""
        return [np.zeros_like(a) for a in self.nothing] + [np.zeros(self.cells, np.float32)]

    def times(self, a: list[F32], out: list[F32]) -> None:
        """Set `out` to the matrix times a."""
        u, v, w, p = a
        for k in range(3):
            out[k][...] = residual(self.parts[k].links, a[k], self.nothing[k])
            np.negative(out[k], out=out[k])
        fz, fy, fx = self.faces
        out[0][:-1] += fz * p
        out[0][1:] -= fz * p
        out[1] += fy * (p - np.roll(p, 1, axis=1))
        out[2] += fx * (p - np.roll(p, 1, axis=2))
        for k in range(3):
            out[k][~self.parts[k].open] = 0
        q = out[3]
        np.subtract(u[:-1], u[1:], out=q)
        q *= fz
        q += fy * (v - np.roll(v, -1, axis=1))
        q += fx * (w - np.roll(w, -1, axis=2))

    def precondition(self, r: list[F32], out: list[F32]) -> None:
        """Set `out` to about the inverse of the matrix's diagonal blocks times r."""
        for k in range(3):
            self.pyramids[k].cycle(r[k], out[k])
            # The coarse grids also speak for nodes in the solid; the flow must not.
            out[k] *= self.parts[k].open
        np.multiply(r[3], self.inverse_volume, out=out[3])


def _product(a: list[F32], b: list[F32]) -> float:
    return sum(dot(p, q) for p, q in zip(a, b, strict=True))


def _minimal_residuals(
    system: _Saddle, force: list[F32], tolerance: float
) -> tuple[list[F32], int]:
    """Solve the saddle point (Paige and Saunders 1975, SIAM J. Numer. Anal. 12, 617)."""
    x = system.zeros()
    v_old, v, v_new = system.zeros(), force, system.zeros()
    z, z_new = system.zeros(), system.zeros()
    w_old, w = system.zeros(), system.zeros()
    system.precondition(v, z)
    gamma = max(_product(v, z), 0.0) ** 0.5
    if gamma == 0:
        return x, 0
    start = eta = gamma
    gamma_old = 1.0
    s_old = s = 0.0
    c_old = c = 1.0
    for k in range(MOST_ROUNDS):
        for a in z:
            a *= np.float32(1 / gamma)
        system.times(z, v_new)
        delta = _product(v_new, z)
        f, g = np.float32(delta / gamma), np.float32(gamma / gamma_old)
        for new, now, old in zip(v_new, v, v_old, strict=True):
            new -= f * now
            if k > 0:
                new -= g * old
        system.precondition(v_new, z_new)
        gamma_new = max(_product(v_new, z_new), 0.0) ** 0.5
        a0 = c * delta - c_old * s * gamma
        a1 = (a0**2 + gamma_new**2) ** 0.5
        a2 = s * delta + c_old * c * gamma
        a3 = s_old * gamma
        if a1 == 0:
            break
        c_old, s_old, c, s = c, s, a0 / a1, gamma_new / a1
        for zz, wo, wn, xx in zip(z, w_old, w, x, strict=True):
            wo *= np.float32(-a3 / a1)
            wo -= np.float32(a2 / a1) * wn
            wo += np.float32(1 / a1) * zz
            xx += np.float32(c * eta) * wo
        w_old, w = w, w_old
        eta *= -s
        v_old, v, v_new = v, v_new, v_old
        z, z_new = z_new, z
        gamma_old, gamma = gamma, gamma_new
        if abs(eta) <= tolerance * start or gamma == 0:
            return x, k + 1
    return x, MOST_ROUNDS
