"""Tables for a paper: rounding, units, CSV, LaTeX and the spreadsheet file."""

from __future__ import annotations

import csv
import io
import re
import xml.etree.ElementTree as ET
import zipfile
from decimal import ROUND_HALF_EVEN, Decimal

import numpy as np
import pytest

from volscan.report.sheets import (
    Measure,
    Sheet,
    as_csv,
    as_latex,
    as_spreadsheet,
    printed,
    rounded_pair,
    sheets,
)
from volscan.results import Results


def test_u_keeps_at_most_two_digits_and_the_value_ends_where_u_does() -> None:
    # JCGM 100:2008, 7.2.6: u to at most two significant digits, the value to the same place.
    rng = np.random.default_rng(4)
    for value, u in zip(rng.normal(0, 300, 400), 10 ** rng.uniform(-6, 2, 400), strict=True):
        text, told = rounded_pair(float(value), float(u))
        significant = told.replace(".", "").lstrip("0")
        if "." in told:
            assert 1 <= len(significant) <= 2, (value, u, told)
            assert len(text.partition(".")[2]) == len(told.partition(".")[2])
            step = Decimal(1).scaleb(-len(told.partition(".")[2]))
            # Python rounds the binary number, Decimal the same one exactly: they agree.
            exact = Decimal(float(value)).quantize(step, rounding=ROUND_HALF_EVEN)
            assert Decimal(text) == exact
        # u is rounded to its first digit or two: by less than 1 part in 2 × 1.95 of the last digit.
        assert float(told) == pytest.approx(u, rel=0.26)


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        # JCGM 100, 7.2.6 gives u = 10.47 mΩ -> 10 mΩ and 28.05 kHz -> 28 kHz as examples.
        (10.057_62, 0.010_47, "10.058 ± 0.010"),
        (281.0, 28.05, "280 ± 30"),
        (-0.0001, 0.02, "0.00 ± 0.02"),
        (3.0, None, "3"),
    ],
)
def test_numbers_as_they_are_printed(value: float, u: float | None, text: str) -> None:
    assert printed(Measure(value, u)) == text


def test_every_table_holds_what_the_results_hold(patch: Results) -> None:
    doc = patch.to_dict()
    made = {s.name: s for s in sheets(doc)}
    assert set(made) == {
        "quantities", "families", "walls", "layer_shift", "design", "warnings",
    }  # fmt: skip
    rows = list(csv.DictReader(io.StringIO(as_csv(made["quantities"]))))
    total = next(r for r in rows if (r["group"], r["quantity"]) == ("Porosity", "total"))
    assert float(total["value"]) == pytest.approx(100 * doc["porosity"]["total"]["value"])
    assert float(total["u(value)"]) == pytest.approx(100 * doc["porosity"]["total"]["u"])
    walls = list(csv.DictReader(io.StringIO(as_csv(made["walls"]))))
    assert len(walls) == len(doc["walls"])
    for row, wall in zip(walls, doc["walls"], strict=True):
        if wall["tilt_deg"]:
            assert float(row["tilt / °"]) == pytest.approx(wall["tilt_deg"]["value"])


def test_missing_numbers_are_empty_and_never_zero(bare: Results) -> None:
    made = {s.name: s for s in sheets(bare.to_dict())}
    rows = list(csv.DictReader(io.StringIO(as_csv(made["quantities"]))))
    total = next(r for r in rows if (r["group"], r["quantity"]) == ("Porosity", "total"))
    assert total["value"] == ""
    assert total["note"]


def test_headings_part_quantity_and_unit_by_a_stroke(patch: Results) -> None:
    # ISO 80000-1: a quantity over its unit is the number in the table.
    heads = [h for s in sheets(patch.to_dict()) for h in s.headings if "µm" in h or "°" in h]
    assert heads
    assert all(re.search(r" / (µm|°)$", h) for h in heads)


def test_latex_has_as_many_cells_in_every_line_and_nothing_unescaped(patch: Results) -> None:
    for sheet in sheets(patch.to_dict()):
        text = as_latex(sheet)
        body = text.partition("\\toprule")[2].partition("\\bottomrule")[0]
        lines = [line for line in body.splitlines() if line.endswith(r"\\")]
        assert len(lines) == len(sheet.rows) + 1
        for line in lines:
            assert len(re.findall(r"(?<!\\)&", line)) == len(sheet.headings) - 1
        assert not re.search(r"(?<!\\)[%#_]", "".join(lines))
        assert text.count("{") == text.count("}")
        # Every sign is plain or a command: whatever engine the author uses can print it.
        assert text.isascii() or set(text) - set(map(chr, range(128))) <= set("“”’‘é")


def test_the_spreadsheet_holds_numbers_as_numbers_and_is_the_same_each_time() -> None:
    sheet = Sheet("a", "c", ("name", "d / µm"), (("x", Measure(10.5768, 0.0332)), ("y", None)))
    data = as_spreadsheet([sheet])
    assert data == as_spreadsheet([sheet])
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        root = ET.fromstring(book.read("xl/worksheets/sheet1.xml"))
        styles = book.read("xl/styles.xml").decode()
    space = {"m": "http://schemas.openxmlformats.org/spreadsheetml/2006/main"}
    cells = {c.get("r"): c for c in root.iterfind(".//m:c", space)}
    assert float(cells["B2"].find("m:v", space).text) == pytest.approx(10.5768)
    assert float(cells["C2"].find("m:v", space).text) == pytest.approx(0.0332)
    assert 'formatCode="0.00"' in styles
    assert "B3" not in cells or cells["B3"].find("m:v", space) is None
