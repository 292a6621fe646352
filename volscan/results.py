"""Results of one measurement: read as attributes, saved as JSON, tables and arrays."""

from __future__ import annotations

import copy
import html
import io
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from volscan.errors import UnreadableError
from volscan.outputs import write_folder
from volscan.quantity import Quantity
from volscan.results_json import dumps
from volscan.results_summary import summary
from volscan.results_tables import LATER_TABLES, TABLES, read_table, write_table
from volscan.writers.graphml import graphml_text

if TYPE_CHECKING:
    import pandas as pd

# Names that `Results.save` writes at the top of its folder.
OUTPUT_NAMES = ("results.json", "run.json", "tables", "arrays")

Arrays = Mapping[str, Mapping[str, NDArray[Any]]]


class Section(Mapping[str, Any]):
    """A part of the results: keys as attributes, quantities as `Quantity`.

    >>> part = Section({"total": {"value": 0.912, "u": 0.003, "unit": "1", "n": 4}})
    >>> part.total
    0.912 ± 0.003 (n = 4)
    """

    def __init__(self, values: Mapping[str, Any]) -> None:
        self._values = values

    def __getitem__(self, key: str) -> Any:
        return _wrapped(self._values[key])

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_") or name not in self._values:
            raise AttributeError(f"no key {name!r} here; there are {', '.join(self._values)}")
        return self[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self._values]

    def __repr__(self) -> str:
        lines = [f"  {k}: {_short(self[k])}" for k in self]
        return "\n".join(["Section(", *lines, ")"])


@dataclass(frozen=True, repr=False, eq=False)
class Results(Mapping[str, Any]):
    """What `measure` found, exactly as docs/results.md describes it.

    Parts are attributes: ``results.porosity.total`` is a `Quantity`, ``results.walls`` a tuple,
    ``results.tables["fibres"]`` a DataFrame. ``results["porosity"]`` is the same part by key.

    Parameters
    ----------
    document
        The contents of results.json; take `to_dict` for a copy to change.
    tables
        The tables by name.
    arrays
        Pictures and sheets by file name: see `volscan.results_arrays`.
    run
        Dates, timings and machine of the run; not part of the results.

    Examples
    --------
    >>> results = measure("patch.tif", voxel_um=4.0)  # doctest: +SKIP
    >>> results.porosity.total  # doctest: +SKIP
    0.912 ± 0.003 (n = 36)
    >>> results.save("patch_results")  # doctest: +SKIP
    """

    document: Mapping[str, Any]
    tables: Mapping[str, pd.DataFrame]
    arrays: Arrays = field(default_factory=dict)
    run: Mapping[str, Any] = field(default_factory=dict)

    def __getitem__(self, key: str) -> Any:
        return _wrapped(self.document[key])

    def __getattr__(self, name: str) -> Any:
        document = self.__dict__.get("document", {})
        if name.startswith("_") or name not in document:
            raise AttributeError(f"results have no {name!r}; there are {', '.join(document)}")
        return self[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.document)

    def __len__(self) -> int:
        return len(self.document)

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self.document]

    def with_run(self, **facts: Any) -> Results:
        """Return the same results with more facts of the run; no measured number is among them."""
        return replace(self, run={**self.run, **facts})

    def to_dict(self) -> dict[str, Any]:
        """Return a copy of the contents of results.json."""
        return copy.deepcopy(dict(self.document))

    def to_json(self) -> str:
        """Return the text of results.json: the same bytes for the same input and settings."""
        return dumps(self.document)

    def save(self, out_dir: str | Path, *, force: bool = False) -> Path:
        """Write results.json, run.json, tables/ and arrays/ into a folder.

        Everything is written beside and renamed into place, so that a folder holds either whole
        results or none.

        Parameters
        ----------
        out_dir
            Folder, made where it is missing.
        force
            Replace the results that the folder already holds. Other files in it stay.

        Returns
        -------
        Path
            The folder.

        Raises
        ------
        OutputError
            If the folder holds results and `force` is False, or cannot be written.
        """
        files: dict[str, bytes] = {
            "results.json": self.to_json().encode(),
            "run.json": dumps(self.run).encode(),
        }
        for name, table in self.tables.items():
            files[f"tables/{name}.csv"] = write_table(table).encode()
        if {"pore_bodies", "pore_throats"} <= set(self.tables):
            network = graphml_text(
                self.tables["pore_bodies"], self.tables["pore_throats"], ends=("body_a", "body_b")
            )
            files["tables/pore_network.graphml"] = network.encode()
        for name, members in self.arrays.items():
            buffer = io.BytesIO()
            np.savez_compressed(buffer, allow_pickle=False, **dict(members))
            files[f"arrays/{name}.npz"] = buffer.getvalue()
        return write_folder(out_dir, files, force=force)

    @classmethod
    def load(cls, results_dir: str | Path) -> Results:
        """Read a results folder back.

        Raises
        ------
        UnreadableError
            If the folder holds no results of this format, or a part of them is missing.
        """
        folder = Path(results_dir)
        path = folder / "results.json"
        try:
            document = json.loads(path.read_text(encoding="utf-8"))
            run_path = folder / "run.json"
            run = json.loads(run_path.read_text(encoding="utf-8")) if run_path.exists() else {}
            tables = {
                name: read_table(name, _table_text(folder / "tables" / f"{name}.csv"))
                for name in TABLES
            }
            arrays = {p.stem: _read_npz(p) for p in sorted((folder / "arrays").glob("*.npz"))}
        except OSError as error:
            missing = Path(error.filename).name if error.filename else path.name
            raise UnreadableError(
                f"{folder} does not hold volscan results: cannot read {missing}"
            ) from error
        except ValueError as error:
            raise UnreadableError(f"the results in {folder} are damaged: {error}") from error
        if not isinstance(document, dict) or document.get("format") != "volscan-results":
            raise UnreadableError(f"{path} is not a volscan results file")
        return cls(document, tables, arrays, run)

    def __repr__(self) -> str:
        rows = summary(self.document)
        width = max(len(name) for name, _ in rows)
        lines = [f"  {name:<{width}}  {text}" for name, text in rows]
        return "\n".join([f"Results of {self.document['input']['file']}", *lines])

    def _repr_html_(self) -> str:
        cells = "".join(
            f"<tr><th style='text-align:left'>{html.escape(name)}</th>"
            f"<td style='text-align:left'>{html.escape(text)}</td></tr>"
            for name, text in summary(self.document)
        )
        warned = "".join(f"<li>{html.escape(w['message'])}</li>" for w in self.document["warnings"])
        title = html.escape(str(self.document["input"]["file"]))
        return (
            f"<div><b>Results of {title}</b><table>{cells}</table>"
            f"<details><summary>{len(self.document['warnings'])} warnings</summary>"
            f"<ul>{warned}</ul></details></div>"
        )


def _wrapped(value: Any) -> Any:
    if isinstance(value, Mapping):
        if {"value", "u", "unit", "n"} <= set(value):
            return Quantity(**value)
        return Section(value)
    if isinstance(value, list | tuple):
        return tuple(_wrapped(v) for v in value)
    return value


def _short(value: Any) -> str:
    if isinstance(value, Section):
        return "{" + ", ".join(value) + "}"
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _table_text(path: Path) -> str:
    return "" if path.stem in LATER_TABLES and not path.exists() else path.read_text("utf-8")


def _read_npz(path: Path) -> dict[str, NDArray[Any]]:
    with np.load(path, allow_pickle=False) as members:
        return {name: members[name] for name in members.files}
