"""How a scaffold lies in the scan, and the frame in which its truth is told.

The measured frame is that of the results file: h points away from the collector, x is the scan's
x axis laid into the base plane, y = h × x, and the origin is the foot of voxel (0, 0, 0) on the
base plane. Scan vectors here are (x, y, z) inside the mathematics and [z, y, x] when handed out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def mount_rotation(
    *, tilt_deg: float = 0.0, azimuth_deg: float = 0.0, in_plane_deg: float = 0.0
) -> FloatArray:
    """Return the rotation (3, 3) that takes build vectors (X, Y, H) to scan vectors (x, y, z).

    First a turn by `in_plane_deg` about H, then a tip that leans H by `tilt_deg` from the scan's
    z toward `azimuth_deg` (from x toward y).
    """
    a = math.radians(in_plane_deg)
    turn = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1.0]])
    t, p = math.radians(tilt_deg), math.radians(azimuth_deg)
    k = np.array([-math.sin(p), math.cos(p), 0.0])
    cross = np.array([[0, -k[2], k[1]], [k[2], 0, -k[0]], [-k[1], k[0], 0]])
    tip = np.eye(3) + math.sin(t) * cross + (1 - math.cos(t)) * cross @ cross
    return np.asarray(tip @ turn)


@dataclass(frozen=True)
class Mounting:
    """The rigid map from build coordinates to scan positions.

    Parameters
    ----------
    rotation
        Build vectors (X, Y, H) to scan vectors (x, y, z), array (3, 3).
    centre_build_um
        The point (X, Y, H) that is turned about.
    centre_scan_um
        Where it lies in the scan, (x, y, z).
    """

    rotation: FloatArray
    centre_build_um: FloatArray
    centre_scan_um: FloatArray

    @classmethod
    def none(cls) -> Mounting:
        """Return a level mounting whose measured frame is the build frame."""
        return cls(np.eye(3), np.zeros(3), np.zeros(3))

    def to_scan_xyz(self, build_um: FloatArray) -> FloatArray:
        """Turn build positions (..., 3) [X, Y, H] into scan positions (..., 3) (x, y, z)."""
        return np.asarray((build_um - self.centre_build_um) @ self.rotation.T + self.centre_scan_um)

    @property
    def h(self) -> FloatArray:
        """Unit vector away from the collector, (x, y, z)."""
        return self.rotation[:, 2]

    @property
    def x(self) -> FloatArray:
        """The scan's x axis laid into the base plane, (x, y, z)."""
        flat = np.array([1.0, 0.0, 0.0]) - self.h[0] * self.h
        return np.asarray(flat / np.linalg.norm(flat))

    @property
    def y(self) -> FloatArray:
        """h × x."""
        return np.cross(self.h, self.x)

    @property
    def origin_um(self) -> FloatArray:
        """Foot of voxel (0, 0, 0) on the base plane (build height 0), (x, y, z)."""
        on_base = self.to_scan_xyz(np.array([0.0, 0.0, 0.0]))
        return np.asarray((on_base @ self.h) * self.h)

    @property
    def tilt_deg(self) -> float:
        """Angle between h and the scan's z axis."""
        return math.degrees(math.acos(min(1.0, abs(float(self.h[2])))))

    def to_measured(self, build_um: FloatArray) -> FloatArray:
        """Turn build positions (..., 3) into positions (..., 3) in the measured frame."""
        axes = np.stack([self.x, self.y, self.h])
        return np.asarray((self.to_scan_xyz(build_um) - self.origin_um) @ axes.T)
