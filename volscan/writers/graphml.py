"""A network of nodes and links as GraphML, the open format of graphdrawing.org."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape, quoteattr

if TYPE_CHECKING:
    import pandas as pd

_TYPES = {"Int64": "long", "float64": "double", "boolean": "boolean", "string": "string"}


def graphml_text(nodes: pd.DataFrame, links: pd.DataFrame, *, ends: tuple[str, str]) -> str:
    """Write nodes and links with all their columns as the text of a GraphML file.

    Parameters
    ----------
    nodes
        One row a node, with a column "id".
    links
        One row a link.
    ends
        Columns of `links` with the ids of the two nodes that each joins.

    Returns
    -------
    str
        XML that graph programs read: an undirected graph, columns as typed data.
    """
    inner = [str(c) for c in nodes.columns if c != "id"]
    outer = [str(c) for c in links.columns if c not in ends and c != "id"]
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<graphml xmlns="http://graphml.graphdrawing.org/xmlns"'
        ' xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"'
        ' xsi:schemaLocation="http://graphml.graphdrawing.org/xmlns'
        ' http://graphml.graphdrawing.org/xmlns/1.0/graphml.xsd">',
    ]
    for table, columns, kind in ((nodes, inner, "node"), (links, outer, "edge")):
        for k, name in enumerate(columns):
            attribute = _TYPES[str(table[name].dtype)]
            lines.append(
                f'  <key id="{kind[0]}{k}" for="{kind}" attr.name={quoteattr(name)}'
                f' attr.type="{attribute}"/>'
            )
    lines.append('  <graph edgedefault="undirected">')
    for row in nodes.to_dict("records"):
        lines.append(f'    <node id="n{row["id"]}">')
        lines += _data(row, inner, "n")
        lines.append("    </node>")
    for row in links.to_dict("records"):
        a, b = (row[e] for e in ends)
        lines.append(f'    <edge source="n{a}" target="n{b}">')
        lines += _data(row, outer, "e")
        lines.append("    </edge>")
    lines += ["  </graph>", "</graphml>", ""]
    return "\n".join(lines)


def _data(row: dict[Any, Any], columns: Sequence[str], letter: str) -> list[str]:
    out = []
    for k, name in enumerate(columns):
        value = row[name]
        if value is None or value != value:
            continue
        text = str(value).lower() if isinstance(value, bool) else str(value)
        out.append(f'      <data key="{letter}{k}">{escape(text)}</data>')
    return out
