"""What is said of a scan's quality."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ive

from tests.prepare.test_ct import SPACING, pile, scan
from volscan.cli import main as cli
from volscan.health import _OWN_WIDTHS, _SEEN_WIDTHS, scan_health
from volscan.volume import Volume


def verdicts(volume: Volume) -> dict[str, str]:
    return {j.quantity: j.verdict for j in scan_health(volume).judgements}


def test_a_good_scan_can_be_measured_and_a_bad_one_with_care():
    assert set(verdicts(scan(pile(noise=0.05))).values()) == {"yes"}
    assert verdicts(scan(pile(noise=0.3)))["diameter"] == "with care"


def test_nothing_there_is_said_and_not_raised():
    noise = np.random.default_rng(0).normal(100, 5, (40, 40, 40)).astype(np.float32)
    assert "no solid" in str(scan_health(Volume(noise, SPACING, "given by the user")))
    thin = Volume(noise[:5], SPACING, "given by the user")
    assert "not looked at" in str(scan_health(thin))


def test_an_oct_scan_gets_no_ct_check():
    rng = np.random.default_rng(1)
    grey = rng.normal(50, 4, (40, 40, 40))
    grey[10:20] += 100 + rng.normal(0, 20, (10, 40, 40))
    health = scan_health(Volume(grey.astype(np.float32), SPACING, "given by the user", "oct"))
    assert health.judgements == ()
    assert health.material is None
    text = str(health)
    assert "speckle" in text
    assert "do not apply" in text
    # Two independent spreads of 4 and 20: 20.4; the lowest of the bright are cut off.
    spread = float(text.split("differ by ")[1].split(" ")[0])
    assert spread == pytest.approx(20.4, rel=0.1)


def test_info_writes_a_picture_and_keeps_what_is_there(tmp_path, capsys):
    np.save(tmp_path / "scan.npy", np.asarray(scan(pile(noise=0.1)).samples))
    command = ["info", str(tmp_path / "scan.npy"), "--voxel-um", "2"]
    assert cli.main([*command, "--picture", str(tmp_path / "health.png")]) == 0
    assert (tmp_path / "health.png").read_bytes()[:4] == b"\x89PNG"
    shown = capsys.readouterr().out
    for part in ("contrast:", "blur:", "found:", "wall tilt:"):
        assert part in shown
    assert cli.main([*command, "--picture", str(tmp_path / "health.png")]) == 2
    capsys.readouterr()
    assert cli.main([*command, "--quick"]) == 0
    assert "wall tilt" not in capsys.readouterr().out


@pytest.mark.parametrize(("seen", "own"), list(zip(_SEEN_WIDTHS, _OWN_WIDTHS, strict=True))[1:])
def test_a_blurred_disc_at_half_of_its_peak_is_as_wide_as_the_table_says(seen, own):
    # The convolution of a disc with a Gaussian, along its radius; I0 from scipy.special.
    sigma, radius = 1.0 / (2.0 * np.sqrt(2.0 * np.log(2.0))), 0.5 * own
    x = np.linspace(0.0, radius, 4001)

    def grey(r: float) -> float:
        kernel = x / sigma**2 * np.exp(-0.5 * ((r - x) / sigma) ** 2) * ive(0, r * x / sigma**2)
        return float(np.trapezoid(kernel, x))

    # The table is rounded to 0.001: its grey there is within the slope's share of that.
    at = grey(0.5 * seen) / grey(0.0)
    slope = (grey(0.5 * seen - 0.01) - grey(0.5 * seen + 0.01)) / 0.02 / grey(0.0)
    assert abs(at - 0.5) < 0.5 * 0.001 * slope + 1e-4
