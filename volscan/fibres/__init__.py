"""Fibres: directions, walls as columns of fibres, centres and diameters, layers."""

from volscan.fibres.field import FibreField
from volscan.fibres.find import FibreStage, find_fibres

__all__ = ["FibreField", "FibreStage", "find_fibres"]
