"""Inscribed spheres, throats and reach of the pore space."""

from volscan.pores.measure import measure_pores
from volscan.pores.space import PoreDomain, PoreSpace

__all__ = ["PoreDomain", "PoreSpace", "measure_pores"]
