"""What the pore stage hands on."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from volscan.pores.domain import PoreDomain
from volscan.pores.maps import PoreMaps
from volscan.pores.network import PoreNetwork
from volscan.pores.openings import Openings
from volscan.pores.reach import Curve
from volscan.pores.structure import Structure
from volscan.pores.transport import Transport
from volscan.quantity import Notice, Quantity


@dataclass(frozen=True)
class PoreSpace:
    """Inscribed-sphere sizes, throats and reach of the pore space inside the envelope.

    `size_histogram` holds (upper edge of the diameter bin in µm, share of pore volume) rows.
    A throat of None means that no sphere crosses, or that it could not be measured (a notice
    says which). `throat_paths_um` holds
    for each axis a shortest way of the largest sphere that crosses, as `Crossings` does.
    """

    domain: PoreDomain | None
    inscribed_mean_um: Quantity | None
    inscribed_d10_um: Quantity | None
    inscribed_d50_um: Quantity | None
    inscribed_d90_um: Quantity | None
    throat_x_um: Quantity | None
    throat_y_um: Quantity | None
    throat_h_um: Quantity | None
    accessible_by_probe: tuple[tuple[float, float], ...]
    size_histogram: NDArray[np.float64]
    accessible_share: float | None
    notices: tuple[Notice, ...] = ()
    structure: Structure | None = None
    network: PoreNetwork | None = None
    openings: Openings | None = None
    accessible_from: dict[str, Curve] = field(default_factory=dict)
    maps: PoreMaps | None = None
    regions: dict[str, PoreSpace] = field(default_factory=dict)
    throat_paths_um: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    transport: Transport | None = None
