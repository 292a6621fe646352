"""Pictures of the pore space and the animation of a probe, from small made maps."""

import io

import numpy as np
import pytest
from PIL import Image

from volscan.report import movie
from volscan.report.pore_pictures import Sections, pores_by_size, reach_of_probes, share_reached
from volscan.results_tables import make_table

PORES = {
    "accessible_by_probe": [[0.0, 1.0], [10.0, 0.8], [20.0, 0.2]],
    "domain_um": {"origin": [5.0, 5.0, 0.0], "size": [40.0, 30.0, 20.0], "direction_deg": 0.0},
}


@pytest.fixture
def members():
    diameter = np.full((10, 15, 20), 20, np.float16)
    diameter[:, :, 9:11] = 0
    diameter[4:6, 6:8] = 8
    probe = np.where(diameter > 8, 20, np.minimum(diameter, 6)).astype(np.float16)
    return {"diameter_um": diameter, "probe_um": probe, "steps_um": np.array([2.0, 2.0, 2.0])}


@pytest.fixture
def path():
    rows = [("h", 14.0, 20.0, 1.0 + 2 * k, 20.0 - (k == 4)) for k in range(10)]
    return make_table("throat_paths", rows)


def test_pictures_are_drawn_and_the_same_each_time(members, path):
    for draw in (
        lambda: pores_by_size(members, PORES, path),
        lambda: reach_of_probes(members, PORES),
    ):
        one, two = draw(), draw()
        assert one.data == two.data
        image = Image.open(io.BytesIO(one.data))
        assert min(image.size) > 300
        assert one.alt
        assert one.caption
    assert "19" in pores_by_size(members, PORES, path).alt


def test_nothing_to_draw_is_none():
    assert pores_by_size({}, PORES, None) is None
    assert reach_of_probes({}, PORES) is None
    assert movie.probe_frames({}, PORES) == []
    solid = {k: np.zeros((2, 2, 2), np.float16) for k in ("diameter_um", "probe_um")}
    assert reach_of_probes({**solid, "steps_um": np.ones(3)}, PORES) is None


def test_share_between_the_points_of_the_curve():
    assert share_reached(PORES, 15.0) == pytest.approx(0.5)
    assert share_reached({}, 15.0) is None


def test_the_probe_shrinks_and_its_reach_grows(members, monkeypatch):
    monkeypatch.setattr(movie, "FRAMES", 3)
    frames = movie.probe_frames(members, PORES)
    assert len(frames) == 3
    teal = np.array([4, 196, 196])
    counts = [int((np.abs(f.astype(int) - teal).max(axis=2) < 12).sum()) for f in frames]
    assert counts[0] < counts[-1]
    assert {f.shape for f in frames} == {frames[0].shape}
    assert all(n % 2 == 0 for n in frames[0].shape[:2])
    gif = Image.open(io.BytesIO(movie.as_gif(frames)))
    assert gif.format == "GIF"
    assert gif.n_frames == 3
    assert gif.size == (frames[0].shape[1], frames[0].shape[0])


def test_video_is_mp4_where_its_encoder_is_installed(members, monkeypatch):
    pytest.importorskip("imageio_ffmpeg")
    monkeypatch.setattr(movie, "FRAMES", 2)
    data = movie.as_mp4(movie.probe_frames(members, PORES))
    # The box "ftyp" opens every file of ISO/IEC 14496-12.
    assert data[4:8] == b"ftyp"


def test_sections_lie_in_the_domain(members):
    cut = Sections(members)
    plan, upright = cut.cuts(cut.diameter)
    assert plan.shape == (15, 20)
    assert upright.shape == (10, 20)
    assert cut.shapes() == ((40.0, 30.0), (40.0, 20.0))
