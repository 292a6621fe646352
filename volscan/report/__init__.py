"""The report: figures, a 3-D picture and one self-contained page of a finished measurement."""

from volscan.report.page import write_report

__all__ = ["write_report"]
