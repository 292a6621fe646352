"""Porosity inside the envelope by three estimators that fail differently."""

from volscan.porosity.drawn import PORES_FROM_FIBRES, fibre_solid
from volscan.porosity.level import matched_level
from volscan.porosity.measure import measure_porosity
from volscan.porosity.result import Porosity

__all__ = [
    "PORES_FROM_FIBRES",
    "Porosity",
    "fibre_solid",
    "matched_level",
    "measure_porosity",
]
