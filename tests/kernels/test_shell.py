from __future__ import annotations

import numpy as np

from tests.frame.test_mandrel import frame, grid, material, shell
from volscan.envelope.shell import make_shell
from volscan.fibres.field import FibreField
from volscan.frame.mandrel import find_tube
from volscan.kernels.shell import beyond_shell


def test_the_compiled_shell_is_the_frames_own():
    for bend in ((0.0, 0.0), (7e-4, -5e-4)):
        tube = frame(bend_per_um=bend)
        built = tube.to_build(grid(60, 102, 106))
        top = -2 * tube.base_um
        plain = np.maximum(-built[..., 2], built[..., 2] - top)
        plain[(built[..., 0] < 10) | (built[..., 0] > 60)] = np.inf
        fast = beyond_shell(
            (60, 102, 106), (1.0, 1.0, 1.0), point_um=tube.point_um, basis=tube.basis,
            slope=tube.slope_per_um, angle=tube.bend_angle,
            radii_um=(19.5, 19.5 + top, 24 * tube.oval[0], 24 * tube.oval[1]),
            along_um=(tube.start_um + 10, tube.start_um + 60),
        )  # fmt: skip
        known = np.isfinite(plain)
        assert (known == np.isfinite(fast)).all()
        # float32 of lengths up to 100: 1e-5.
        assert np.abs(plain[known] - fast[known]).max() < 1e-4


def test_the_envelope_of_a_plain_shell_has_its_volume():
    true = frame()
    fit = find_tube(material(shell(true)))
    assert fit is not None
    envelope, told = make_shell(material(shell(true)), fit.frame, FibreField())
    assert [n.code for n in told] == ["outline_of_solid"]
    length = float(np.ptp(envelope.outline_um[:, 0]))
    # A shell of thickness t about radius R holds 2πR t L, whatever its ends; ovality e adds e²/8.
    expected = fit.frame.turn_um * length * (envelope.top_um - envelope.base_um)
    assert envelope.volume_um3 == np.float64(envelope.inside.sum())
    assert abs(envelope.volume_um3 / expected - 1) < 0.005
