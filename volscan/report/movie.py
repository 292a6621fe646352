"""A short animation: a probe shrinks from the largest sphere to the smallest, its reach grows."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from volscan.report.pore_pictures import (
    Sections,
    draw_curve,
    draw_reach,
    drawable,
    share_reached,
)
from volscan.report.style import drawn_figure, panel_height

if TYPE_CHECKING:
    from volscan.results import Results

Json = Mapping[str, Any]
Frame = NDArray[np.uint8]

FRAMES = 40
MILLISECONDS = 110
# The last picture stays this many times as long.
HOLD = 14
DPI = 110
WIDTH_IN = 6.2


def probe_frames(members: Mapping[str, NDArray[Any]], pores: Json) -> list[Frame]:
    """Draw the frames, largest probe first.

    Parameters
    ----------
    members
        Members of ``arrays/pores.npz``.
    pores
        The part "pores" of the results.

    Returns
    -------
    list
        Pictures (rows, columns, 3), all of one even size; empty where there is nothing to draw.
    """
    if not drawable(members):
        return []
    cut = Sections(members)
    top = float(cut.probe.max())
    pore = cut.diameter > 0
    if top <= 0:
        return []
    small = max(float(cut.probe[pore & (cut.probe > 0)].min()), 0.01 * top)
    plan, upright = cut.shapes()
    left = 0.62 * WIDTH_IN
    heights = [panel_height(*plan, left), panel_height(*upright, left)]
    frames = []
    for probe in np.linspace(top, small, FRAMES):
        with drawn_figure(max(sum(heights), 2.6) + 0.5, width_in=WIDTH_IN) as figure:
            grid = figure.add_gridspec(2, 2, width_ratios=(1.65, 1), height_ratios=heights)
            for k, up in enumerate("yh"):
                axes = figure.add_subplot(grid[k, 0])
                draw_reach(axes, cut.cuts(cut.diameter)[k], cut.cuts(cut.probe)[k], probe, cut, up)
            share = share_reached(pores, probe)
            told = "" if share is None else f": {100 * share:.0f} % of the pores reached"
            figure.suptitle(f"Probe of {probe:5.1f} µm{told}", x=0.02, ha="left", fontsize=10)
            draw_curve(figure.add_subplot(grid[0, 1]), pores, float(probe))
            frames.append(_pixels(figure))
    return frames


def _pixels(figure: Figure) -> Frame:
    figure.set_dpi(DPI)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # type: ignore[no-untyped-call]
    shown = canvas.buffer_rgba()  # type: ignore[no-untyped-call]
    image = np.asarray(shown, dtype=np.uint8)[..., :3]
    height, width = image.shape[:2]
    # Video wants even sides.
    return np.ascontiguousarray(image[: height // 2 * 2, : width // 2 * 2])


def as_gif(frames: Sequence[Frame]) -> bytes:
    """Return the frames as an endless GIF, the last one held."""
    from PIL import Image

    pictures = [Image.fromarray(f).quantize(64, dither=Image.Dither.NONE) for f in frames]
    out = io.BytesIO()
    pictures[0].save(
        out,
        format="GIF",
        save_all=True,
        append_images=pictures[1:],
        duration=[MILLISECONDS] * (len(frames) - 1) + [HOLD * MILLISECONDS],
        loop=0,
    )
    return out.getvalue()


def as_mp4(frames: Sequence[Frame]) -> bytes | None:
    """Return the frames as H.264 video; None where the encoder is not installed.

    The encoder comes with the package imageio-ffmpeg: ``pip install "volscan[movie]"``.
    """
    try:
        import imageio_ffmpeg
    except ImportError:
        return None
    import tempfile
    from pathlib import Path

    height, width = frames[0].shape[:2]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "probe.mp4"
        writer = imageio_ffmpeg.write_frames(
            str(path),
            (width, height),
            fps=1000 / MILLISECONDS,
            codec="libx264",
            macro_block_size=2,
            ffmpeg_log_level="error",
        )
        writer.send(None)
        for frame in [*frames, *([frames[-1]] * HOLD)]:
            writer.send(frame)
        writer.close()
        return path.read_bytes()


def probe_movies(results: Results) -> dict[str, bytes]:
    """Return the animation's files by name: a GIF, and an MP4 where its encoder is installed.

    Parameters
    ----------
    results
        A finished measurement; the scan is not needed.

    Returns
    -------
    dict
        Empty where the results hold no map of the pores.

    Examples
    --------
    >>> files = probe_movies(results)  # doctest: +SKIP
    >>> sorted(files)  # doctest: +SKIP
    ['probe.gif', 'probe.mp4']
    """
    frames = probe_frames(results.arrays.get("pores", {}), results.to_dict()["pores"])
    if not frames:
        return {}
    video = as_mp4(frames)
    return {"probe.gif": as_gif(frames), **({} if video is None else {"probe.mp4": video})}
