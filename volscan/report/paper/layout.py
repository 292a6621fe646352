"""Widths, typography and files of the figures for a paper."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import matplotlib as mpl
import pandas as pd
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.transforms import ScaledTranslation
from numpy.typing import NDArray

from volscan.report.style import RC, Drawing, round_length, under

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Style = Literal["single", "double"]
Json = Mapping[str, Any]

# One and two columns of a journal page. Publishers differ by a few millimetres (85 to 90 and 174 to
# 190); these fit all of them. Common practice, no single published source.
WIDTH_MM: dict[str, float] = {"single": 85.0, "double": 174.0}
# What publishers ask of pictures that hold both halftone and lines starts at 300 dpi.
DPI = 300
MM_PER_INCH = 25.4
# Type of 6 to 8 points stays readable in print; nothing is set smaller than 6.
_SIZE, _SMALL = 7.5, 6.5

_PAPER_RC: Any = {
    **RC,
    "font.size": _SIZE,
    "axes.labelsize": _SIZE,
    "axes.titlesize": _SIZE,
    "axes.titleweight": "normal",
    "xtick.labelsize": _SMALL,
    "ytick.labelsize": _SMALL,
    "legend.fontsize": _SMALL,
    "axes.linewidth": 0.6,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "lines.linewidth": 1.2,
    "svg.hashsalt": "volscan-figure",
    "pdf.fonttype": 42,  # TrueType, embedded: text stays text and every printer has the font
    "pdf.compression": 9,
}
SMALL = _SMALL

KINDS = ("svg", "pdf", "png")
# No dates and no versions: the same results give the same bytes.
_NO_DATES: dict[str, dict[str, Any]] = {
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "ModDate": None, "Creator": None, "Producer": None},
    "png": {"Software": None},
}
# Embedding fonts takes most of the time that a PDF figure takes: only what is asked for is written.
_kinds: ContextVar[tuple[str, ...]] = ContextVar("kinds", default=KINDS)


@contextmanager
def written_as(kinds: tuple[str, ...]) -> Iterator[None]:
    """Let figures finished inside be written as these kinds only."""
    token = _kinds.set(kinds)
    try:
        yield
    finally:
        _kinds.reset(token)


@dataclass(frozen=True)
class Parts:
    """What figures are drawn from: the contents of a results folder."""

    doc: Json
    tables: Mapping[str, pd.DataFrame]
    arrays: Mapping[str, Mapping[str, NDArray[Any]]]


@dataclass(frozen=True)
class PaperFigure:
    """A finished figure.

    Parameters
    ----------
    name
        File name without ending.
    title, caption, alt
        Heading, caption for print, and a text for readers who do not see it.
    pictures
        The figure's bytes by kind: "svg", "pdf", "png", as far as they were asked for.
    data
        The numbers behind it, by the ending of their file name ("" for the only table).
    """

    name: str
    title: str
    caption: str
    alt: str
    pictures: Mapping[str, bytes]
    data: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    def drawing(self) -> Drawing:
        """Return the figure as an HTML page shows it."""
        return Drawing(self.pictures["svg"], "image/svg+xml", self.alt, self.caption, self.title)


def figure_files(figure: PaperFigure) -> dict[str, bytes]:
    """Return the files of a figure by name: its pictures and its data."""
    files = {f"{figure.name}.{kind}": data for kind, data in figure.pictures.items()}
    for ending, table in figure.data.items():
        name = f"{figure.name}_{ending}.csv" if ending else f"{figure.name}.csv"
        text = table.to_csv(index=False, lineterminator="\n", float_format="%.8g")
        files[name] = text.encode("utf-8")
    return files


@contextmanager
def page(style: Style, height_mm: float) -> Iterator[Figure]:
    """Open a figure of a journal width; nothing global is touched and no window can open."""
    with mpl.rc_context(_PAPER_RC):
        size = (WIDTH_MM[style] / MM_PER_INCH, height_mm / MM_PER_INCH)
        figure = Figure(figsize=size, layout="constrained")
        figure.set_layout_engine("constrained", w_pad=0.03, h_pad=0.03)
        FigureCanvasAgg(figure)
        yield figure


def finished(
    figure: Figure,
    name: str,
    title: str,
    caption: str,
    alt: str,
    data: Mapping[str, pd.DataFrame],
) -> PaperFigure:
    """Write the figure's files; call it inside the `page` block, whose settings it needs."""
    # Once laid out, a figure is laid out for all its files.
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    made = {}
    for kind in _kinds.get():
        out = io.BytesIO()
        extra: dict[str, Any] = {"dpi": DPI}
        figure.savefig(out, format=kind, metadata=_NO_DATES[kind], **extra)
        made[kind] = out.getvalue()
    return PaperFigure(name, title, caption, alt, made, dict(data))


def letter(axes: Axes, name: str) -> None:
    """Set a panel's letter at its upper left, outside the data."""
    figure = axes.get_figure(root=True)
    assert figure is not None  # axes here always stand in a figure
    place = axes.transAxes + ScaledTranslation(-14 / 72, 3 / 72, figure.dpi_scale_trans)
    axes.text(
        0, 1, name, transform=place, fontsize=9, fontweight="bold", ha="left", va="bottom",
        clip_on=False,
    )  # fmt: skip


def letter_inside(axes: Axes, name: str) -> None:
    """Set the letter of a picture over its upper left corner."""
    axes.text(
        0, 1.02, name, transform=axes.transAxes, fontsize=9, fontweight="bold", ha="left",
        va="bottom", clip_on=False,
    )  # fmt: skip


# How far under a small picture its bar and notes stand, points.
_UNDER_PT = 5.5


def bar_under(axes: Axes, width_um: float, *, left_um: float = 0.0, share: float = 0.3) -> float:
    """Draw a labelled scale bar under a picture in µm and return its length."""
    length = round_length(width_um * share)
    below = under(axes, _UNDER_PT)
    axes.plot(
        [left_um, left_um + length], [0, 0], transform=below, color="black", linewidth=1.8,
        solid_capstyle="butt", clip_on=False,
    )  # fmt: skip
    axes.text(
        left_um + length + 0.02 * width_um, 0, f"{length:g} µm", transform=below, ha="left",
        va="center", fontsize=SMALL, clip_on=False,
    )  # fmt: skip
    return length


def note_under(axes: Axes, text: str, right_um: float) -> None:
    """Write under the picture's right end."""
    axes.text(
        right_um, 0, text, transform=under(axes, _UNDER_PT), ha="right", va="center",
        fontsize=SMALL, clip_on=False,
    )  # fmt: skip
