"""Fibres thinner than 1.5 point spreads have a diameter whose u shows it."""

from __future__ import annotations

import pytest

from volscan.fibres.field import FibreField
from volscan.fibres.thin import with_thin_doubt
from volscan.quantity import Quantity


@pytest.mark.parametrize(("fwhm", "doubted"), [(10.0, False), (13.0, False), (14.0, True)])
def test_the_uncertainty_widens_below_one_and_a_half_point_spreads(fwhm, doubted):
    field = FibreField(diameter_um=Quantity(20.0, 0.1, "µm", 40))
    found = with_thin_doubt(field, fwhm_um=fwhm)
    # 20 µm is 1.43 times 14 µm and 1.54 times 13 µm.
    assert (found.diameter_um.u > 4.0) is doubted
    assert found.diameter_um.value == 20.0
    assert any(n.code == "diameter_degenerate" for n in found.notices) is doubted
