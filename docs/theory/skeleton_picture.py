"""Draw skeleton.png and print the numbers of skeleton.md: a fused wall, thinned and fitted.

    python docs/theory/skeleton_picture.py [OUT.png]

A synthetic fused print is scanned and (a) thinned by scikit-image's 3-D `skeletonize` (Lee,
Kashyap & Chu 1994), (b) measured by volscan. Both are held against the true centrelines. It takes
about a minute; the same seed gives the same picture and numbers.
"""

from __future__ import annotations

import io
import sys
from dataclasses import dataclass
from pathlib import Path

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Circle
from PIL import Image
from scipy import ndimage
from skimage.morphology import remove_small_objects, skeletonize

import volscan
from volscan.phantom.make import phantom_from_dict

DIAMETER_UM, SPACING_UM, VOXEL_UM = 20.0, 150.0, 3.0
PHANTOM = {
    "name": "fused wall",
    "scaffold": {
        "directions_deg": [0, 90],
        "spacing_um": SPACING_UM,
        "diameter_um": DIAMETER_UM,
        "layers": 8,
        "layer_height_um": 15.0,
        "walls": 3,
        "morphology": "fused",
        "lean": [5.0, -3.0],
        "seed": 7,
    },
    "scanner": {
        "voxel_um": VOXEL_UM,
        "psf_fwhm_um": 6.0,
        "contrast_to_noise": 10.0,
        "seed": 11,
    },
}
# The wall that is drawn: the middle one of the first direction.
SHOWN = 1
# A fibre is found where something of the skeleton lies within this share of a diameter of its
# centre in most stations along it. Half the smaller step between fibres would be 0.37.
NEAR = 0.25
INK, GREY, GARNET, COBALT = "#1d2229", "#5b6470", "#a41c33", "#3370cf"


@dataclass(frozen=True)
class TrueWall:
    """A wall's true fibre centres: heights, and places across at each, in the build frame."""

    direction_deg: float
    height_um: np.ndarray
    across_um: np.ndarray

    @property
    def along(self) -> np.ndarray:
        """The wall's direction (X, Y)."""
        a = np.radians(self.direction_deg)
        return np.array([np.cos(a), np.sin(a)])

    @property
    def normal(self) -> np.ndarray:
        """Its left normal (X, Y)."""
        return np.array([-self.along[1], self.along[0]])


def true_walls(truth: dict) -> list[TrueWall]:
    """Return the walls; `position_um` is told at half height."""
    walls = []
    for w in truth["walls"]:
        height = np.array(w["layer_heights_um"])
        slope = np.tan(np.radians(w["tilt_deg"]))
        low = w["position_um"] - slope * (height.mean() - height[0])
        walls.append(TrueWall(w["direction_deg"], height, low + np.array(w["layer_offset_um"])))
    return walls


def in_build(points_um: np.ndarray, frame: dict) -> np.ndarray:
    """Turn scan positions (n, 3) [z, y, x] into [X, Y, H] of the true frame."""
    axes = np.array([frame["axes"][k] for k in "xyh"])
    return (points_um - np.array(frame["origin_um"])) @ axes.T


def thinned(samples: np.ndarray, truth: dict) -> np.ndarray:
    """Return the skeleton's voxels (n, 3), after all the help that a plain chain offers."""
    grey = truth["material"]
    smooth = ndimage.gaussian_filter(samples.astype(np.float32), 0.7)
    solid = smooth > 0.5 * (grey["air"] + grey["polymer"])
    solid = ndimage.binary_fill_holes(remove_small_objects(solid, max_size=500))
    return np.argwhere(skeletonize(solid))


def branches(voxels: np.ndarray) -> list[np.ndarray]:
    """Cut a skeleton at its junctions and return the pieces between."""
    grid = np.zeros(voxels.max(axis=0) + 2, dtype=bool)
    grid[tuple(voxels.T)] = True
    around = ndimage.convolve(grid.astype(np.uint8), np.ones((3, 3, 3), np.uint8)) - 1
    labels, count = ndimage.label(grid & (around <= 2), np.ones((3, 3, 3)))
    return [np.argwhere(labels == k) for k in range(1, count + 1)]


def along_a_fibre(pieces: list[np.ndarray]) -> int:
    """Count the pieces that run level and along a direction of the print, 3 diameters or more."""
    count = 0
    for piece in pieces:
        ends = (piece.max(axis=0) - piece.min(axis=0)) * VOXEL_UM
        level = max(ends[1], ends[2])
        count += bool(level >= 3 * DIAMETER_UM and ends[0] <= 0.25 * level)
    return count


def stations(walls: list[TrueWall], extent_um: float) -> np.ndarray:
    """Return places along a wall clear of crossings: in the middle half of each cell."""
    crossing = [w.across_um.mean() for w in walls]
    step = np.arange(-extent_um, extent_um, VOXEL_UM)
    gap = np.min(np.abs(step[:, None] - np.array(crossing)[None]), axis=1)
    inside = (step > min(crossing)) & (step < max(crossing))
    return step[inside & (gap > 0.25 * SPACING_UM)]


def errors(
    walls: list[TrueWall], points: list[np.ndarray], *, reach_um: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return the error of each true fibre's centre (median over stations), and the share found.

    `points` are the points of each wall [along, across, height] that a method found in it.
    """
    middle, share = [], []
    for wall, found in zip(walls, points, strict=True):
        others = [w for w in walls if abs(w.along @ wall.along) < 0.5]
        sign = float(np.sign(others[0].normal @ wall.along))
        at = sign * stations(others, 3000.0)
        for h, n in zip(wall.height_um, wall.across_um, strict=True):
            gaps = []
            for s in at:
                near = found[np.abs(found[:, 0] - s) <= 0.5 * VOXEL_UM + 1e-6]
                gap = np.hypot(near[:, 1] - n, near[:, 2] - h)
                gaps.append(gap.min() if len(gap) else np.inf)
            middle.append(np.median(gaps))
            share.append(np.mean(np.array(gaps) <= reach_um))
    return np.array(middle), np.array(share)


def of_wall(points: np.ndarray, wall: TrueWall) -> np.ndarray:
    """Return the points [along, across, height] within a diameter of a wall's rise."""
    s, n = points[:, :2] @ wall.along, points[:, :2] @ wall.normal
    rise = np.interp(points[:, 2], wall.height_um, wall.across_um)
    near = np.abs(n - rise) < DIAMETER_UM
    return np.column_stack([s, n, points[:, 2]])[near]


def fitted_in(results: volscan.Results, frame: dict, wall: TrueWall) -> np.ndarray:
    """Return the measured centrelines [along, across, height] of a wall, fibres across left out."""
    lines = []
    for line in fibres_of(results, frame):
        run = line[-1, :2] - line[0, :2]
        if abs(run @ wall.along) > 0.9 * np.linalg.norm(run):
            lines.append(of_wall(line, wall))
    return np.concatenate(lines)


def fibres_of(results: volscan.Results, frame: dict) -> list[np.ndarray]:
    """Return each measured fibre's centreline in the true frame, half a voxel between points."""
    measured = results.to_dict()["frame"]
    axes = np.array([measured["axes"][k] for k in "xyh"])
    lines = []
    for _, rows in results.tables["centrelines"].groupby("fibre"):
        own = rows[["x_um", "y_um", "h_um"]].to_numpy()
        arc = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(own, axis=0), axis=1))]
        fine = np.arange(0.0, arc[-1], 0.5 * VOXEL_UM)
        own = np.column_stack([np.interp(fine, arc, v) for v in own.T])
        lines.append(in_build(own @ axes + np.array(measured["origin_um"]), frame))
    return lines


def told(name: str, walls: list[TrueWall], points: list[np.ndarray]) -> None:
    """Print how many fibres were found and how well their centres lie."""
    error, share = errors(walls, points, reach_um=NEAR * DIAMETER_UM)
    print(
        f"{name}: {int((share > 0.5).sum())} of {len(error)} fibres within {NEAR} diameters of "
        f"their centre along most of their length; distance from the true centre to the nearest "
        f"point: median {np.median(error):.2f} µm, largest {error.max():.2f} µm"
    )


def main(out: Path) -> None:
    """Measure, print the numbers, draw."""
    volume, truth, _ = phantom_from_dict(PHANTOM, throats_too=False)
    frame, walls = truth["frame"], true_walls(truth)
    quiet = {**PHANTOM, "scanner": {**PHANTOM["scanner"], "contrast_to_noise": 1000.0}}
    still, still_truth, _ = phantom_from_dict(quiet, throats_too=False)
    print(f"true fibres: {truth['fibres']['count']}, scan {volume.shape}")
    for name, scan, known in (
        ("skeleton", volume, truth),
        ("skeleton, no noise", still, still_truth),
    ):
        voxels = thinned(np.asarray(scan.samples), known)
        pieces = branches(voxels)
        print(f"{name}: {len(pieces)} pieces, of fibres' kind {along_a_fibre(pieces)}")
        points = [of_wall(in_build(voxels * VOXEL_UM, frame), w) for w in walls]
        told(name, walls, points)
        if scan is volume:
            thin = points[SHOWN]
    results = volscan.measure(volume, up="+z", mirrored=False)
    fitted = [fitted_in(results, frame, w) for w in walls]
    print(f"volscan: {results.to_dict()['fibres']['count']} fibres")
    told("volscan", walls, fitted)
    draw(out, volume, walls, frame, thin, fitted[SHOWN])


def draw(
    out: Path,
    volume: volscan.Volume,
    walls: list[TrueWall],
    frame: dict,
    thin: np.ndarray,
    fitted: np.ndarray,
) -> None:
    """Draw one wall from the side and in section, thinned above and fitted below."""
    wall = walls[SHOWN]
    low, high = wall.height_um.min() - DIAMETER_UM, wall.height_um.max() + DIAMETER_UM
    first, last = np.percentile(fitted[:, 0], [0, 100]) + np.array([-15.0, 15.0])
    s = np.arange(first, last, 0.5 * VOXEL_UM)
    h = np.arange(low, high, 0.5 * VOXEL_UM)
    n = np.arange(-1.6 * DIAMETER_UM, 1.6 * DIAMETER_UM, 0.5 * VOXEL_UM)
    middle = wall.across_um.mean()
    rise = np.interp(h, wall.height_um, wall.across_um)
    axes = np.array([frame["axes"][k] for k in "xyh"])

    def sampled(along: np.ndarray, across: np.ndarray, up: np.ndarray) -> np.ndarray:
        place = along[..., None] * wall.along + across[..., None] * wall.normal
        build = np.concatenate([place, up[..., None]], axis=-1)
        scan = build @ axes + np.array(frame["origin_um"])
        voxel = np.moveaxis(scan / VOXEL_UM, -1, 0)
        return ndimage.map_coordinates(np.asarray(volume.samples, np.float32), voxel, order=1)

    hs, ss = np.meshgrid(h, s, indexing="ij")
    side = sampled(ss, np.broadcast_to(rise[:, None], hs.shape), hs)
    others = [w for w in walls if abs(w.along @ wall.along) < 0.5]
    sign = float(np.sign(others[0].normal @ wall.along))
    clear = sign * stations(others, 3000.0)
    hn, nn = np.meshgrid(h, n + middle, indexing="ij")
    cut = np.mean([sampled(np.full(hn.shape, c), nn, hn) for c in clear], axis=0)

    with matplotlib.rc_context({"font.size": 8.0, "font.family": "DejaVu Sans"}):
        figure = Figure(figsize=(6.6, 3.75), layout="constrained")
        grid = figure.subplots(2, 2, gridspec_kw={"width_ratios": [np.ptp(s), np.ptp(n)]})
        window = {"cmap": "gray", "vmin": np.percentile(side, 1), "vmax": np.percentile(side, 99.5)}
        for row, (points, colour, name) in enumerate(
            (
                (thin, GARNET, "thinned: skeleton of the thresholded scan"),
                (fitted, COBALT, "fitted: blurred discs in the wall sheet"),
            )
        ):
            left, right = grid[row]
            left.imshow(side, origin="lower", extent=(s[0], s[-1], h[0], h[-1]), **window)
            right.imshow(cut, origin="lower", extent=(n[0], n[-1], h[0], h[-1]), **window)
            size = 3.0 if row == 0 else 1.0
            left.scatter(points[:, 0], points[:, 2], s=size, color=colour, lw=0)
            seen = np.min(np.abs(points[:, 0][:, None] - clear[None]), axis=1) < VOXEL_UM
            for f, m in zip(wall.across_um, wall.height_um, strict=True):
                circle = Circle(
                    (f - middle, m), DIAMETER_UM / 2, fill=False, ec="white", lw=0.7, ls=(0, (3, 2))
                )
                right.add_patch(circle)
            right.scatter(points[seen, 1] - middle, points[seen, 2], s=7.0, color=colour, lw=0)
            left.set_anchor("E")
            right.set_anchor("W")
            left.set(xlim=(s[0], s[-1]), ylim=(low, high), ylabel="height (µm)")
            left.set_title(name, fontsize=8.5, loc="left", color=INK)
            right.set(ylim=(low, high), xlim=(n[0], n[-1]), xticks=[-20, 20])
            right.set_yticklabels([])
        grid[0, 1].set_title("section", fontsize=8.5, loc="left", color=INK)
        grid[1, 1].set_title("section", fontsize=8.5, loc="left", color=INK)
        grid[1, 0].set_xlabel("along the wall (µm)")
        grid[1, 1].set_xlabel("across (µm)")
        for each in grid.ravel():
            each.tick_params(colors=GREY, labelcolor=INK, width=0.6, length=2.5)
        drawn = io.BytesIO()
        figure.savefig(drawn, dpi=150, bbox_inches="tight", pad_inches=0.04)
    # Few colours are enough for grey, white and two marks, and make a small file.
    Image.open(drawn).convert("RGB").quantize(
        64, method=Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE
    ).save(out, optimize=True)
    print(f"{out}: {out.stat().st_size // 1000} kB")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("skeleton.png"))
