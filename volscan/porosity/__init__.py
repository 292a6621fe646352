"""Porosity inside the envelope by three estimators that fail differently."""

from volscan.porosity.level import matched_level
from volscan.porosity.measure import measure_porosity
from volscan.porosity.result import Porosity

__all__ = ["Porosity", "matched_level", "measure_porosity"]
