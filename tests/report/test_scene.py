"""The 3-D picture: the same scene with and without OpenGL, and no harm from a broken renderer."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pytest

from volscan.report import scene as scene_module
from volscan.report.camera import aim
from volscan.report.projection import project_tubes, splat
from volscan.report.scene import draw_scene
from volscan.report.solid import draw_solid
from volscan.results import Results


def test_a_tube_covers_its_projected_area() -> None:
    """A cylinder of length L across the view covers L × d, plus its round ends' π d²/4."""
    points, radius = np.array([[-40.0, 0, 0], [40.0, 0, 0]]), 10.0
    picture = project_tubes(
        points, np.full(2, radius), np.array([0, 2]), np.array([[0.8, 0.1, 0.1]]), np.eye(3),
        np.zeros(3), 0.5, 300, 120,
    )  # fmt: skip
    covered = float((picture != 255).any(axis=2).sum()) * 0.25
    # Edge pixels are in or out whole: half a pixel (0.25 µm) along an outline of about 223 µm,
    # mostly cancelling; 1 % leaves room for that without hiding a wrong radius.
    assert covered == pytest.approx(80 * 20 + np.pi * 100, rel=0.01)


def test_the_nearer_sphere_hides_the_farther() -> None:
    spheres = np.array([[0.0, 0, 5, 4], [0.0, 0, -5, 4]])
    red, blue = np.array([[1.0, 0, 0], [0, 0, 1.0]])
    for order in ([0, 1], [1, 0]):
        picture = splat(spheres[order], np.array([red, blue])[order], (20, 20))
        middle = picture[10, 10].astype(int)
        assert middle[0] > middle[2]


def test_up_is_up() -> None:
    """A fibre that lies higher is seen higher, whatever its place in the table."""
    points = np.array([[0.0, 0, 0], [100, 0, 0], [0, 0, 80], [100, 0, 80]])
    camera = aim(points, 5.0)
    colours = np.array([[1.0, 0, 0], [0, 0, 1.0]])
    picture = project_tubes(
        points, np.full(4, 4.0), np.array([0, 2, 4]), colours, camera.axes, camera.centre_um,
        camera.um_per_px, camera.width_px, camera.height_px,
    ).astype(int)  # fmt: skip
    red = np.nonzero(picture[..., 0] > picture[..., 2] + 40)[0].mean()
    blue = np.nonzero(picture[..., 2] > picture[..., 0] + 40)[0].mean()
    assert blue < red - 50


def test_without_opengl_the_picture_is_drawn_and_says_so(
    patch: Results, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    broken = tmp_path / "python"
    broken.write_text("#!/bin/sh\nkill -SEGV $$\n")
    broken.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(broken))
    drawing = draw_scene(patch.tables["centrelines"], patch.tables["fibres"])
    assert drawing is not None
    assert "without OpenGL" in drawing.caption
    assert drawing.data.startswith(b"\x89PNG")


def test_a_hanging_renderer_is_given_up(
    patch: Results, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    hanging = tmp_path / "python"
    hanging.write_text("#!/bin/sh\nexec sleep 30\n")
    hanging.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(hanging))
    began = time.monotonic()
    drawing = draw_scene(patch.tables["centrelines"], patch.tables["fibres"], timeout_s=0.5)
    # The picture by numpy takes about a second here; 20 s can only pass if the wait did not end.
    assert time.monotonic() - began < 20
    assert drawing is not None
    assert "without OpenGL" in drawing.caption


def test_a_blank_picture_is_not_believed(patch: Results, monkeypatch: pytest.MonkeyPatch) -> None:
    scene, _ = scene_module._build(patch.tables["centrelines"], patch.tables["fibres"])
    assert scene is not None
    camera = aim(scene.points_um, 10.0)

    def blank(command: list[str], **_: object) -> None:
        np.save(command[-1], np.full((camera.height_px, camera.width_px, 3), 255, dtype=np.uint8))

    monkeypatch.setattr(scene_module.subprocess, "run", blank)
    assert scene_module.render_in_subprocess(scene, camera, timeout_s=5) is None


def test_no_fibres_no_tubes(foam: Results) -> None:
    assert draw_scene(foam.tables["centrelines"], foam.tables["fibres"]) is None


def test_a_solid_is_drawn_from_its_preview(foam: Results) -> None:
    axes = foam.to_dict()["frame"]["axes"]
    drawing = draw_solid(foam.arrays["preview"], axes)
    assert drawing is not None
    assert "Surface of the solid" in drawing.caption
    empty = {**foam.arrays["preview"], "solid_percent": np.zeros((4, 4, 4), dtype=np.uint8)}
    assert draw_solid(empty, axes) is None
