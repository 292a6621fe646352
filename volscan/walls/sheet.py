"""Wall sheets: a wall straightened along its path, for the eye and the report."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from volscan.fibres.paths import WallPath
from volscan.geometry import BuildFrame, Fibre, FloatArray, Wall
from volscan.kernels.paths import path_sections
from volscan.kernels.sections import mark_near_polyline, wall_sections
from volscan.prepare.material import MaterialMap
from volscan.walls.wallset import WallSheet

# Walls of each family that are also shown from the side: the one nearest the middle of the family
# and the steepest.
_FACES = 2
# Columns of a face: enough for a printed page.
_FACE_COLUMNS = 420
# A wall whose path strays this far from straight (µm, most) is gathered along its path. The
# picture's bins are a voxel, so that less could not be seen; the radius keeps noise out.
_STRAY_RADII = 0.2


def wall_sheets(
    material: MaterialMap, frame: BuildFrame, fibres: tuple[Fibre, ...], walls: tuple[Wall, ...]
) -> tuple[WallSheet, ...]:
    """Return each wall's mean cross-section between crossings, in build coordinates.

    Curved walls are straightened along their path. Of a few walls of each family the sheet also
    holds the view from the side, crossings included; of a tube none, which is seen unrolled.
    """
    if not walls:
        return ()
    near = _near(material, frame, fibres)
    faced = set() if frame.kind == "mandrel" else _faced(walls)
    sheets = []
    for wall in walls:
        own = [f for f in fibres if f.wall == wall.id]
        radius = max(0.5 * f.diameter_um.value for f in own)
        spread = float(np.nanmax(wall.layer_offset_um) - np.nanmin(wall.layer_offset_um))
        sheet = _Gathered(material, frame, wall, own, radius, 2.5 * radius + spread)
        section = sheet.curved(near) if sheet.is_curved else sheet.straight(near)
        face, along = sheet.face(near) if wall.id in faced else (None, None)
        across, height = sheet.coordinates(section.shape)
        sheets.append(
            WallSheet(
                wall=wall.id,
                section=section.astype(np.float32),
                across_um=across,
                height_um=height,
                face=face,
                along_um=along,
            )
        )
    return tuple(sheets)


class _Gathered:
    """One wall's place in the scan, and the voxels gathered about it."""

    def __init__(
        self,
        material: MaterialMap,
        frame: BuildFrame,
        wall: Wall,
        own: list[Fibre],
        radius_um: float,
        reach_um: float,
    ) -> None:
        a = math.radians(wall.direction_deg)
        self.turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
        self.axes = np.vstack([self.turn @ np.stack([frame.x, frame.y]), frame.h])
        self.shift = self.axes @ frame.origin_um
        self.material, self.wall, self.radius_um = material, wall, radius_um
        self.spacing = np.array(material.spacing_um)
        self.bin_um = float(self.spacing.max())
        # A whole number of bins, so that the middle of the bins is the path.
        self.reach_um = self.bin_um * math.ceil(reach_um / self.bin_um)
        self.left_um = -self.reach_um
        self._off_um = (0.0, 0.0)
        self.low_um = float(np.nanmin(wall.layer_heights_um)) - 2.0 * radius_um
        self.high_um = float(np.nanmax(wall.layer_heights_um)) + 2.0 * radius_um
        tilt = wall.tilt_deg
        self.slope = 0.0 if tilt is None else math.tan(math.radians(tilt.value))
        self.path = self._at_half_height(wall.path_um @ self.turn.T, own)
        b = self.path.points_um[:, 1]
        self.is_curved = float(np.ptp(b)) > 2.0 * _STRAY_RADII * radius_um

    def coordinates(self, shape: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
        """Return places across and heights of the columns and rows of a section."""
        rows, columns = (np.arange(n) + 0.5 for n in shape)
        across = self.left_um + columns * self.bin_um + self._off_um[0]
        height = self.low_um + rows * self.bin_um + self._off_um[1]
        return np.asarray(across), np.asarray(height)

    def _mean(self, bins: NDArray[np.float64]) -> FloatArray:
        """Return the mean fraction in each bin, and note where in their bins the voxels lie.

        Where the voxels of a level scan line up with the bins they may all lie at the bins' edges.
        """
        count = bins[..., 0]
        seen = count > 0
        self._off_um = (0.0, 0.0)
        across, height = self.coordinates(bins.shape[:2])
        weight = count / max(count.sum(), 1.0)
        each = np.maximum(count, 1.0)
        off = np.where(seen, bins[..., 2] / each - across, 0.0)
        up = np.where(seen, bins[..., 3] / each - self.shift[2] - height[:, None], 0.0)
        self._off_um = (float((weight * off).sum()), float((weight * up).sum()))
        return _mean(bins)

    @property
    def half_um(self) -> float:
        """Half height, at which places across count from 0."""
        heights = self.wall.layer_heights_um
        return 0.5 * float(np.nanmin(heights) + np.nanmax(heights))

    def _at_half_height(self, path: FloatArray, own: list[Fibre]) -> WallPath:
        """Return the path moved to where the wall's rise is at half height."""
        order = np.argsort(path[:, 0])
        path = path[order]
        heights, offsets = [], []
        for fibre in own:
            a, b = (fibre.points_um[:, :2] @ self.turn.T).T
            along = np.argsort(a)
            inside = (path[:, 0] >= a.min()) & (path[:, 0] <= a.max())
            if len(path) == 2 or not inside.any():
                continue
            at = np.interp(path[inside, 0], a[along], b[along])
            heights.append(float(fibre.points_um[:, 2].mean()))
            offsets.append(float(np.mean(at - path[inside, 1])))
        if heights:
            rest = np.array(offsets) - self.slope * (np.array(heights) - self.half_um)
            path = path + np.array([0.0, float(rest.mean())])
        else:
            path = np.column_stack([path[:, 0], np.full(len(path), self.wall.position_um)])
        return WallPath(path)

    def straight(self, near: NDArray[np.uint8]) -> FloatArray:
        """Return the mean section of a straight wall (height, across)."""
        ends = self.path.points_um[:, 0]
        bins = wall_sections(
            self.material.fraction,
            near,
            _others(self.wall),
            self.spacing,
            self.axes,
            np.array([self.wall.position_um + self.shift[1]]),
            np.zeros(1),
            self.reach_um,
            np.array([self.low_um, self.high_um]) + self.shift[2],
            np.array([ends.min() + self.shift[0]]),
            np.array([float(np.ptp(ends))]),
            1,
            self.bin_um,
        )[0, 0]
        return self._mean(bins)

    def curved(self, near: NDArray[np.uint8]) -> FloatArray:
        """Return the mean section of a curved wall (height, across).

        A lean moves all of the path along the mean line's normal: voxels are gathered about the
        leaning path, where the wall stands upright, and the rows are then moved back by the lean.
        Gathered about an upright path, the wall's slanting parts would lean less than its others.
        """
        mean = self._mean(self._along_path(near, _others(self.wall), 1)[0])
        centres, heights = self.coordinates(mean.shape)
        out = np.empty_like(mean)
        for row, height in enumerate(heights):
            lean = self.slope * (height - self.half_um)
            out[row] = np.interp(centres - lean, centres, mean[row], left=0.0, right=0.0)
        return out

    def face(self, near: NDArray[np.uint8]) -> tuple[NDArray[np.float32], FloatArray]:
        """Return the wall from the side (height, along) within a radius of it, and its columns."""
        whole = self.path.length_um
        columns = max(1, min(_FACE_COLUMNS, int(whole / self.bin_um)))
        # No bit counts as another family's: crossings stay in the picture.
        bins = self._along_path(near, np.uint8(0), columns)
        across = self.left_um + (np.arange(bins.shape[2]) + 0.5) * self.bin_um
        core = bins[:, :, np.abs(across) <= max(0.5 * self.radius_um, 0.75 * self.bin_um)]
        held = core.sum(axis=2)
        mean = _mean(held)
        along = np.asarray((np.arange(columns) + 0.5) * whole / columns)
        for row, seen in zip(mean.T, held[..., 0].T > 0, strict=True):
            # A bin that no voxel's centre falls into shows what its neighbours along hold.
            if seen.any():
                row[~seen] = np.interp(along[~seen], along[seen], row[seen])
        return mean.T.astype(np.float32), along

    def _along_path(
        self, near: NDArray[np.uint8], others: np.uint8, segments: int
    ) -> NDArray[np.float64]:
        """Return bins (segments, height, across, channels) about the leaning path."""
        # Short pieces have small boxes: of a long slanting one nearly all voxels would be missed.
        path = self.path if self.is_curved else self.path.resampled(4.0 * self.reach_um)
        foot = np.array([0.0, -self.slope * (self.half_um + self.shift[2])])
        points = path.points_um + self.shift[:2] + foot
        return np.asarray(
            path_sections(
                self.material.fraction,
                near,
                others,
                self.spacing,
                self.axes,
                points,
                np.array([0, len(points)]),
                np.array([self.slope]),
                self.reach_um,
                np.array([self.low_um, self.high_um]) + self.shift[2],
                np.zeros(1),
                np.array([path.length_um / segments]),
                segments,
                self.bin_um,
            )[0]
        )


def _others(wall: Wall) -> np.uint8:
    return np.uint8(255 ^ (1 << (wall.family % 8)))


def _mean(bins: NDArray[np.float64]) -> FloatArray:
    count = bins[..., 0]
    return np.where(count > 0, bins[..., 1] / np.maximum(count, 1.0), 0.0)


def _faced(walls: tuple[Wall, ...]) -> set[int]:
    """Return the walls that are shown from the side."""
    chosen: set[int] = set()
    for family in sorted({w.family for w in walls}):
        own = [w for w in walls if w.family == family]
        middle = own[len(own) // 2]
        steep = sorted(own, key=lambda w: 0.0 if w.tilt_deg is None else -abs(w.tilt_deg.value))
        picked = [middle, *(w for w in steep if w is not middle)][:_FACES]
        chosen |= {w.id for w in picked}
    return chosen


def _near(material: MaterialMap, frame: BuildFrame, fibres: tuple[Fibre, ...]) -> NDArray[np.uint8]:
    """Return (z, y, x) uint8 with bit j set near fibres of family j."""
    near = np.zeros(material.fraction.shape, np.uint8)
    spacing = np.array(material.spacing_um)
    blur = material.blur_um.value if material.blur_um is not None else 0.0
    for fibre in fibres:
        mark_near_polyline(
            near,
            np.uint8(1 << (fibre.family % 8)),
            spacing,
            frame.to_scan(fibre.points_um),
            0.5 * fibre.diameter_um.value + blur,
        )
    return near
