"""The figure set for a paper: journal widths, 300 dpi PNG, SVG and PDF, and the data of each."""

from volscan.report.paper.figure_set import figure_set
from volscan.report.paper.layout import PaperFigure, Parts, Style, figure_files

__all__ = ["PaperFigure", "Parts", "Style", "figure_files", "figure_set"]
