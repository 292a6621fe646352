"""The list of hard phantoms: that it spans what it is meant to."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.validation.hard.phantoms import cases, noise_levels
from volscan.phantom.form import Wave
from volscan.phantom.scaffold import ScaffoldSpec, build_scaffold
from volscan.phantom.scanner import mount
from volscan.phantom.spec import scanner_from_dict, specs_from_dict
from volscan.phantom.tube import TubeSpec
from volscan.phantom.tube_scan import mount_tube, tube_spec
from volscan.phantom.tube_wind import build_tube

FIRST = noise_levels()[0]
CASES = {c.name: c for c in cases(noises=[FIRST])}
SCAFFOLDS: dict[str, ScaffoldSpec] = {
    n: specs_from_dict(c.values)[0] for n, c in CASES.items() if "scaffold" in c.values
}
TUBES: dict[str, TubeSpec] = {
    n: tube_spec(**c.values["tube"]) for n, c in CASES.items() if "tube" in c.values
}
SCANNERS = {n: scanner_from_dict(c.values) for n, c in CASES.items()}


def waves() -> list[tuple[str, Wave, float]]:
    return [(s.morphology, w, s.diameter_um) for s in SCAFFOLDS.values() for w in s.form.waves if w]


def test_every_phantom_stands_at_three_noise_levels():
    assert len(CASES) >= 40
    assert len(cases()) == 3 * len(CASES)
    levels = [(c.values["scanner"]["contrast_to_noise"],
               c.values["scanner"]["noise_correlation_voxels"])
              for c in cases(["straight-pile"])]  # fmt: skip
    assert levels == [(12, 0), (7, 0), (4, 2)]
    seeds = [c.values["scanner"]["seed"] for c in cases()]
    assert len(set(seeds)) == len(seeds)
    with pytest.raises(ValueError, match="no-such"):
        cases(["no-such"])


def test_all_patterns_are_there():
    assert {c.pattern for c in CASES.values()} == {
        "straight", "wave", "sag", "suspended", "diameter", "defects", "two pitches", "membrane",
        "spikes", "bridged", "cells", "bent walls", "twisted walls", "rise bend", "collector",
        "mount", "released", "tube", "thin", "degenerate",
    }  # fmt: skip
    assert {s.directions_deg for s in SCAFFOLDS.values()} == {(0.0, 90.0), (0.0, 60.0, 120.0), (0,)}
    forms = [s.form for s in SCAFFOLDS.values()]
    for name in ("sag_um", "diameter_trend", "swell", "missing", "broken", "doubled", "bridges",
                 "spikes", "membrane", "release", "bend_radius_um", "twist_deg_per_mm",
                 "rise_bow_um"):  # fmt: skip
        assert any(getattr(f, name) for f in forms), name
    assert any(f.layer_factor != 1 for f in forms)
    assert {SCANNERS[n].mount_tilt_deg for n in CASES if n.startswith("mount")} == {8, 12, 15}
    assert any(s.collector_um for s in SCANNERS.values())


def test_waves_reach_their_corners():
    assert {(m, w.shape) for m, w, _ in waves()} >= {
        ("interleaved", "sine"), ("fused", "sine"), ("interleaved", "zigzag"), ("fused", "zigzag"),
    }  # fmt: skip
    plain = [(w, d) for _, w, d in waves() if not w.mirrored]
    heights = [w.amplitude_um / d for w, d in plain]
    lengths = [w.wavelength_um / d for w, d in plain]
    assert (min(heights), max(heights)) == (0.5, 3.5)
    assert (min(lengths), max(lengths)) == (8, 17)
    assert any(w.phase_jitter_deg for _, w, _ in waves())


def test_tubes_of_all_kinds():
    angles = {t.winding_angles_deg for t in TUBES.values()}
    assert {(45.0, -45.0), (60.0, -60.0), (30.0, -30.0)} <= angles
    assert any(abs(a) != abs(b) for a, b in angles)
    assert {t.morphology for t in TUBES.values()} == {"interleaved", "fused"}
    assert any(t.bend_um for t in TUBES.values())
    assert any(t.oval for t in TUBES.values())
    assert "x" in {t.axis for t in TUBES.values()}


def test_thin_fibres_and_the_point_spread():
    across = {
        n: (c.values["scaffold"]["diameter_um"] / c.voxel_um, c.blur_um)
        for n, c in CASES.items()
        if c.pattern in ("thin", "degenerate")
    }
    thin = {round(v, 2): b for n, (v, b) in across.items() if CASES[n].pattern == "thin"}
    assert set(thin) == {3.0, 4.0, 5.0}
    assert max(thin.values()) <= 20 / 1.5
    assert min(b for n, (_, b) in across.items() if CASES[n].pattern == "degenerate") > 20 / 1.5


@pytest.mark.parametrize("name", [n for n in CASES if n != "two-pitches"])
def test_each_is_small(name):
    # A run of all of them is to take less than an hour on a small machine.
    if name in TUBES:
        _, shape = mount_tube(build_tube(TUBES[name]), SCANNERS[name])
    else:
        _, shape = mount(build_scaffold(SCAFFOLDS[name]), SCANNERS[name])
    assert 1.5e6 <= math.prod(shape) <= 5e6
    if name in SCAFFOLDS:
        assert np.max(np.abs(np.concatenate(SCAFFOLDS[name].tilt_deg))) <= 10
