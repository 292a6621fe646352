"""How figures look: one palette, one typography, and drawings that are the same bytes each time.

The six colours step evenly in lightness (CIELAB L* of 24, 36, 48, 60, 72, 83), so they stay apart
in grey print, and their hues were chosen so that every pair also stays at least 25 CIELAB units
apart under simulated protanopia, deuteranopia and tritanopia. The continuous scales run through
the same hues with lightness rising all the way; the diverging one too, so a grey copy still tells
left from right.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.transforms import ScaledTranslation, Transform
from numpy.typing import NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PALETTE = {
    "plum": "#4f256e",
    "garnet": "#a41c33",
    "cobalt": "#3370cf",
    "copper": "#ce7d2e",
    "lagoon": "#04c4c4",
    "sand": "#d2d296",
}
INK = "#1d2229"
SOFT_INK = "#5b6470"
RULE = "#c9ced6"
# Which palette entries stand for 1, 2, ... families: spread over the lightness range.
_SPREAD = {1: (2,), 2: (0, 3), 3: (0, 2, 4), 4: (0, 2, 3, 5), 5: (0, 1, 2, 3, 4)}

LAYERS = LinearSegmentedColormap.from_list(
    "layers", ["#2b1348", "#3b3f9c", "#2f76c4", "#1fa5b8", "#6fcaa0", "#d9de9b"]
)
LEAN = LinearSegmentedColormap.from_list(
    "lean", ["#002e6c", "#0d4c98", "#556d9b", "#898989", "#c09d73", "#efb761", "#ffd889"]
)

# Polymer fraction, from air (white) to solid.
SOLID = LinearSegmentedColormap.from_list("solid", ["#ffffff", "#b9b4cd", "#4f256e"])

# A figure is one column of the page wide (inches; 442 CSS pixels), so that 9 pt text is still
# readable when a phone scales the column to about three quarters.
WIDTH_IN = 4.6
PNG_DPI = 220

RC: Any = {  # matplotlib types its keys one by one, and differently in each release
    "font.family": "DejaVu Sans",  # ships with matplotlib: no font of the machine is used
    "font.size": 9.0,
    "axes.labelsize": 9.0,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelcolor": INK,
    "axes.edgecolor": SOFT_INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.formatter.useoffset": False,  # numbers as they are, not beside an offset
    "text.color": INK,
    "xtick.color": SOFT_INK,
    "ytick.color": SOFT_INK,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "legend.fontsize": 8.5,
    "legend.frameon": False,
    "lines.linewidth": 1.6,
    "lines.solid_capstyle": "round",
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.fonttype": "path",  # text as outlines: the same everywhere
    "svg.hashsalt": "volscan-report",
    "path.simplify": True,
}


@dataclass(frozen=True)
class Drawing:
    """A finished figure: its bytes, and the words that go with it."""

    data: bytes
    media: str
    alt: str
    caption: str
    title: str = ""

    @property
    def uri(self) -> str:
        """The figure as a data address, to stand inside the page."""
        return f"data:{self.media};base64,{base64.b64encode(self.data).decode('ascii')}"

    @property
    def suffix(self) -> str:
        """File name ending that fits the bytes."""
        return ".svg" if self.media == "image/svg+xml" else ".png"


def family_colour(index: int, count: int) -> str:
    """Return the colour of one of `count` families, as far apart in lightness as they can be."""
    colours = list(PALETTE.values())
    order = _SPREAD.get(count, tuple(range(len(colours))))
    return colours[order[index % len(order)]]


@contextmanager
def drawn_figure(height_in: float, *, width_in: float = WIDTH_IN) -> Iterator[Figure]:
    """Open a figure in the report's style; nothing global is touched and no window can open."""
    with mpl.rc_context(RC):
        figure = Figure(figsize=(width_in, height_in), layout="constrained")
        FigureCanvasAgg(figure)
        yield figure


def as_svg(figure: Figure) -> bytes:
    """Return the figure as SVG, the same bytes for the same content."""
    out = io.BytesIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()


def as_png(figure: Figure, *, dpi: int = PNG_DPI) -> bytes:
    """Return the figure as PNG without its margins, the same bytes for the same content."""
    out = io.BytesIO()
    figure.savefig(
        out,
        format="png",
        dpi=dpi,
        metadata={"Software": None},
        bbox_inches="tight",
        pad_inches=0.03,
    )
    return out.getvalue()


def quiet_grid(axes: Axes, which: str = "both") -> None:
    """Draw hair lines behind the data."""
    axes.grid(visible=True, axis=which, color=RULE, linewidth=0.5)  # type: ignore[arg-type]


def round_length(limit: float) -> float:
    """Return the largest 1, 2 or 5 times a power of ten that does not pass `limit`.

    >>> round_length(730.0)
    500.0
    """
    if not limit > 0:
        return 1.0
    power = 10.0
    while power > limit:
        power /= 10.0
    while power * 10 <= limit:
        power *= 10.0
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= limit)


def scale_bar(axes: Axes, width_um: float, *, left_um: float = 0.0, size: float = 8.5) -> float:
    """Draw a labelled bar under a picture in µm and return its length.

    The bar stands below the picture, where it hides nothing and needs no contrast with it.
    """
    length = round_length(width_um * 0.34)
    below = under(axes)
    axes.plot(
        [left_um, left_um + length],
        [0, 0],
        transform=below,
        color=INK,
        linewidth=2.4,
        solid_capstyle="butt",
        clip_on=False,
    )
    axes.text(
        left_um + length + 0.025 * width_um,
        0,
        f"{length:g} µm",
        transform=below,
        ha="left",
        va="center",
        fontsize=size,
        clip_on=False,
    )
    return length


def under(axes: Axes, drop_pt: float = 9.0) -> Transform:
    """Return the transform of a line some points under the picture: x in µm, y its own height."""
    figure = axes.get_figure(root=True)
    assert figure is not None  # axes here always stand in a figure
    drop = ScaledTranslation(0, -drop_pt / 72, figure.dpi_scale_trans)
    return axes.get_xaxis_transform() + drop


def step_of(coordinates: NDArray[Any]) -> float:
    """Return the step of evenly spaced coordinates."""
    return float(coordinates[1] - coordinates[0]) if len(coordinates) > 1 else 1.0


def panel_height(width: float, height: float, width_in: float, most: float = 6.0) -> float:
    """Return the height in inches that a picture of this shape needs, with its scale bar."""
    return float(np.clip(width_in * height / width, 0.25, most)) + 0.3


def axes_hint(axes: Axes, text: str, right_um: float) -> None:
    """Say under the picture's right end which way its axes run."""
    axes.text(
        right_um,
        0,
        text,
        ha="right",
        va="center",
        transform=under(axes),
        fontsize=8.5,
        color=SOFT_INK,
    )


def bare(axes: Axes) -> None:
    """Take away ticks and frame."""
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(False)
