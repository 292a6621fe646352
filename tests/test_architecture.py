"""What may import what, read off the syntax tree, and which names are public."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import volscan

ROOT = Path(volscan.__file__).parent

# From the ground up: a part imports what stands above it in this list and nothing below.
ORDER = [
    "errors", "quantity", "volume", "polyline", "geometry", "settings", "progress", "outputs",
    "provenance", "kernels", "readers", "scaninfo", "writers", "design", "design_porosity",
    "phantom", "prepare", "health", "frame", "fibres", "walls", "tube", "envelope", "porosity",
    "pores", "shift", "design_check", "results_tables", "results_nulls", "results_json",
    "results_summary", "results_arrays", "results_document", "results", "results_assemble",
    "pipeline_input", "pipeline_flat", "pipeline_tube", "pipeline_oct", "pipeline", "toolpath",
    "report", "correcting", "study", "cli",
]  # fmt: skip
STAGES = [
    "prepare", "frame", "fibres", "walls", "tube", "envelope", "porosity", "pores", "shift",
]  # fmt: skip


def part_of(module: str) -> str:
    """Return the part of the package that a dotted module name belongs to; "" for the root."""
    return module.split(".")[1] if "." in module else ""


def files() -> list[tuple[str, Path]]:
    out = []
    for path in sorted(ROOT.rglob("*.py")):
        parts = path.relative_to(ROOT.parent).with_suffix("").parts
        name = ".".join(p for p in parts if p != "__init__")
        out.append((name, path))
    return out


def imported(path: Path) -> set[str]:
    """Return every module that a file imports, at its top or inside a function."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} imports relatively"
            assert node.module is not None
            if node.module == "volscan":
                names |= {f"volscan.{alias.name}" for alias in node.names}
            else:
                names.add(node.module)
    return names


IMPORTS = {name: imported(path) for name, path in files()}
PARTS = {
    name: {part_of(m) for m in mods if m.startswith("volscan.")} for name, mods in IMPORTS.items()
}


def test_every_part_has_its_place_in_the_order():
    found = {part_of(name) for name in IMPORTS} - {""}
    assert found - set(ORDER) == set()
    assert len(set(ORDER)) == len(ORDER)


@pytest.mark.parametrize("name", sorted(n for n in IMPORTS if n != "volscan"))
def test_imports_run_one_way(name):
    own = part_of(name)
    known = {p for p in PARTS[name] if p in ORDER}
    upward = {p for p in known if p != own and ORDER.index(p) > ORDER.index(own)}
    assert upward == set()


def test_kernels_and_readers_do_not_know_each_other():
    assert {n for n in IMPORTS if part_of(n) == "kernels" and "readers" in PARTS[n]} == set()
    assert {n for n in IMPORTS if part_of(n) == "readers" and "kernels" in PARTS[n]} == set()


def test_phantoms_and_measurements_share_no_code():
    measuring = {*STAGES, "kernels"}
    for name, parts in PARTS.items():
        if part_of(name) == "phantom":
            assert parts & measuring == set(), name
        if part_of(name) in measuring:
            assert "phantom" not in parts, name


def test_the_measured_path_reads_no_design_and_no_file():
    for name, parts in PARTS.items():
        if part_of(name) in STAGES:
            assert parts & {"design", "design_porosity", "design_check"} == set(), name
            assert parts & {"readers", "writers", "outputs"} == set(), name
            assert IMPORTS[name] & {"pathlib", "os", "io", "json", "tomllib"} == set(), name


@pytest.mark.parametrize(
    ("package", "home"),
    [
        ("matplotlib", "report"),
        ("jinja2", "report"),
        ("pyvista", "report"),
        ("vtk", "report"),
        ("vtkmodules", "report"),
        ("typst", "report"),
        ("xlsxwriter", "report"),
        ("typer", "cli"),
        ("rich", "cli"),
    ],
)
def test_drawing_and_talking_have_one_home(package, home):
    users = {
        part_of(name)
        for name, mods in IMPORTS.items()
        if any(m.split(".")[0] == package for m in mods)
    }
    assert users <= {home}


def test_only_the_command_line_prints():
    for name, path in files():
        if part_of(name) == "cli":
            continue
        calls = [
            node.lineno
            for node in ast.walk(ast.parse(path.read_text("utf-8")))
            if isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id == "print"
        ]
        assert calls == [], f"{name} prints"


def test_public_names_are_these_and_no_others():
    assert volscan.__all__ == [
        "Design", "Notice", "Quantity", "RawLayout", "Results", "Settings", "VolscanError",
        "Volume", "__version__", "correct", "measure", "open_scan", "scan_info", "write_report",
        "write_reports",
    ]  # fmt: skip
    for name in volscan.__all__:
        assert getattr(volscan, name) is not None
    assert dir(volscan) == sorted(volscan.__all__)
    with pytest.raises(AttributeError, match="no attribute 'measured'"):
        _ = volscan.measured


def test_importing_the_package_loads_nothing_heavy():
    # The command line's help must not wait for compilers and plotting.
    code = (
        "import sys, volscan, volscan.cli.main;"
        "heavy = {'numba', 'scipy', 'matplotlib', 'pandas', 'skimage', 'pyvista', 'SimpleITK'};"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True, text=True, check=True, cwd=ROOT.parent,
    )  # fmt: skip
    assert done.stdout.strip() == "[]"
