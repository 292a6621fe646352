"""Size, reach, bodies, transport and surface of the pore space."""

from volscan.pores.by_region import with_regions
from volscan.pores.domain import PoreDomain
from volscan.pores.measure import measure_pores
from volscan.pores.space import PoreSpace
from volscan.pores.transport import TransportChoice

__all__ = ["PoreDomain", "PoreSpace", "TransportChoice", "measure_pores", "with_regions"]
