"""First sight of walls in a scan whose axes are the family's own."""

from __future__ import annotations

import numpy as np
import pytest
from log_pile import material_of

from volscan.fibres.columns import family_axes, find_walls


@pytest.mark.parametrize("thickness", [9.5, 10.0, 10.25, 11.0])
def test_no_height_is_lost_where_voxels_and_bins_agree(thickness):
    """Voxel centres on the edges of bins would leave some bins empty and others doubly filled."""
    z, x = np.mgrid[:80, :120]
    share = np.zeros((80, 40, 120))
    for centre in (30, 60, 90):
        wall = (np.abs(x - centre) <= 5) & (z >= 20) & (z < 60)
        share[:, :, :] = np.maximum(share, wall[:, None, :])
    material = material_of(share, 1.4286)
    points = np.argwhere(share > 0.5) * 1.4286
    axes = family_axes(np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0]))
    found = find_walls(material, axes, points=points, thickness_um=thickness * 1.4286)
    assert found is not None
    inside = (found.height_um > 22 * 1.4286) & (found.height_um < 57 * 1.4286)
    # A solid wall is equally wide at every height: any lost row would be zero there.
    assert np.ptp(found.profile[inside]) < 1e-6 * found.profile.max()
