"""Render tubes with OpenGL: run as a process of its own, ``python -m volscan.report.tubes``.

Reads a scene (``.npz``) and writes the picture (``.npy``, rows × columns × 3 bytes). Any failure
ends the process with an error status; the caller then draws the scene another way.
"""

from __future__ import annotations

import sys

import numpy as np


def render(scene_file: str, picture_file: str) -> None:
    """Render the scene in `scene_file` and write the picture."""
    import pyvista

    with np.load(scene_file) as scene:
        points, radii, starts = scene["points"], scene["radii"], scene["starts"]
        colours, axes, centre = scene["colours"], scene["axes"], scene["centre"]
        half_height, size_px = float(scene["half_height"]), [int(s) for s in scene["size_px"]]

    plotter = pyvista.Plotter(off_screen=True, window_size=size_px, lighting="none")
    plotter.set_background("white")
    # Tubes of one colour are one mesh: a mesh a fibre would take minutes for a large scaffold.
    for colour in np.unique(colours, axis=0):
        chosen = np.nonzero((colours == colour).all(axis=1))[0]
        lines = [np.arange(starts[f], starts[f + 1]) for f in chosen]
        used = np.concatenate(lines)
        cells, at = [], 0
        for line in lines:
            cells += [len(line), *range(at, at + len(line))]
            at += len(line)
        mesh = pyvista.PolyData(points[used], lines=np.array(cells))
        mesh["radius"] = radii[used]
        tubes = mesh.tube(scalars="radius", absolute=True, n_sides=18, capping=True)
        plotter.add_mesh(
            tubes,
            color=tuple(colour),
            smooth_shading=True,
            scalars=None,
            ambient=0.42,
            diffuse=0.75,
            specular=0.25,
            specular_power=18,
        )
    reach = 4 * half_height + 2 * float(np.ptp(points, axis=0).max())
    right, up, toward = axes
    for offset, strength in ((toward + 0.9 * up - 0.7 * right, 0.85), (toward + right, 0.25)):
        plotter.add_light(
            pyvista.Light(
                position=tuple(centre + reach * offset),
                focal_point=tuple(centre),
                intensity=strength,
                light_type="scene light",
            )
        )
    plotter.enable_parallel_projection()
    plotter.camera.position = tuple(centre + reach * toward)
    plotter.camera.focal_point = tuple(centre)
    plotter.camera.up = tuple(up)
    plotter.camera.parallel_scale = half_height
    plotter.camera.clipping_range = (0.01 * reach, 3 * reach)
    plotter.enable_anti_aliasing("ssaa")
    picture = plotter.screenshot(None, return_img=True, transparent_background=False)
    np.save(picture_file, np.ascontiguousarray(picture[..., :3], dtype=np.uint8))
    plotter.close()


if __name__ == "__main__":
    render(sys.argv[1], sys.argv[2])
