"""The print's numeric-control file: read, matched to the measured walls, and shifted."""

from volscan.toolpath.correct import Asked, Correction, correct

__all__ = ["Asked", "Correction", "correct"]
