"""The paper's tables: one table object, written as CSV, LaTeX and one spreadsheet file.

Numbers are rounded by their standard uncertainty (JCGM 100:2008, 7.2.6: at most two significant
digits of u, the value to the same place). Units stand in the headings as quotients, "s / µm"
(ISO 80000-1:2022), or in a column of their own where lines differ in unit.
"""

from __future__ import annotations

import csv
import datetime
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from volscan.quantity import format_with_u
from volscan.report.quantity_lines import QuantityLine, quantity_lines

Json = Mapping[str, Any]


@dataclass(frozen=True)
class Measure:
    """A table cell that holds a number with its standard uncertainty (None where unknown)."""

    value: float | None
    u: float | None = None


Value = Measure | str | int | None


@dataclass(frozen=True)
class Sheet:
    """A table for a paper.

    Parameters
    ----------
    name
        File name without ending, and name of the page in the spreadsheet file.
    caption
        What the table shows, in a sentence.
    headings
        Of each column, unit included: "spacing / µm".
    rows
        Cells; a `Measure` is one column in print, and value and u in the data files.
    """

    name: str
    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[Value, ...], ...]


def rounded_pair(value: float, u: float | None) -> tuple[str, str]:
    """Round a value by its uncertainty; u is "" where it is unknown.

    >>> rounded_pair(10.5768, 0.0332), rounded_pair(1234.0, 26.0), rounded_pair(3.0, None)
    (('10.58', '0.03'), ('1230', '30'), ('3', ''))
    """
    text, _, tail = format_with_u(value, u).partition(" ± ")
    return text, tail


def sheets(doc: Json) -> list[Sheet]:
    """Return every table of a results document that has lines."""
    made = [
        _quantities(quantity_lines(doc)),
        _families(doc),
        _walls(doc),
        _shift(doc),
        _design(doc),
        Sheet(
            "warnings",
            "What was assumed, left out or could not be measured.",
            ("code", "message", "count"),
            tuple((w["code"], w["message"], w["count"]) for w in doc["warnings"]),
        ),
    ]
    return [s for s in made if s.rows]


def _quantities(lines: Sequence[QuantityLine]) -> Sheet:
    return Sheet(
        "quantities",
        "Measured quantities. u is one standard uncertainty of this specimen in this envelope; n "
        "counts independent items (fibres, walls, cells), never voxels; s is the standard "
        "deviation between them.",
        ("group", "quantity", "value ± u", "unit", "s", "n", "note"),
        tuple(
            (
                line.group,
                line.name,
                Measure(line.value, line.u),
                unit_symbol(line.unit),
                None if line.sd is None else rounded_sd(line.sd),
                line.n,
                line.reason,
            )
            for line in lines
        ),
    )


def rounded_sd(sd: float) -> str:
    """Write a standard deviation with two significant digits; its own uncertainty is larger."""
    if not sd > 0:
        return "0"
    digits = max(0, 1 - math.floor(math.log10(sd)))
    return f"{sd:.{digits}f}"


def unit_symbol(unit: str) -> str:
    """Return the unit's symbol as ISO 80000 prints it.

    >>> unit_symbol("deg"), unit_symbol("1/µm"), unit_symbol("µm")
    ('°', 'µm⁻¹', 'µm')
    """
    return {"deg": "°", "1/µm": "µm⁻¹", "1": "1"}.get(unit, unit)


def _measure(q: Json | None) -> Measure:
    return Measure(None) if q is None else Measure(q["value"], q.get("u"))


def _families(doc: Json) -> Sheet:
    rows = []
    for f in doc["fibres"]["families"]:
        placement = f.get("placement_error_um") or {}
        rms = placement.get("rms")
        rows.append(
            (
                f["id"],
                _measure(f["direction_deg"]),
                _measure(f["spacing_um"]),
                _measure(f["diameter_um"]),
                f["count"],
                f["layers"],
                f["walls"],
                _measure(f["rise_per_fibre_um"]),
                None if rms is None else rounded_sd(rms),
            )
        )
    return Sheet(
        "families",
        "Families of fibres: direction from X toward Y, spacing between neighbouring walls, and "
        "the root mean square of the walls' placement errors.",
        (
            "family", "direction / °", "spacing / µm", "fibre diameter / µm", "fibres", "layers",
            "walls", "rise per fibre / µm", "placement error / µm",
        ),
        tuple(rows),
    )  # fmt: skip


def _walls(doc: Json) -> Sheet:
    rows = tuple(
        (
            w["id"],
            w["family"],
            f"{w['position_um']:.1f}",
            f"{w['length_um']:.0f}" if w["length_um"] is not None else None,
            _measure(w["tilt_deg"]),
            _measure(w["offset_per_fibre_um"]),
            _measure(w.get("bow_um")),
            w["lean"] or "",
        )
        for w in doc["walls"]
    )
    return Sheet(
        "walls",
        "Walls: tilt against the build axis, positive toward the wall's left normal, lateral "
        "offset from fibre to fibre, and bow of the rise.",
        (
            "wall", "family", "position / µm", "length / µm", "tilt / °", "offset per fibre / µm",
            "bow / µm", "lean",
        ),
        rows,
    )  # fmt: skip


def _shift(doc: Json) -> Sheet:
    rows = tuple(
        (
            a["level"],
            "" if a["id"] is None else str(a["id"]),
            _measure(a["per_fibre_um"]),
            None if a["vector_um"] is None else f"{a['vector_um'][0]:+.3f}",
            None if a["vector_um"] is None else f"{a['vector_um'][1]:+.3f}",
            "yes" if a["advised"] else "no",
            a["reason"],
        )
        for a in doc["shift"]["advice"]
    )
    return Sheet(
        "layer_shift",
        "Change of the layer shift for the next print, against the file that this scaffold was "
        "printed from.",
        ("level", "id", "shift per fibre / µm", "X / µm", "Y / µm", "advised", "reason"),
        rows,
    )


def _design(doc: Json) -> Sheet:
    rows = []
    for line in (doc.get("design") or {}).get("compared", []):
        percent = line["name"] == "porosity"
        f = 100.0 if percent else 1.0
        measured = line["measured"]
        rows.append(
            (
                str(line["name"]),
                "%" if percent else unit_symbol(str(line["unit"])),
                f"{f * line['designed']:.4g}",
                Measure(
                    None if measured is None else f * measured,
                    f * line["u"] if line["u"] else None,
                ),
                f"{f * line['tolerance']:.3g}" if line["tolerance"] else "exact",
                str(line["verdict"]),
                str(line["note"]),
            )
        )
    return Sheet(
        "design",
        "Designed against measured. In tolerance: |measured - designed| + 2u within the "
        "tolerance; out: |measured - designed| - 2u beyond it; else undecided.",
        ("quantity", "unit", "designed", "measured ± u", "tolerance", "verdict", "note"),
        tuple(rows),
    )


def printed(cell: Value) -> str:
    """Return a cell as it is printed: "12.3 ± 0.2", or "–" for what was not measured."""
    if cell is None:
        return "–"
    if isinstance(cell, Measure):
        if cell.value is None:
            return "–"
        text = format_with_u(cell.value, cell.u)
        if text.startswith("-") and not text.split(" ")[0].strip("-0."):
            text = text[1:]
        return text.replace("-", "−")
    return str(cell)


def as_csv(sheet: Sheet) -> str:
    """Write a table as CSV; a number with uncertainty becomes two columns, unrounded.

    A third column holds the two as they are printed.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    pairs = _pair_columns(sheet)
    writer.writerow(_split_headings(sheet, pairs))
    for row in sheet.rows:
        writer.writerow(_split_row(row, pairs))
    return out.getvalue()


def _pair_columns(sheet: Sheet) -> set[int]:
    return {
        k for k in range(len(sheet.headings)) if any(isinstance(r[k], Measure) for r in sheet.rows)
    }


def _split_headings(sheet: Sheet, pairs: set[int]) -> list[str]:
    out: list[str] = []
    for k, heading in enumerate(sheet.headings):
        if k in pairs:
            name, _, unit = heading.partition(" / ")
            name = name.removesuffix(" ± u")
            tail = f" / {unit}" if unit else ""
            out += [name + tail, f"u({name}){tail}", f"{name}{tail}, rounded"]
        else:
            out.append(heading)
    return out


def _split_row(row: Sequence[Value], pairs: set[int]) -> list[str]:
    out: list[str] = []
    for k, cell in enumerate(row):
        if k in pairs:
            m = cell if isinstance(cell, Measure) else Measure(None)
            out += ["" if v is None else f"{v:.8g}" for v in (m.value, m.u)]
            out.append("" if m.value is None else printed(m))
        else:
            out.append("" if cell is None else str(cell))
    return out


_TEX = {
    "\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_",
    "{": r"\{", "}": r"\}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}",
    "±": r"$\pm$", "−": "$-$", "µ": r"\textmu{}", "°": r"\textdegree{}", "⁻": "$^{-}$",
    "¹": "$^{1}$", "²": "$^{2}$", "³": "$^{3}$", "×": r"$\times$", "–": "--",
    "<": "$<$", ">": "$>$", "|": r"\textbar{}", "≤": r"$\leq$", "≥": r"$\geq$", "α": r"$\alpha$",
    "σ": r"$\sigma$", "∓": r"$\mp$", "→": r"$\rightarrow$",
}  # fmt: skip


def tex_text(text: str) -> str:
    """Escape a text for LaTeX, its units and signs included.

    >>> tex_text("12.3 ± 0.2 µm & 5 %")
    '12.3 $\\\\pm$ 0.2 \\\\textmu{}m \\\\& 5 \\\\%'
    """
    out = "".join(_TEX.get(c, c) for c in text)
    return out.replace("$^{-}$$^{1}$", "$^{-1}$")


def as_latex(sheet: Sheet) -> str:
    """Write a table as LaTeX. It needs the packages booktabs and, for long texts, tabularx.

    Long texts (more than 40 characters) wrap; numbers are set to the right.
    """
    kinds = [column_kind([printed(r[k]) for r in sheet.rows]) for k in range(len(sheet.headings))]
    wide = "X" in kinds
    columns = "".join(">{\\raggedright\\arraybackslash}X" if k == "X" else k for k in kinds)
    name = "tabularx" if wide else "tabular"
    begin = f"\\begin{{tabularx}}{{\\linewidth}}{{{columns}}}"
    lines = [
        "% Needs \\usepackage{booktabs,tabularx,textcomp}",
        "\\begin{table}",
        f"\\caption{{{tex_text(sheet.caption)}}}",
        f"\\label{{tab:{sheet.name.replace('_', '-')}}}",
        begin if wide else f"\\begin{{tabular}}{{{columns}}}",
        "\\toprule",
        " & ".join(tex_text(h) for h in sheet.headings) + r" \\",
        "\\midrule",
        *(" & ".join(tex_text(printed(c)) for c in row) + r" \\" for row in sheet.rows),
        "\\bottomrule",
        f"\\end{{{name}}}",
        "\\end{table}",
    ]
    return "\n".join(lines) + "\n"


# A cell longer than this wraps: about what is left of a text column beside a few numbers.
_LONG_TEXT = 40


def column_kind(cells: Sequence[str]) -> str:
    """Tell a column of long texts ("X"), numbers ("r") and short texts ("l") apart."""
    if any(len(c) > _LONG_TEXT for c in cells):
        return "X"
    told = [c for c in cells if c not in ("–", "")]
    numeric = [c for c in told if c.lstrip("+−-")[:1].isdigit()]
    return "r" if told and len(numeric) == len(told) else "l"


def as_spreadsheet(all_sheets: Sequence[Sheet]) -> bytes:
    """Write every table into one spreadsheet file (Office Open XML), the same bytes each time.

    Numbers are numbers, shown rounded by their uncertainty; nothing is lost in the cells.
    """
    import xlsxwriter

    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    # Any fixed date: the file must not tell when it was written, or no two would be the same.
    book.set_properties({"created": datetime.datetime(2000, 1, 1)})
    bold = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "bottom"})
    formats: dict[str, Any] = {}
    for sheet in all_sheets:
        page = book.add_worksheet(sheet.name[:31])
        pairs = _pair_columns(sheet)
        page.write_row(0, 0, _split_headings(sheet, pairs), bold)
        page.freeze_panes(1, 0)
        for i, row in enumerate(sheet.rows, start=1):
            column = 0
            for k, cell in enumerate(row):
                if k in pairs:
                    m = cell if isinstance(cell, Measure) else Measure(None)
                    if m.value is not None:
                        style = _number_format(m)
                        if style not in formats:
                            formats[style] = book.add_format({"num_format": style})
                        page.write_number(i, column, m.value, formats[style])
                        if m.u is not None:
                            page.write_number(i, column + 1, m.u, formats[style])
                        page.write_string(i, column + 2, printed(m))
                    column += 3
                    continue
                if isinstance(cell, int):
                    page.write_number(i, column, cell)
                elif cell:
                    page.write_string(i, column, str(cell))
                column += 1
        page.autofit(420)
    book.close()
    return out.getvalue()


def _number_format(m: Measure) -> str:
    assert m.value is not None
    text = rounded_pair(m.value, m.u)[0]
    decimals = len(text.partition(".")[2]) if "e" not in text else 8
    return "0." + "0" * decimals if decimals else "0"
