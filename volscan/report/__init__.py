"""The report of a finished measurement: HTML, PDF, figures and tables for a paper, 3-D pictures."""

from volscan.report.build import write_reports
from volscan.report.page import write_report

__all__ = ["write_report", "write_reports"]
