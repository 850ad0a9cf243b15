"""``summary.html``: the whole history on one page, in one file, without network or script.

The five answers and the pictures come first, on one screen of 1280 x 900. Numbers come from the record only; each
carries the place it was taken from (a JSON Pointer in ``data-at``).
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
from .findings import answers, findings
from .needle import biopsies
from .parts import bullets, cautions, esc, folded, held, mark, section, within
from .pictures import more_planes, planes, plot, timeline
from .tissue import described, tissue

_ORDER = (
    "planes",
    "biopsy",
    "findings",
    "described",
    "tissue",
    "curves",
    "profile",
    "rim",
    "changemap",
    "other",
    "quantities",
    "changes",
    "cautions",
    "scans",
    "method",
    "sign",
)


def render(document: Mapping[str, Any], pictures: Pictures, impressions: Sequence[Record] = ()) -> str:
    """The page as HTML text; ``impressions`` are the recorded versions from the slides, oldest first."""
    parts = {
        "planes": _planes(document, pictures),
        "biopsy": biopsies(document),
        "findings": findings(document),
        "described": described(document),
        "tissue": tissue(document),
        "curves": _figure(pictures, "course", _alt_course(), texts.CAPTION_COURSE.format(zero=document["day_zero"]))
        or f"<p>{esc(texts.ONE_SCAN)}</p>",
        "profile": _figure(pictures, "profile", texts.ALT_PROFILE, texts.CAPTION_PROFILE)
        or _withheld(texts.PROFILE_WITHHELD),
        "rim": _figure(pictures, "rim", texts.ALT_RIM, texts.CAPTION_RIM) or _withheld(texts.RIM_WITHHELD),
        "changemap": _change_map(document, pictures),
        "other": more_planes(document, pictures),
        "quantities": page_tables.quantities(document),
        "changes": page_tables.changes(document),
        "cautions": _cautions(document),
        "scans": folded(texts.HOW_MADE, page_tables.scans(document)),
        "method": folded(texts.HOW_MEASURED, _method(document)),
        "sign": _sign(),
    }
    notes = {"quantities": esc(texts.INTERVALS), "changes": esc(texts.VERDICTS)}
    first = answers(document) + section("planes", parts["planes"])
    links = [key for key in _ORDER if parts[key] and key != "planes"]
    body = "".join(section(key, parts[key], note=notes.get(key, "")) for key in links)
    whole = _shell(document, first + _nav(links, impressions) + body, texts.TITLE)
    return page_impression.place(whole, impressions)


def render_covered(document: Mapping[str, Any]) -> str:
    """The page with everything that imaging says left out, its title included, until an impression is recorded."""
    body = page_impression.cover(document, texts.SEALED_SHELL)
    return _shell(document, body, texts.SEALED_TITLE)


def _shell(document: Mapping[str, Any], body: str, title: str) -> str:
    style = resources.files(__package__).joinpath("page.css").read_text(encoding="utf-8")
    at = body.find('<section id="findings"')
    at = len(body) if at < 0 else at
    body = f"{body[:at]}{page_impression.BEGIN}{page_impression.END}{body[at:]}"
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; img-src data:; '
        "style-src 'unsafe-inline'\">"
        f"<title>{esc(document['case'])}: {esc(title)}</title><style>{style}</style></head><body>"
        f'<a class="skip" href="#main">{esc(texts.SKIP)}</a>'
        f"<header><h1><span>{esc(document['case'])}</span> {esc(title)}</h1>"
        f'<p class="disclaimer">{esc(texts.NOT_A_DEVICE)}</p></header>'
        f'<main id="main">{body}</main>'
        f"<footer><p>{esc(texts.ALL_NUMBERS)}</p></footer></body></html>\n"
    )


def _nav(listed: Sequence[str], impressions: Sequence[Record]) -> str:
    """Links to the sections; that to the impression appears with it."""
    links = "".join(f'<li><a href="#{key}">{esc(texts.SECTIONS[key])}</a></li>' for key in listed)
    return (
        f'<nav aria-label="{esc(texts.NAV)}"><ul>{page_impression.LINK_BEGIN}{page_impression.LINK_END}'
        f"{links}</ul></nav>"
    )


def _planes(document: Mapping[str, Any], pictures: Pictures) -> str:
    return timeline(document) + (planes(document, pictures) or _withheld(texts.PLANES_WITHHELD))


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
    said = bullets(
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
    made = f"mineralize {p['version']}; input SHA-256 {p['input_sha256']}; libraries: {libraries}."
    return (
        f"<p>Lesion found by: {esc(lesion['found_by'])}. Reference scan: {document['reference_scan']}.</p>"
        f'{outlines}{scales}{said}<p class="note hash">{esc(made)}</p>'
        + folded(texts.SETTINGS, f'<p class="note">{esc(settings)}.</p>')
    )


def _scale(index: int, scan: Mapping[str, Any]) -> str:
    own = scan["mineral_scale"]
    slope = held(f"/scans/{index}/mineral_scale/slope_hu_per_mg_cm3", shown.number(own["slope_hu_per_mg_cm3"], 3))
    text = f"scan {scan['scan']}: mineral counted with {slope} HU per mg/cm³, from {esc(own['source'])}"
    if own["cortex_off_percent"] is None:
        return text
    off = held(
        f"/scans/{index}/mineral_scale/cortex_off_percent", shown.number(own["cortex_off_percent"], 1, sign=True)
    )
    return f"{text}; cortex of the bone reads {off}{shown.THIN}% against the other scans"


def _setting(value: Any) -> str:
    return ", ".join(f"{v:g}" for v in value) if isinstance(value, list) else f"{value:g}"


def _sign() -> str:
    boxes = "".join(f"<div>{esc(name)}</div>" for name in texts.SIGNATURES)
    return f'<p>{esc(texts.EXPERT_REVIEW)}</p><div class="sign">{boxes}</div>'
