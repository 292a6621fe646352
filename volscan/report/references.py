"""The sources of the methods used, as BibTeX.

Bibliographic data are from memory where the entry is not marked as read in a comment: check them
against the publisher's page before printing, as with any reference list.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Reference:
    """One source: its BibTeX key, entry type, fields, and how it is named in running text."""

    key: str
    kind: str
    fields: tuple[tuple[str, str], ...]

    def bibtex(self) -> str:
        """Return the BibTeX entry."""
        lines = [f"  {name} = {{{_tex(value)}}}" for name, value in self.fields]
        return f"@{self.kind}{{{self.key},\n" + ",\n".join(lines) + "\n}\n"

    def line(self) -> str:
        """Return the entry as one line of a reference list."""
        f = dict(self.fields)
        who = f["author"].replace(" and others", " et al.").replace(" and ", ", ").strip("{}")
        where = f.get("journal", f.get("booktitle", f.get("institution", "")))
        place = f" {f['volume']}" if "volume" in f else ""
        if "number" in f and "volume" in f:
            place += f"({f['number']})"
        if "pages" in f:
            place += f", {f['pages'].replace('--', '–')}"
        tail = f". doi:{f['doi']}" if "doi" in f else ""
        where = "" if where == who else f" {where}{place}."
        return f"{who} ({f['year']}). {f['title']}.{where}".rstrip(".") + tail + "."


def _article(
    key: str, author: str, title: str, journal: str, year: str, volume: str, pages: str, doi: str,
    number: str = "",
) -> Reference:  # fmt: skip
    fields = [
        ("author", author), ("title", title), ("journal", journal), ("year", year),
        ("volume", volume), ("number", number), ("pages", pages), ("doi", doi),
    ]  # fmt: skip
    return Reference(key, "article", tuple((k, v) for k, v in fields if v))


def _standard(key: str, institution: str, title: str, year: str) -> Reference:
    return Reference(
        key,
        "techreport",
        (
            ("author", f"{{{institution}}}"),
            ("title", title),
            ("institution", institution),
            ("year", year),
        ),
    )


_ALL = (
    _standard(
        "jcgm100", "Joint Committee for Guides in Metrology",
        "JCGM 100:2008, Evaluation of measurement data - Guide to the expression of uncertainty in "
        "measurement", "2008",
    ),
    _standard(
        "iso80000", "International Organization for Standardization",
        "ISO 80000-1:2022, Quantities and units - Part 1: General", "2022",
    ),
    _standard(
        "iso5725", "International Organization for Standardization",
        "ISO 5725-2:2019, Accuracy (trueness and precision) of measurement methods and results - "
        "Part 2: Basic method for the determination of repeatability and reproducibility", "2019",
    ),
    _standard(
        "astmf3259", "ASTM International",
        "ASTM F3259-17, Standard guide for micro-computed tomography of tissue engineered "
        "scaffolds", "2017",
    ),
    _standard(
        "astmf2603", "ASTM International",
        "ASTM F2603-06, Standard guide for interpreting images of polymeric tissue scaffolds",
        "2006",
    ),
    # Read: existence and scope; volume and pages.
    _article(
        "bouxsein2010",
        "Bouxsein, M. L. and Boyd, S. K. and Christiansen, B. A. and Guldberg, R. E. and "
        "Jepsen, K. J. and Müller, R.",
        "Guidelines for assessment of bone microstructure in rodents using micro-computed "
        "tomography", "Journal of Bone and Mineral Research", "2010", "25", "1468--1486",
        "10.1002/jbmr.141", "7",
    ),
    _article(
        "otsu1979", "Otsu, N.", "A threshold selection method from gray-level histograms",
        "IEEE Transactions on Systems, Man, and Cybernetics", "1979", "9", "62--66",
        "10.1109/TSMC.1979.4310076", "1",
    ),
    _article(
        "hildebrand1997", "Hildebrand, T. and Rüegsegger, P.",
        "A new method for the model-independent assessment of thickness in three-dimensional "
        "images", "Journal of Microscopy", "1997", "185", "67--75",
        "10.1046/j.1365-2818.1997.1340694.x", "1",
    ),
    _article(
        "kuensch1989", "Künsch, H. R.",
        "The jackknife and the bootstrap for general stationary observations",
        "The Annals of Statistics", "1989", "17", "1217--1241", "10.1214/aos/1176347265", "3",
    ),
    _article(
        "welch1947", "Welch, B. L.",
        "The generalization of Student's problem when several different population variances are "
        "involved", "Biometrika", "1947", "34", "28--35", "10.1093/biomet/34.1-2.28", "1/2",
    ),
    _article(
        "numpy", "Harris, C. R. and Millman, K. J. and van der Walt, S. J. and others",
        "Array programming with NumPy", "Nature", "2020", "585", "357--362",
        "10.1038/s41586-020-2649-2",
    ),
    _article(
        "scipy", "Virtanen, P. and Gommers, R. and Oliphant, T. E. and others",
        "SciPy 1.0: fundamental algorithms for scientific computing in Python", "Nature Methods",
        "2020", "17", "261--272", "10.1038/s41592-019-0686-2", "3",
    ),
    _article(
        "scikitimage", "van der Walt, S. and Schönberger, J. L. and Nunez-Iglesias, J. and others",
        "scikit-image: image processing in Python", "PeerJ", "2014", "2", "e453",
        "10.7717/peerj.453",
    ),
    Reference(
        "numba", "inproceedings",
        (
            ("author", "Lam, S. K. and Pitrou, A. and Seibert, S."),
            ("title", "Numba: a LLVM-based Python JIT compiler"),
            ("booktitle", "Proceedings of the Second Workshop on the LLVM Compiler Infrastructure "
             "in HPC"),
            ("year", "2015"),
            ("doi", "10.1145/2833157.2833162"),
        ),
    ),
    _article(
        "matplotlib", "Hunter, J. D.", "Matplotlib: a 2D graphics environment",
        "Computing in Science & Engineering", "2007", "9", "90--95", "10.1109/MCSE.2007.55", "3",
    ),
)  # fmt: skip
REFERENCES = {r.key: r for r in _ALL}

_ACCENTS = {"ü": '{\\"u}', "ö": '{\\"o}', "ä": '{\\"a}', "é": "{\\'e}", "&": "\\&"}


def _tex(text: str) -> str:
    return "".join(_ACCENTS.get(c, c) for c in text)


def cited(text: str) -> list[str]:
    """Return the keys that a text cites as [@key], in order of first mention."""
    return list(dict.fromkeys(re.findall(r"\[@(\w+)\]", text)))


def numbered(text: str, keys: Sequence[str]) -> str:
    """Turn [@key] into the number of its place in `keys`; neighbours share one bracket.

    >>> numbered("a [@x][@y].", ["x", "y"])
    'a [1, 2].'
    """
    out = re.sub(r"\[@(\w+)\]", lambda m: f"[{keys.index(m.group(1)) + 1}]", text)
    return re.sub(r"\](\s?)\[", ", ", out)


def latex_cites(text: str) -> str:
    """Turn [@key] into LaTeX citations.

    >>> latex_cites("a [@x][@y].")
    'a \\\\cite{x,y}.'
    """
    out = re.sub(r"\[@(\w+)\]", r"\\cite{\1}", text)
    return re.sub(r"\}\\cite\{", ",", out)


def bibtex(keys: Sequence[str]) -> str:
    """Return the BibTeX file of these sources."""
    return "\n".join(REFERENCES[k].bibtex() for k in keys)
