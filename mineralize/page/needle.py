"""The needle: a drawing of the lesion cut along it, the share of its path in each zone, and what was not sampled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..figures import PATH_COLOURS, PATH_WIDTHS, ZONE_FILLS, letters_of, stretches
from ..results import texts
from . import tables as page_tables
from .parts import esc, folded, mark

DASHES = {"outside": "1.2 1.2", "rim": "2.4 0.8", "middle": "1.2 0.6", "core": ""}
"""The path by zone where there is no colour, in mm of the drawing."""


def biopsies(document: Mapping[str, Any]) -> str:
    """Every biopsy with its drawing, its cautions, and where it lies in every scan."""
    reports = document["correlation"]["biopsies"]
    if not reports:
        return f"<p>{esc(texts.NO_BIOPSY)}</p>"
    html = ""
    for i, report in enumerate(reports):
        caution = f'<p class="unmatched"><b>{esc(report["caution"])}</b></p>' if report["caution"] else ""
        sources = "; ".join(report.get("sources", ()))
        limits = f'<p class="limits">{esc(report["limits"])}</p>' if report.get("limits") else ""
        name = texts.BIOPSY_NUMBER.format(number=report["number"])
        more = f'<p>{esc(report["text"])}</p>{limits}<p class="sources">{esc(sources)}</p>'
        html += (
            f'<div class="needle">{drawing(report)}<div><h3>{esc(name)} '
            f"{mark(report['trust'])}</h3><p>{esc(texts.path_note(report))}</p>{caution}"
            f"{folded(texts.UNFOLD, more, aloud=name)}</div></div>"
        )
        html += page_tables.biopsy(document, i)
    return html


def drawing(report: Mapping[str, Any]) -> str:
    """The drawing as SVG in millimetres; empty where the site could not be placed."""
    section = report.get("section")
    if section is None:
        return ""
    width, height = section["width_mm"], section["height_mm"]
    body = ""
    for name, fill in ZONE_FILLS.items():
        for line in section[name]:
            edge = "#1f2430" if name == "outline" else "#6a6f7b"
            body += f'<polygon points="{_points(line)}" fill="{fill}" stroke="{edge}" stroke-width="0.35"/>'
    for zone, ends in stretches(report):
        (ax, ay), (bx, by) = ends.tolist()
        dash = f' stroke-dasharray="{DASHES[zone]}"' if DASHES[zone] else ""
        body += (
            f'<line x1="{ax:.2f}" y1="{ay:.2f}" x2="{bx:.2f}" y2="{by:.2f}" stroke="{PATH_COLOURS[zone]}" '
            f'stroke-width="{PATH_WIDTHS[zone] * 0.36:.2f}"{dash}/>'
        )
    x, y = section["target"]
    body += (
        f'<path d="M{x:.2f} {y - 1:.2f}l1 1l-1 1l-1 -1z" fill="#fff" stroke="#1f2430" stroke-width="0.4"/>'
        f'<text x="{x + 1.6:.2f}" y="{y + 1:.2f}" font-size="3" font-weight="700">B{report["number"]}</text>'
    )
    places = ((width / 2, 3.0, "middle"), (width - 0.5, height / 2 + 1, "end"), (width / 2, height - 0.8, "middle"),
              (0.5, height / 2 + 1, "start"))  # fmt: skip
    for word, (u, v, anchor) in zip(section["edges"], places, strict=True):
        body += f'<text x="{u:.2f}" y="{v:.2f}" font-size="3" text-anchor="{anchor}">{letters_of(word)}</text>'
    alt = texts.ALT_NEEDLE.format(number=report["number"], path=texts.path_note(report))
    return (
        f'<svg class="cut" viewBox="0 0 {width:.2f} {height:.2f}" role="img" aria-label="{esc(alt)}" '
        f'style="--w:{width:.0f}">{body}</svg>'
    )


def _points(line: Sequence[Sequence[float]]) -> str:
    return " ".join(f"{shown_mm(x)},{shown_mm(y)}" for x, y in line)


def shown_mm(value: float) -> str:
    """A coordinate of a drawing: hundredths of a millimetre, a plain point and minus."""
    return f"{value:.2f}"
