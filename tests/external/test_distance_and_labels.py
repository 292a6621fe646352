"""Distance transforms and labels against general-purpose libraries.

Sources: scipy.ndimage.distance_transform_edt and label; SimpleITK SignedMaurerDistanceMap (Maurer,
Qi and Raghavan 2003, IEEE TPAMI 25, 265) and ConnectedComponent; the edt package.
"""

import cc3d
import edt
import numpy as np
import pytest
from scipy import ndimage

from volscan.kernels.distance import nearest_site

sitk = pytest.importorskip("SimpleITK", reason="SimpleITK is a dependency of volscan")


def _solid(seed, share):
    rng = np.random.default_rng(seed)
    return ndimage.gaussian_filter(rng.random((31, 45, 38)), 1.5) > np.float64(share)


@pytest.mark.parametrize("spacing", [(1.0, 1.0, 1.0), (2.5, 1.0, 0.8)])
def test_distance_transform_against_three_libraries(spacing):
    solid = _solid(1, 0.56)
    squared, _ = nearest_site(np.flatnonzero(solid), shape=solid.shape, spacing_um=spacing)
    own = np.sqrt(squared)
    scipy_map = ndimage.distance_transform_edt(~solid, sampling=spacing)
    edt_map = edt.edt(~solid, anisotropy=spacing, black_border=False)
    image = sitk.GetImageFromArray(solid.astype(np.uint8))
    image.SetSpacing(spacing[::-1])
    itk_map = sitk.GetArrayFromImage(
        sitk.SignedMaurerDistanceMap(image, squaredDistance=False, useImageSpacing=True)
    )
    # float32 against float64: relative rounding 6e-8, distances up to about 15.
    np.testing.assert_allclose(own, scipy_map, atol=1e-5)
    np.testing.assert_allclose(own, edt_map, atol=1e-5)
    # That filter measures to the border voxels of the object, the same voxels from outside.
    np.testing.assert_allclose(own[~solid], itk_map[~solid], atol=1e-5)


def _same_partition(a, b):
    assert ((a > 0) == (b > 0)).all()
    pairs = np.unique(np.stack([a[a > 0], b[a > 0]]), axis=1)
    return pairs.shape[1] == np.unique(a[a > 0]).size == np.unique(b[a > 0]).size


@pytest.mark.parametrize("connectivity", [6, 26])
def test_labels_against_two_libraries(connectivity):
    solid = _solid(2, 0.55)
    own = cc3d.connected_components(solid, connectivity=connectivity)
    order = 1 if connectivity == 6 else 3
    scipy_labels, count = ndimage.label(solid, ndimage.generate_binary_structure(3, order))
    image = sitk.GetImageFromArray(solid.astype(np.uint8))
    itk_labels = sitk.GetArrayFromImage(sitk.ConnectedComponent(image, connectivity == 26))
    assert count > 5
    assert _same_partition(own, scipy_labels)
    assert _same_partition(own, itk_labels)
