"""Tests on large real scans are collected only where VOLSCAN_REAL_DATA names their folder."""

import os

collect_ignore = [] if os.environ.get("VOLSCAN_REAL_DATA") else ["test_real_scans.py"]
