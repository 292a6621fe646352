"""The report in a real browser: run by hand or by the checks of a clean checkout."""
