"""The 3-D picture: the same scene with and without OpenGL, and no harm from a broken renderer."""

from __future__ import annotations

import io
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from volscan.report import animation, scenes
from volscan.report import scene as scene_module
from volscan.report.camera import aim, turned
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


def test_the_turntable_goes_round_once_and_is_the_same_each_time(
    patch: Results, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(animation, "_FRAMES", 4)
    monkeypatch.setattr(animation, "_WIDTH_PX", 160)
    made = animation.animations(patch)
    with Image.open(io.BytesIO(made["turntable.gif"])) as film:
        assert film.n_frames == 4
        assert film.width == 160
        first = np.asarray(film.convert("RGB"), dtype=np.int64)
        film.seek(1)
        assert np.abs(np.asarray(film.convert("RGB"), dtype=np.int64) - first).max() > 50
    assert animation.animations(patch) == made


def test_further_pictures_show_layers_lean_a_cut_and_the_pores(patch: Results) -> None:
    made = dict(scenes.more_scenes(patch))
    assert {"scaffold_by_layer", "scaffold_by_lean", "scaffold_cut_open"} <= set(made)
    for drawing in made.values():
        assert "scale bar" in drawing.alt
        assert drawing.data.startswith(b"\x89PNG")


def test_pore_sizes_of_the_picture_are_those_of_a_slot() -> None:
    # A slot between plates 10 blocks apart: every block's sphere is as wide as the slot. The
    # distance to block centres puts half a block more on either side.
    free = np.zeros((30, 30, 30), dtype=bool)
    free[10:20] = True
    sizes = scenes._sizes(free, np.ones(3), limit=free)
    middle = sizes[15, 15, 15]
    assert middle == pytest.approx(10, abs=1.01)
    assert sizes[10, 15, 15] == pytest.approx(middle, abs=2)
    assert sizes[5, 5, 5] == 0


def test_a_turned_camera_keeps_its_scale() -> None:
    points = np.array([[0.0, 0, 0], [100, 0, 0], [100, 60, 20], [0, 60, 0]])
    cameras = [turned(points, 5.0, azimuth, 200) for azimuth in (0.0, 37.0, 200.0)]
    assert len({(c.um_per_px, c.width_px, c.height_px) for c in cameras}) == 1
    for camera in cameras:
        seen = (points - camera.centre_um) @ camera.axes.T
        assert np.abs(seen[:, 0]).max() <= camera.half_width_um
        assert np.abs(seen[:, 1]).max() <= camera.half_height_um
        assert camera.axes @ camera.axes.T == pytest.approx(np.eye(3), abs=1e-12)
