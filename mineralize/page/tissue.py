"""Tissue: what is published of three kinds of lesion, side by side, and what is expected zone by zone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..results import texts
from .parts import esc, mark, table

ZONES = {"centre": "central zone", "middle": "intermediate zone", "periphery": "outer zone"}
"""Words of the zones of expected tissue by their keys."""


def described(document: Mapping[str, Any]) -> str:
    """Every feature: measured here, and published of three kinds of lesion with cohort and count."""
    rows = document["correlation"].get("described", ())
    if not rows:
        return ""
    body = "".join(
        f'<tr><th scope="row">{esc(r["feature"])}</th><td class="found">{esc(r["here"])} '
        f"{mark(r['trust'], words=False)}</td><td>{esc(r['myositis_ossificans'])}</td>"
        f"<td>{esc(r['extraskeletal_osteosarcoma'])}</td>"
        f"<td>{esc(r['parosteal_osteosarcoma'])}</td></tr>"
        for r in rows
    )
    sources = list(dict.fromkeys(s for r in rows for s in r["sources"]))
    return (
        f'<p class="note">{esc(texts.DESCRIBED_NOTE)}</p>'
        + table(texts.SECTIONS["described"], texts.DESCRIBED_HEAD, f"<tbody>{body}</tbody>", "described")
        + f'<details><summary>{esc(texts.SOURCES)}</summary><p class="sources">{esc("; ".join(sources))}</p></details>'
    )


def tissue(document: Mapping[str, Any]) -> str:
    """Expected tissue by zone and stage; a scan stands beside the stage that it looks like, whatever its day."""
    rows = document["correlation"]["expected_tissue"]
    if not rows:
        return ""
    stages = list(dict.fromkeys((r["stage"], r["days"]) for r in rows))
    body = ""
    for zone in dict.fromkeys(r["zone"] for r in rows):
        cells = ""
        for stage, _ in stages:
            for r in (r for r in rows if r["zone"] == zone and r["stage"] == stage):
                here = f'<span class="here">scan {", ".join(map(str, r["scans"]))}</span>' if r["scans"] else ""
                measured_here = "".join(f'<span class="about">{esc(line)}</span>' for line in r["measured"])
                on_ct = f'<span class="about">On CT: {esc(r["on_ct"])}</span>'
                cells += f"<td>{esc(r['tissue'])}{on_ct}{here}{measured_here}</td>"
        body += f'<tr><th scope="row">{esc(ZONES.get(zone, zone))}</th>{cells}</tr>'
    head = ["Zone", *(f'{esc(stage)}<span class="about">{esc(days)}</span>' for stage, days in stages)]
    sources = list(dict.fromkeys(s for r in rows for s in r["sources"]))
    return (
        f'<p class="note">{esc(rows[0].get("limits") or texts.TISSUE_NOTE)}</p>'
        + table(texts.TISSUE_TITLE, head, f"<tbody>{body}</tbody>", "tissue")
        + f'<details><summary>{esc(texts.SOURCES)}</summary><p class="sources">{esc("; ".join(sources))}</p></details>'
    )
