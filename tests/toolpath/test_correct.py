"""From results and a file to the corrected file."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.toolpath.documents import RISE_UM, document
from tests.toolpath.printing import flat_file
from volscan.errors import InputError
from volscan.phantom.machine import commanded
from volscan.toolpath import Asked, correct
from volscan.toolpath.checks import Bed
from volscan.toolpath.header import CAUTIONS, sha256_of
from volscan.toolpath.records import Record

LEANING = {0.0: [5.0, 5.1, 4.9, 5.0, 5.0], 90.0: [0.1, -0.1, 0.0, 0.1]}
KNOWN = Asked(rotation_deg=0.0, damping=1.0)
# 32 µm of rise times tan 5°, by which each fibre of the leaning walls lies beside the one below.
STEP_UM = RISE_UM * math.tan(math.radians(5.0))
# Numbers are written with at least 0.1 µm: fibres lie where meant within half of it, and within
# what rounding of the shift's own numbers adds.
WRITTEN_UM = 0.06


def across(text: str, fibre: int, wall: int = 0) -> float:
    """Y of a fibre of the X-running walls, read by the machine of the phantoms."""
    lines = [x for x in commanded(text) if np.ptp(x.points[:, 0]) > np.ptp(x.points[:, 1])]
    layers = sorted({x.z_um for x in lines})
    own = sorted(x.points[:, 1].mean() for x in lines if x.z_um == layers[fibre])
    return float(own[wall])


@pytest.mark.parametrize("absolute", [True, False])
def test_fibre_k_moves_by_k_times_the_shift(absolute):
    text = flat_file(absolute=absolute)
    done = correct(document(LEANING), text.encode(), asked=KNOWN)
    new = done.data.decode()
    for k in range(4):
        for wall in (0, 3):
            moved = across(new, k, wall) - across(text, k, wall)
            assert moved == pytest.approx(-k * STEP_UM, abs=WRITTEN_UM + 0.01 * k)


def test_incremental_files_change_one_connecting_move_a_layer_and_nothing_else():
    text = flat_file(absolute=False)
    done = correct(document(LEANING), text.encode(), asked=KNOWN)
    kept = [r for r in done.data.decode().splitlines() if not r.startswith(";")]
    old = [r for r in text.splitlines() if not r.startswith(";")]
    changed = [(a, b) for a, b in zip(old, kept, strict=True) if a != b]
    # Layers 2, 4 and 6 are entered by a shifted fibre, 3, 5 and 7 by one that is not.
    assert len(changed) == 6
    assert all(a.startswith("G0") for a, _ in changed)
    assert done.lines_changed == 6


def test_untouched_lines_are_the_same_bytes_and_the_head_stands_first():
    text = flat_file().replace("F300", "F300 ; feed\r").replace("M30", "M42 P0 S0\nM30 ")
    done = correct(document(LEANING), text.encode(), asked=KNOWN)
    rows = done.data.split(b"\n")
    for caution in CAUTIONS:
        assert any(caution.encode() in r for r in rows[:6])
    body = rows[next(i for i, r in enumerate(rows) if b"correction ends" in r) + 1 :]
    old = text.encode().split(b"\n")
    assert len(body) == len(old)
    same = [a == b for a, b in zip(old, body, strict=True)]
    assert sum(not s for s in same) == done.lines_changed
    for a, b, s in zip(old, body, same, strict=True):
        assert s or (a[:2] in (b"G0", b"G1") and b"Y" in a), (a, b)
    # Nothing but coordinates changed: no feed is higher, no word is gone.
    assert b"F300 ; feed\r" in body
    assert b"M30 " in body


def test_a_second_correction_adds_to_the_first_and_names_its_parents():
    text = flat_file()
    first = correct(document(LEANING), text.encode(), asked=KNOWN)
    again = correct(
        document({0.0: [2.0] * 5, 90.0: [0.0] * 4}, scan="cd" * 32), first.data, asked=KNOWN
    )
    new = again.data.decode()
    second = RISE_UM * math.tan(math.radians(2.0))
    moved = across(new, 3) - across(text, 3)
    # The head keeps the shift to 0.1 nm; positions are rounded twice.
    assert moved == pytest.approx(-3 * (STEP_UM + second), abs=2 * WRITTEN_UM + 0.03)
    assert f"volscan original-sha256 {sha256_of(text.encode())}" in new
    assert f"volscan parent-sha256 {sha256_of(first.data)}" in new
    assert "volscan corrections 2" in new
    assert new.count(CAUTIONS[1]) == 1
    assert again.walls[0]["shift_y_um"] == pytest.approx(-STEP_UM - second, abs=1e-3)


def test_only_layers_still_to_be_printed():
    text = flat_file()
    asked = Asked(rotation_deg=0.0, damping=1.0, from_layer=4)
    new = correct(document(LEANING), text.encode(), asked=asked).data.decode()
    moved = [across(new, k) - across(text, k) for k in range(4)]
    # Fibres 0 and 1 of these walls lie in layers 0 and 2: laid already.
    assert moved == pytest.approx([0, 0, -STEP_UM, -2 * STEP_UM], abs=WRITTEN_UM + 0.03)


def test_a_turned_scan_is_shifted_along_the_machines_axes():
    text = flat_file()
    turned = {12.0: LEANING[0.0], 102.0: LEANING[90.0]}
    asked = Asked(rotation_deg=-10.0, damping=1.0)
    done = correct(document(turned), text.encode(), asked=asked)
    assert done.placement.rotation_deg == pytest.approx(348.0, abs=0.01)
    moved = across(done.data.decode(), 3) - across(text, 3)
    assert moved == pytest.approx(-3 * STEP_UM, abs=WRITTEN_UM + 0.03)


def test_a_symmetric_pattern_is_told_and_a_marker_wall_resolves_it():
    text = flat_file()
    with pytest.raises(InputError, match=r"symmetric: .* turned by 0°, 180°") as told:
        correct(document(LEANING), text.encode(), asked=Asked(damping=1.0))
    assert "--rotation" in str(told.value)
    # A wall missing beside the middle: the gaps 100, 200, 100 read otherwise from the other end.
    marked = "\n".join(
        r for r in flat_file(walls=(6, 4)).splitlines() if "Y0.10000" not in r or "X0.1" in r
    )
    at = [-250.0, -50.0, 50.0, 150.0, 250.0]
    places = {0.0: at, 90.0: [-150.0, -50.0, 50.0, 150.0]}
    done = correct(document(LEANING, positions=places), marked.encode(), asked=Asked(damping=1.0))
    assert done.placement.rotation_deg == pytest.approx(0.0, abs=0.01)
    # Seen from above with the scan turned by half a turn, walls come in the other order.
    back = {0.0: [-v for v in at][::-1], 90.0: places[90.0]}
    turned = correct(document(LEANING, positions=back), marked.encode(), asked=Asked(damping=1.0))
    assert turned.placement.rotation_deg == pytest.approx(180.0, abs=0.01)
    one, other = (np.array([w["change_y_um"] for w in d.walls]) for d in (done, turned))
    assert one == pytest.approx(-other, abs=1e-3)


def test_where_the_scan_lies_resolves_a_symmetric_pattern():
    # The scan's origin lies 60 µm beside the pattern's middle: half a turn brings it to the other
    # side, 170 µm away.
    text = flat_file()
    along_y, along_x = (
        np.arange(-200.0, 201.0, 100.0) + 60.0,
        np.arange(-150.0, 151.0, 100.0) + 60.0,
    )
    scan = document(LEANING, positions={0.0: list(along_y), 90.0: list(along_x)})
    by_turn = {
        turn: correct(scan, text.encode(), asked=Asked(rotation_deg=turn, damping=1.0))
        for turn in (0.0, 180.0)
    }
    for turn, done in by_turn.items():
        x, y = done.placement.origin_um
        asked = Asked(origin_um=(round(float(x), -1), round(float(y), -1)), damping=1.0)
        found = correct(scan, text.encode(), asked=asked)
        assert found.placement.rotation_deg == pytest.approx(turn, abs=0.01)
        assert found.data == done.data
    apart = by_turn[0.0].placement.origin_um - by_turn[180.0].placement.origin_um
    assert np.hypot(*apart) == pytest.approx(math.hypot(120.0, 120.0), abs=1.0)
    with pytest.raises(InputError, match="--origin"):
        correct(scan, text.encode(), asked=Asked(origin_um=(5000.0, 5000.0), damping=1.0))


def test_a_mirrored_scan_is_told():
    # Families of 3 and 4 walls at 30° and 90°: mirrored, the first is met at 150°.
    rows = ["G21 G90", "G0 X0 Y0", "F300"]
    for layer in range(8):
        rows.append(f"; layer {layer}")
        angle, count = ((30.0, 3), (90.0, 4))[layer % 2]
        c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        for k in range(count):
            for code, u in (("G0", -0.3), ("G1", 0.3)):
                rows.append(f"{code} X{u * c - 0.1 * k * s:.5f} Y{u * s + 0.1 * k * c:.5f}")
    text = "\n".join(rows) + "\n"
    mirrored = {90.0: [5.0] * 4, 150.0: [5.0] * 3}
    with pytest.raises(InputError, match="only when mirrored"):
        correct(document(mirrored), text.encode(), asked=KNOWN)


@pytest.mark.parametrize(
    ("leans", "options", "message"),
    [
        ({0.0: [5.0] * 5, 90.0: [0.0] * 4}, {"spacing_um": 130.0}, "do not fit the toolpath's"),
        ({0.0: [5.0] * 5, 80.0: [0.0] * 4}, {}, "do not fit the toolpath's"),
        ({0.0: [5.0] * 7, 90.0: [0.0] * 4}, {}, "do not fit the toolpath's"),
        ({0.0: [5.0] * 5, 90.0: [0.0] * 4}, {"fibres": 9}, "hold 9 fibres each"),
        ({0.0: [5.0] * 5, 90.0: [0.0] * 4}, {"confirmed": False}, "measure again with --up"),
    ],
)
def test_a_scan_of_another_print_is_refused(leans, options, message):
    with pytest.raises(InputError, match=message):
        correct(document(leans, **options), flat_file().encode(), asked=KNOWN)


def test_limits_refuse_with_a_reason_and_are_lifted_by_name():
    # Welded (rise below a diameter): at 40° a fibre would need 12 µm, its target 20° is 5 µm more
    # than half of the diameter of 10 µm allows.
    leans = {0.0: [40.0] * 5, 90.0: [0.0] * 4}
    made = document(leans, rise_um=9.0, diameter_um=10.0)
    asked = Asked(rotation_deg=0.0, damping=1.0, target_tilt=35.0)
    done = correct(made, flat_file().encode(), asked=asked)
    assert "--allow support" in (done.changes[0].refused or "")
    assert not done.changes[0].shifts
    asked = Asked(rotation_deg=0.0, damping=1.0, target_tilt=35.0, allow=("support",))
    assert correct(made, flat_file().encode(), asked=asked).changes[0].shifts


def test_a_wanted_tilt_is_a_target_like_any_other():
    made = document({0.0: [0.05, -0.05, 0.0, 0.05, 0.0], 90.0: [0.0, 0.1, -0.1, 0.0]})
    asked = Asked(rotation_deg=0.0, damping=1.0, target_tilt="out:5.0")
    done = correct(made, flat_file().encode(), asked=asked)
    change = [w["change_y_um"] for w in done.walls if w["family"] == 0]
    assert change == pytest.approx([-STEP_UM, -STEP_UM, 0.0, STEP_UM, STEP_UM], abs=0.05)


def test_leans_by_chance_are_left():
    made = document({0.0: [5.0, -5.0, 3.0, -4.0, 1.0], 90.0: [0.0] * 4})
    done = correct(made, flat_file().encode(), asked=KNOWN)
    assert not done.shifts
    assert done.data == flat_file().encode()
    assert "may be chance" in done.changes[0].reason


def test_bowed_walls_get_a_profile_over_their_layers():
    made = document({0.0: [5.0, 5.1, 4.9, 5.0, 5.0], 90.0: [0.1, -0.1, 0, 0.1]}, bow_um=4.0)
    text = flat_file()
    new = correct(made, text.encode(), asked=KNOWN).data.decode()
    moved = [across(new, k) - across(text, k) for k in range(4)]
    bend = [-4 * 4.0 * (k / 3) * (1 - k / 3) for k in range(4)]
    expected = [-k * STEP_UM + b for k, b in enumerate(bend)]
    assert moved == pytest.approx(expected, abs=WRITTEN_UM + 0.05)


def test_the_bed_and_the_feed_are_held():
    text = flat_file().encode()
    made = document(LEANING)
    room = Bed((-1.0, 1.0), (-1.0, 1.0), feed_mm_per_min=300.0)
    assert correct(made, text, asked=KNOWN, bed=room).shifts
    # The file itself stays above X = 0; three shifts of 2.8 µm carry a fibre to -0.0084 mm.
    inside = flat_file(overhang_mm=0.0).encode()
    leans = document({0.0: [0.1, -0.1, 0.0, 0.0, 0.0], 90.0: [-5.0] * 4})
    with pytest.raises(InputError, match=r"would go to X = -0.0028 mm, off the bed \(0 to 1 mm"):
        correct(leans, inside, asked=KNOWN, bed=Bed((0.0, 1.0), (0.0, 1.0)))
    with pytest.raises(InputError, match="moves at 300 mm/min; the bed file allows 200"):
        correct(made, text, asked=KNOWN, bed=Bed((-1, 1), (-1, 1), feed_mm_per_min=200.0))
    with pytest.raises(InputError, match="starts with incremental moves"):
        correct(made, b"G91\n" + flat_file(absolute=False).replace("G90", "").encode(),
                asked=KNOWN, bed=room)  # fmt: skip


def test_a_file_that_disagrees_with_the_history_is_refused():
    record = Record("ef" * 32, "01" * 32, "23" * 32, ())
    with pytest.raises(InputError, match="history's last corrected file has sha256 2323"):
        correct(document(LEANING), flat_file().encode(), asked=KNOWN, history=(record,))
