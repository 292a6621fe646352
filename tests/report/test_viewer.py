"""The 3-D view's data are the fibres that were measured."""

from __future__ import annotations

import base64
import json

import numpy as np

from volscan.report.viewer import make_viewer
from volscan.results import Results


def test_the_data_are_the_centrelines(patch: Results) -> None:
    lines, fibres = patch.tables["centrelines"], patch.tables["fibres"]
    viewer = make_viewer(lines, fibres, patch.to_dict())
    assert viewer is not None
    data = json.loads(viewer.data)
    place = np.frombuffer(base64.b64decode(data["points"]), dtype="<u2").reshape(-1, 3)
    points = place / data["steps"] * data["span"] + np.array(data["low"])
    diameter = np.frombuffer(base64.b64decode(data["widths"]), dtype="<u2")
    assert sum(data["counts"]) == len(points) == len(diameter)
    assert len(data["counts"]) == len(fibres)
    begin = 0
    for (_, rows), count in zip(lines.groupby("fibre"), data["counts"], strict=True):
        ends = rows[["x_um", "y_um", "h_um"]].to_numpy(dtype=np.float64)[[0, -1]]
        # Places are told in 32 000 steps of the longest side: half a step off at most.
        told = points[begin : begin + count][[0, -1]]
        assert np.abs(told - ends).max() <= 0.51 * data["span"] / data["steps"]
        begin += count
    for mode in data["colours"]:
        assert len(mode["fibres"]) == len(fibres)
    assert [m["name"] for m in data["colours"]] == ["direction", "layer", "lean of its wall"]


def test_nothing_in_it_can_end_the_script_or_ask_the_network(patch: Results) -> None:
    viewer = make_viewer(patch.tables["centrelines"], patch.tables["fibres"], patch.to_dict())
    assert viewer is not None
    for text in (viewer.data, viewer.script):
        assert "</" not in text
    for word in ("http", "fetch(", "XMLHttp", "import(", "eval(", "WebSocket"):
        assert word not in viewer.script


def test_without_fibres_there_is_no_view(foam: Results) -> None:
    assert make_viewer(foam.tables["centrelines"], foam.tables["fibres"], foam.to_dict()) is None
