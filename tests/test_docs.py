"""The guide's Python examples run as printed, and links between pages lead somewhere."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]
# In the order in which a reader goes: each page builds on what the one before left.
GUIDE = ("measure.md", "correct.md", "report.md", "study.md")
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")])


def blocks(text: str, language: str) -> list[str]:
    """Return the fenced blocks of a language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)


def test_the_guide_runs_from_first_to_last(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    for page in GUIDE:
        code = blocks((ROOT / "docs" / "guide" / page).read_text("utf-8"), "python")
        assert code, f"{page} shows no example"
        for number, block in enumerate(code, start=1):
            exec(compile(block, f"{page}, block {number}", "exec"), names)

    # The example's own truth: family 0 leans by 4 degrees, family 1 stands. The limits are those of
    # the validation for a family's mean tilt (0.1 degrees) and porosity (0.5 points).
    truth = json.loads((tmp_path / "patch" / "truth.json").read_text("utf-8"))
    results = names["results"]
    tilts = {0.0: [], 90.0: []}
    for wall in results.walls:
        tilts[round(wall.direction_deg / 90.0) % 2 * 90.0].append(wall.tilt_deg.value)
    means = {direction: sum(values) / len(values) for direction, values in tilts.items()}
    assert means == pytest.approx({0.0: 4.0, 90.0: 0.0}, abs=0.1)
    assert names["total"].value == pytest.approx(truth["porosity"]["total"], abs=0.005)
    # One of two families leans: the guide's reader is advised to shift that one.
    advised = {(a.level, a.id) for a in results.shift.advice if a.advised}
    assert ("family", 0) in advised
    assert ("family", 1) not in advised
    assert (tmp_path / "results" / "report.html").is_file()
    assert "shift" in capsys.readouterr().out


def test_the_page_on_scan_health_finds_what_it_put_in(capsys: pytest.CaptureFixture[str]):
    names: dict[str, Any] = {}
    for block in blocks((ROOT / "docs" / "guide" / "scan_health.md").read_text("utf-8"), "python"):
        exec(compile(block, "scan_health.md", "exec"), names)
    assert names["found"] == {"background_removed", "rings_removed", "lump_excluded"}
    assert "diameter" in capsys.readouterr().out


@pytest.mark.slow
def test_the_page_on_waves_and_tubes_ends_with_upright_walls(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    page = (ROOT / "docs" / "guide" / "correct_shapes.md").read_text("utf-8")
    for block in blocks(page, "python"):
        exec(compile(block, "correct_shapes.md", "exec"), names)
    # What the page says its printer does, and what the whole loop is asked for: each family's walls
    # stand within 0.3 degrees on average after one correction.
    for shape in ("wave", "tube"):
        for name, leans in ((shape, (5.0, -4.0)), (f"{shape}_after", (0.0, 0.0))):
            for family, lean in enumerate(leans):
                own = [w.tilt_deg.value for w in names[name].walls if w.family == family]
                assert sum(own) / len(own) == pytest.approx(lean, abs=0.3), (name, family)


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_between_pages_lead_somewhere(page: Path):
    text = re.sub(r"^```.*?^```$", "", page.read_text("utf-8"), flags=re.MULTILINE | re.DOTALL)
    targets = re.findall(r"\]\(([^)#\s]+)[^)]*\)", text)
    near = [t for t in targets if "://" not in t]
    missing = [t for t in near if not (page.parent / t).exists()]
    assert missing == []


def test_the_readme_opens_with_two_commands_of_one_line():
    # The checks of a clean checkout run these two as they stand.
    commands = blocks((ROOT / "README.md").read_text("utf-8"), "sh")[:2]
    assert [len(c.splitlines()) for c in commands] == [1, 1]
    assert "volscan demo" in commands[0]
    assert "pytest" in commands[1]


@pytest.mark.parametrize(
    "page", ["README.md", *(f"docs/guide/{p}" for p in (*GUIDE, "correct_shapes.md"))]
)
def test_options_shown_are_options_there_are(page: str):
    from typer.main import get_command

    from volscan.cli.main import app

    known = {
        name: {option for parameter in command.params for option in parameter.opts}
        for name, command in get_command(app).commands.items()
    }
    for block in blocks((ROOT / page).read_text("utf-8"), "sh"):
        for command, rest in re.findall(r"volscan (\w+)((?: [^\n&]*)?)", block):
            assert command in known
            assert set(re.findall(r"--[\w-]+", rest)) <= known[command], command
