"""A study of phantom scans from end to end, against what was put in."""
