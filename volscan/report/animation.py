"""Moving pictures for talks: the scaffold on a turntable, a probe in the pores."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.colors import to_rgb
from numpy.typing import NDArray
from PIL import Image

from volscan.report.camera import turned
from volscan.report.movie import probe_movies
from volscan.report.roll import rolled_up
from volscan.report.scene import projected, tube_scene
from volscan.report.style import family_colour

if TYPE_CHECKING:
    from volscan.results import Results

# A full turn in this many pictures of this width: smooth enough, and a few megabytes.
_FRAMES, _WIDTH_PX = 36, 480
_SECONDS = 6.0


def turntable(results: Results) -> bytes | None:
    """Return the fibres on a turntable as an animated GIF, or None without fibres.

    The scale is the same in every picture. Drawn without OpenGL.
    """
    lines, fibres = results.tables.get("centrelines"), results.tables.get("fibres")
    if lines is None or fibres is None or len(lines) == 0 or len(fibres) == 0:
        return None
    ids = sorted(set(fibres["family"].astype(int)))
    colours = {
        int(i): to_rgb(family_colour(ids.index(int(f)), len(ids)))
        for i, f in zip(fibres["id"], fibres["family"], strict=True)
    }
    rolled = rolled_up(lines, results.document["frame"])
    assert rolled is not None  # there are lines
    scene = tube_scene(rolled, colours)
    if scene is None:
        return None
    margin = float(scene.radii_um.max())
    frames = [
        projected(scene, turned(scene.points_um, margin, 360.0 * k / _FRAMES, _WIDTH_PX))
        for k in range(_FRAMES)
    ]
    return as_gif(frames, _SECONDS)


def as_gif(frames: list[NDArray[np.uint8]], seconds: float) -> bytes:
    """Return pictures (height, width, 3) as an animated GIF that begins anew when it is over."""
    # One set of colours for all, or the picture would flicker.
    palette = Image.fromarray(frames[0]).quantize(128)
    pictures = [
        Image.fromarray(f).quantize(palette=palette, dither=Image.Dither.NONE) for f in frames
    ]
    out = io.BytesIO()
    pictures[0].save(
        out,
        format="GIF",
        save_all=True,
        append_images=pictures[1:],
        duration=round(1000 * seconds / len(frames)),
        loop=0,
        optimize=False,
    )
    return out.getvalue()


def animations(results: Results) -> dict[str, bytes]:
    """Return every animation that the results can fill, by file name.

    The fibres on a turntable, and a probe that shrinks through the pores (as MP4 too, where its
    encoder is installed).
    """
    turning = turntable(results)
    made = {} if turning is None else {"turntable.gif": turning}
    return made | probe_movies(results)
