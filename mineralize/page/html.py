"""``summary.html``: the whole history on one page, in one file, without network or script.

Numbers come from the record only; each carries the place it was taken from (a JSON Pointer in ``data-at``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any

from ..figures import Pictures
from ..figures import alt as change_alt
from ..results import Record, shown, texts
from . import impression as page_impression
from . import tables as page_tables
from .parts import bullets, cautions, day, esc, held, mark, measured, measured_interval, section, table, within
from .pictures import planes, plot, timeline

_ORDER = (
    "facts",
    "timeline",
    "planes",
    "findings",
    "tissue",
    "curves",
    "profile",
    "rim",
    "changemap",
    "quantities",
    "changes",
    "cautions",
    "method",
    "sign",
)


def render(document: Mapping[str, Any], pictures: Pictures, impressions: Sequence[Record] = ()) -> str:
    """The page as HTML text; ``impressions`` are the recorded versions from the slides, oldest first."""
    parts = {
        "facts": _facts(document),
        "timeline": timeline(document) + page_tables.scans(document),
        "planes": planes(document, pictures) or _withheld(texts.PLANES_WITHHELD),
        "findings": _findings(document),
        "tissue": _biopsies(document) + _tissue(document),
        "curves": _figure(pictures, "course", _alt_course(), texts.CAPTION_COURSE) or f"<p>{esc(texts.ONE_SCAN)}</p>",
        "profile": _figure(pictures, "profile", texts.ALT_PROFILE, texts.CAPTION_PROFILE)
        or _withheld(texts.PROFILE_WITHHELD),
        "rim": _figure(pictures, "rim", texts.ALT_RIM, texts.CAPTION_RIM) or _withheld(texts.RIM_WITHHELD),
        "changemap": _change_map(document, pictures),
        "quantities": page_tables.quantities(document),
        "changes": page_tables.changes(document),
        "cautions": _cautions(document),
        "method": _method(document),
        "sign": _sign(),
    }
    notes = {"quantities": esc(texts.INTERVALS), "changes": esc(texts.VERDICTS), "tissue": ""}
    body = "".join(section(key, parts[key], note=notes.get(key, "")) for key in _ORDER if parts[key])
    whole = _shell(document, body, [key for key in _ORDER if parts[key]])
    return page_impression.place(whole, impressions)


def render_covered(document: Mapping[str, Any]) -> str:
    """The page with everything that imaging says left out, until an impression from the slides is recorded."""
    body = section("timeline", timeline(document)) + page_impression.cover(document, texts.SEALED_SHELL)
    return _shell(document, body, [])


def _shell(document: Mapping[str, Any], body: str, listed: Sequence[str]) -> str:
    style = resources.files(__package__).joinpath("page.css").read_text(encoding="utf-8")
    at = body.find('<section id="findings"')
    at = len(body) if at < 0 else at
    body = f"{body[:at]}{page_impression.BEGIN}{page_impression.END}{body[at:]}"
    links = "".join(f'<li><a href="#{key}">{esc(texts.SECTIONS[key])}</a></li>' for key in listed)
    nav = f'<nav aria-label="Sections"><ul>{links}</ul></nav>' if links else ""
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; img-src data:; '
        "style-src 'unsafe-inline'\">"
        f"<title>{esc(document['case'])}: {esc(texts.TITLE)}</title><style>{style}</style></head><body>"
        f'<a class="skip" href="#main">{esc(texts.SKIP)}</a>'
        f"<header><h1><span>{esc(document['case'])}</span> {esc(texts.TITLE)}</h1>"
        f'<p class="disclaimer">{esc(texts.NOT_A_DEVICE)}</p></header>'
        f'{nav}<main id="main">{body}</main>'
        f"<footer><p>{esc(texts.ALL_NUMBERS)}</p></footer></body></html>\n"
    )


def _facts(document: Mapping[str, Any]) -> str:
    items = ""
    for quantity in texts.HEADLINES:
        rows = [i for i, r in enumerate(document["measurements"]) if r["quantity"] == quantity]
        if not rows:
            continue
        last = document["measurements"][rows[-1]]
        title = f"<dt>{esc(texts.quantity_title(quantity))}, {day(document, last['scan'])}</dt>"
        if last["trust"] == "withheld":
            items += f"<div>{title}<dd>{mark('withheld')}: {esc(last['reason'])}</dd></div>"
            continue
        body = f'<dd class="big">{measured(document, rows[-1])}</dd><dd>{measured_interval(document, rows[-1])} '
        body += f"{mark(last['trust'])}</dd>"
        pair = [
            c
            for c in document["changes"]
            if c["quantity"] == quantity and c["to_scan"] == last["scan"] and c["difference"] is not None
        ]
        change = min(pair, key=lambda c: c["from_scan"], default=None)
        if change is not None:
            at = next(i for i in rows if document["measurements"][i]["scan"] == change["from_scan"])
            body += (
                f"<dd>from {measured(document, at)} on {day(document, change['from_scan'])}: "
                f"<b>{esc(texts.FACT_CHANGE[change['real']])}</b></dd>"
            )
        items += f"<div>{title}{body}</div>"
    return f'<dl class="facts">{items}</dl>' if items else ""


def _findings(document: Mapping[str, Any]) -> str:
    items = []
    for f in document["correlation"]["findings"]:
        rests = _rests_on(f)
        body = f"<p>{esc(f['text'])} {mark(f['trust'])}</p>"
        if f["limits"]:
            body += f'<p class="limits">{esc(f["limits"])}</p>'
        if rests:
            body += f'<p class="sources">Rests on {esc(rests)}.</p>'
        if f["sources"]:
            body += f'<p class="sources">{esc("; ".join(f["sources"]))}</p>'
        items.append(body)
    return bullets(items, "findings") or f"<p>{esc(texts.NO_FINDINGS)}</p>"


def _rests_on(finding: Mapping[str, Any]) -> str:
    """The measurements under a finding, each quantity once with its scans."""
    scans: dict[str, list[str]] = {}
    for r in finding["rests_on"]:
        scans.setdefault(r["quantity"], []).append(str(r["scan"]))
    for r in finding["rests_on_changes"]:
        scans.setdefault(r["quantity"], []).append(f"{r['from_scan']} to {r['to_scan']}")
    return "; ".join(
        f"{within(texts.quantity_title(quantity))} (scan {', '.join(dict.fromkeys(found))})"
        for quantity, found in scans.items()
    )


def _biopsies(document: Mapping[str, Any]) -> str:
    reports = document["correlation"]["biopsies"]
    html = f"<h3>{esc(texts.BIOPSY)}</h3>"
    if not reports:
        return html + f"<p>{esc(texts.NO_BIOPSY)}</p>"
    for i, r in enumerate(reports):
        html += f"<p>{esc(r['text'])} {mark(r['trust'])}</p>"
        if r["caution"]:
            html += f'<p class="unmatched"><b>{esc(r["caution"])}</b></p>'
        html += page_tables.biopsy(document, i)
        html += f'<p class="limits">{esc(r["limits"])}</p>' if r.get("limits") else ""
    return html


def _tissue(document: Mapping[str, Any]) -> str:
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
        body += f'<tr><th scope="row">{esc(zone)}</th>{cells}</tr>'
    head = ["Zone", *(f'{esc(stage)}<span class="about">{esc(days)}</span>' for stage, days in stages)]
    sources = list(dict.fromkeys(s for r in rows for s in r["sources"]))
    onset = "" if document["day_zero"] == "onset" else f" {esc(texts.TISSUE_NO_ONSET)}"
    return (
        f'<h3>{esc(texts.TISSUE_TITLE)}</h3><p class="note">{esc(texts.TISSUE_NOTE)}{onset}</p>'
        + table(texts.TISSUE_TITLE, head, f"<tbody>{body}</tbody>", "tissue")
        + f'<p class="sources">{esc("; ".join(sources))}</p>'
    )


def _figure(pictures: Pictures, name: str, alt: str, caption: str) -> str:
    image = plot(pictures, name, alt)
    return f'<figure>{image}<figcaption class="note">{esc(caption)}</figcaption></figure>' if image else ""


def _alt_course() -> str:
    return texts.ALT_COURSE.format(quantities=", ".join(within(texts.quantity_title(q)) for q in texts.CURVES))


def _change_map(document: Mapping[str, Any], pictures: Pictures) -> str:
    if len(document["scans"]) < 2:
        return ""
    if pictures.change_scans is None:
        return _withheld(texts.MAP_WITHHELD)
    return _figure(pictures, "change", change_alt(document, *pictures.change_scans), texts.CAPTION_CHANGE)


def _withheld(text: str) -> str:
    return f"<p>{mark('withheld', words=False)} {esc(text)}</p>"


def _cautions(document: Mapping[str, Any]) -> str:
    items = [
        f"{esc(about)}{' ' if trust and about else ''}{mark(trust) if trust else ''}{': ' if about else ''}{esc(text)}"
        for about, text, trust in cautions(document)
    ]
    return bullets(items) or f"<p>{esc(texts.NO_CAUTIONS)}</p>"


def _method(document: Mapping[str, Any]) -> str:
    p = document["provenance"]
    chosen = bullets(
        f"scan {s['scan']}: {esc(n['text'])}" for s in document["scans"] for n in s["notes"] if n["level"] == "info"
    )
    settings = "; ".join(
        f"{group}.{name} {_setting(value)}" for group, table_ in p["settings"].items() for name, value in table_.items()
    )
    libraries = ", ".join(f"{name} {version}" for name, version in p["libraries"].items())
    lesion = document["lesion"]
    outlines = bullets(
        f"scan {o['scan']}: outline by {esc(o['method'])}, position within "
        f"{held(f'/lesion/outlines/{i}/spread_mm', shown.number(o['spread_mm'], 1))} mm"
        for i, o in enumerate(lesion["outlines"])
        if o["spread_mm"] is not None
    )
    scales = bullets(_scale(i, s) for i, s in enumerate(document["scans"]) if "mineral_scale" in s)
    return (
        f"<p>Lesion found by: {esc(lesion['found_by'])}. Reference scan: {document['reference_scan']}.</p>"
        f'{outlines}{scales}{chosen}<p class="note hash">mineralize {esc(p["version"])}; input SHA-256 '
        f'{esc(p["input_sha256"])}; libraries: {esc(libraries)}.</p><p class="note">Settings: {esc(settings)}.</p>'
    )


def _scale(index: int, scan: Mapping[str, Any]) -> str:
    own = scan["mineral_scale"]
    slope = held(f"/scans/{index}/mineral_scale/slope_hu_per_mg_cm3", shown.number(own["slope_hu_per_mg_cm3"], 3))
    text = f"scan {scan['scan']}: mineral counted with {slope} HU per mg/cm3, from {esc(own['source'])}"
    if own["cortex_off_percent"] is None:
        return text
    off = held(
        f"/scans/{index}/mineral_scale/cortex_off_percent", shown.number(own["cortex_off_percent"], 1, sign=True)
    )
    return f"{text}; cortex of the bone reads {off} % against the other scans"


def _setting(value: Any) -> str:
    return ", ".join(f"{v:g}" for v in value) if isinstance(value, list) else f"{value:g}"


def _sign() -> str:
    boxes = "".join(f"<div>{esc(name)}</div>" for name in texts.SIGNATURES)
    return f'<p>{esc(texts.EXPERT_REVIEW)}</p><div class="sign">{boxes}</div>'
