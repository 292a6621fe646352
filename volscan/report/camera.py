"""The parallel camera that every 3-D picture shares, and the frame around its picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from volscan.report.style import INK, Drawing, as_png, drawn_figure, scale_bar

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FloatArray = NDArray[np.float64]

WIDTH_PX = 1100
ELEVATION_DEG = 33.0
# Where the viewer may stand, best first; fibres nearer than CLEAR_DEG to the line of sight are
# seen end-on and hide their walls.
AZIMUTHS_DEG = (-62.0, -55.0, -68.0, -48.0, -74.0, -41.0, -34.0, -27.0)
CLEAR_DEG = 20.0


@dataclass(frozen=True)
class Camera:
    """A parallel camera: rows of `axes` point right, up and toward the viewer."""

    axes: FloatArray
    centre_um: FloatArray
    half_width_um: float
    half_height_um: float
    width_px: int
    height_px: int

    @property
    def um_per_px(self) -> float:
        """Length of a pixel in the picture plane."""
        return 2 * self.half_width_um / self.width_px


def aim(points_um: FloatArray, margin_um: float, *, directions_deg: Sequence[float] = ()) -> Camera:
    """Return a camera that sees all points [X, Y, H] from the front and above, with a margin.

    It stands where no lay-down direction of `directions_deg` lies along the line of sight.
    """
    azimuth, elevation = np.deg2rad([_clear_azimuth(directions_deg), ELEVATION_DEG])
    flat = np.cos(elevation)
    toward = np.array([flat * np.cos(azimuth), flat * np.sin(azimuth), np.sin(elevation)])
    right = np.array([-np.sin(azimuth), np.cos(azimuth), 0.0])
    axes = np.stack([right, np.cross(toward, right), toward])
    seen = points_um @ axes.T
    low, high = seen.min(axis=0) - margin_um, seen.max(axis=0) + margin_um
    half = 0.5 * (high - low) * 1.02
    height = int(np.clip(round(WIDTH_PX * half[1] / half[0]), 160, 1500))
    half_height = float(max(half[1], half[0] * height / WIDTH_PX))
    half_width = half_height * WIDTH_PX / height
    return Camera(axes, 0.5 * (low + high) @ axes, half_width, half_height, WIDTH_PX, height)


def _clear_azimuth(directions_deg: Sequence[float]) -> float:
    def clearance(azimuth: float) -> float:
        off = [abs((azimuth - d + 90) % 180 - 90) for d in directions_deg]
        return min([*off, CLEAR_DEG])

    return max(AZIMUTHS_DEG, key=clearance)


def framed(
    image: NDArray[np.uint8],
    camera: Camera,
    *,
    alt: str,
    caption: str,
    title: str,
    legend: list[tuple[str, str]],
    arrows: Sequence[tuple[FloatArray, FloatArray]] = (),
) -> Drawing:
    """Set scale bar, axes and legend (label, colour) around a picture, and arrows over it.

    An arrow goes from one point [X, Y, H] to another; nothing of the picture hides it.
    """
    width, height = 2 * camera.half_width_um, 2 * camera.half_height_um
    # Letters a little larger than elsewhere: this picture is drawn wider than a column.
    with drawn_figure(6.0 * height / width + 0.62, width_in=6.0) as figure:
        axes = figure.add_subplot()
        axes.imshow(image, extent=(0, width, 0, height), interpolation="antialiased")
        axes.axis("off")
        bar = scale_bar(axes, width, size=10.5)
        _triad(axes, camera, width)
        # All rims first, so that no arrow's rim hides another arrow.
        for colour, width in (("white", 3.4), (INK, 1.5)) if arrows else ():
            for foot, tip in arrows:
                _arrow(axes, camera, foot, tip, colour, width)
        if legend:
            handles = [
                Line2D([], [], color=c, linewidth=5, solid_capstyle="round", label=name)
                for name, c in legend
            ]
            figure.legend(
                handles=handles,
                loc="outside upper left",
                ncols=4,
                handlelength=1.0,
                borderaxespad=0.1,
                fontsize=10.5,
            )
        data = as_png(figure)
    alt = f"{alt}; scale bar {bar:g} µm in the picture plane."
    return Drawing(data, "image/png", alt, caption, title)


def _triad(axes: Axes, camera: Camera, width: float) -> None:
    """Draw the build axes as the camera sees them, under the picture's right end."""
    length = 0.055 * width
    foot = np.array([0.88 * width, -0.085 * width])
    for name, direction in zip("XYH", np.eye(3), strict=True):
        seen = camera.axes[:2] @ direction * length
        axes.annotate(
            "",
            xy=tuple(foot + seen),
            xytext=tuple(foot),
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-|>,head_width=0.15,head_length=0.3",
                "color": INK,
                "linewidth": 1.0,
                "shrinkA": 0,
                "shrinkB": 0,
            },
        )
        at = foot + 1.35 * seen
        axes.text(at[0], at[1], name, fontsize=10.5, ha="center", va="center", clip_on=False)


def _arrow(
    axes: Axes, camera: Camera, foot: FloatArray, tip: FloatArray, colour: str, width: float
) -> None:
    """Draw an arrow in space as the camera sees it."""
    ends = (np.stack([foot, tip]) - camera.centre_um) @ camera.axes[:2].T
    ends += [camera.half_width_um, camera.half_height_um]
    axes.annotate(
        "",
        xy=tuple(ends[1]),
        xytext=tuple(ends[0]),
        arrowprops={
            "arrowstyle": "-|>,head_width=0.22,head_length=0.45",
            "color": colour,
            "linewidth": width,
            "shrinkA": 0,
            "shrinkB": 0,
        },
    )


def turned(points_um: FloatArray, margin_um: float, azimuth_deg: float, width_px: int) -> Camera:
    """Return a camera at an azimuth whose scale is the same all the way around."""
    azimuth, elevation = np.deg2rad([azimuth_deg, ELEVATION_DEG])
    flat = np.cos(elevation)
    toward = np.array([flat * np.cos(azimuth), flat * np.sin(azimuth), np.sin(elevation)])
    right = np.array([-np.sin(azimuth), np.cos(azimuth), 0.0])
    axes = np.stack([right, np.cross(toward, right), toward])
    low, high = points_um.min(axis=0), points_um.max(axis=0)
    around = 0.5 * float(np.hypot(*(high - low)[:2])) + margin_um
    tall = around * np.sin(elevation) + (0.5 * float((high - low)[2]) + margin_um) * flat
    height_px = 2 * round(0.5 * width_px * float(tall) / around)
    half_height = around * height_px / width_px
    return Camera(axes, 0.5 * (low + high), 1.03 * around, 1.03 * half_height, width_px, height_px)
