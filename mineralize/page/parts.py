"""Small pieces of HTML: escaped text, numbers tied to their place in the record, marks of trust."""

from __future__ import annotations

import html
from collections.abc import Iterable, Mapping
from typing import Any

from ..base import neat, plain_text
from ..results import shown, texts

MARKS = {"ok": "●", "caution": "◐", "withheld": "○"}
"""Full, half, empty: told apart without colour."""


def esc(text: Any) -> str:
    """Text safe inside HTML and attributes, with nothing in it that is not to be seen, its numbers set alike."""
    return html.escape(neat(plain_text(str(text))), quote=True)


def held(pointer: str, text: str) -> str:
    """A number shown, tied to its place in the record by a JSON Pointer (RFC 6901)."""
    return f'<span class="n" data-at="{esc(pointer)}">{esc(text)}</span>'


def mark(trust: str, *, words: bool = True) -> str:
    """The sign of a trust level with its word, seen or only read aloud."""
    label = texts.TRUST[trust]
    seen = f" {label}" if words else f'<span class="aloud"> {label}</span>'
    return f'<span class="trust {trust}"><span aria-hidden="true">{MARKS[trust]}</span>{seen}</span>'


def section(key: str, body: str, *, note: str = "", extra: str = "") -> str:
    """A titled section; ``key`` is its anchor and its title's key in the texts."""
    lead = f'<p class="note">{note}</p>' if note else ""
    return (
        f'<section id="{key}" aria-labelledby="h-{key}"{extra}>'
        f'<h2 id="h-{key}">{esc(texts.SECTIONS[key])}</h2>{lead}{body}</section>'
    )


def bullets(items: Iterable[str], kind: str = "") -> str:
    """A list of ready HTML items; empty text for none."""
    inner = "".join(f"<li>{item}</li>" for item in items)
    return f'<ul class="{kind}">{inner}</ul>' if inner else ""


def folded(summary: str, body: str, *, aloud: str = "") -> str:
    """Ready HTML that unfolds; printed only where it was unfolded. ``aloud`` says to what the summary belongs."""
    more = f'<span class="aloud"> {esc(aloud)}</span>' if aloud else ""
    return f'<details class="fold"><summary>{esc(summary)}{more}</summary>{body}</details>'


def table(caption: str, head: Iterable[str], body: str, kind: str = "", *, seen: bool = False) -> str:
    """A table with column headers; the caption is read aloud, and seen where ``seen``."""
    cells = "".join(f'<th scope="col">{cell}</th>' for cell in head)
    hidden = "" if seen else ' class="aloud"'
    name = texts.TABLE_OF.format(what=caption)
    return (
        f'<div class="scroll" role="region" tabindex="0" aria-label="{esc(name)}"><table class="{kind}">'
        f"<caption{hidden}>{esc(caption)}</caption><thead><tr>{cells}</tr></thead>{body}</table></div>"
    )


def measured(document: Mapping[str, Any], index: int) -> str:
    """The value of a measurement row, tied to it, with its unit."""
    row = document["measurements"][index]
    return f'<span class="n">{held(f"/measurements/{index}/value", shown.value(row))}{esc(shown.unit(row))}</span>'


def measured_interval(document: Mapping[str, Any], index: int) -> str:
    """The interval of a measurement row, both ends tied to it; empty where there is none."""
    row = document["measurements"][index]
    if row["low"] is None or row["high"] is None:
        return ""
    low = held(f"/measurements/{index}/low", shown.value(row, "low"))
    high = held(f"/measurements/{index}/high", shown.value(row, "high"))
    return f"{low} to {high}"


def day(document: Mapping[str, Any], scan: int) -> str:
    """``day 54`` of a scan, tied to the record."""
    for i, entry in enumerate(document["scans"]):
        if entry["scan"] == scan:
            return f"day {held(f'/scans/{i}/day', shown.number(entry['day'], 0))}"
    return ""


def note_letter(index: int) -> str:
    """a, b, ... z, aa, ab ...: foot notes are lettered so that they are not taken for measured numbers."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(97 + rest) + letters
    return letters


def within(title: str) -> str:
    """A title as it stands within a sentence: units keep their capitals."""
    return title[:1].lower() + title[1:]


def cautions(document: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Every caution of the record once: what it is about, the sentence, and a trust level (empty for notes).

    A sentence that another one about the same only carries further is left out.
    """
    found: dict[tuple[str, str, str], None] = {}
    scans = [(n, s["scan"]) for s in document["scans"] for n in s["notes"]]
    outlines = [(n, o["scan"]) for o in document["lesion"]["outlines"] for n in o["notes"]]
    for note, scan in [*((n, None) for n in document["notes"]), *scans, *outlines]:
        if note["level"] != "info":
            found[note["subject"] or (f"scan {scan}" if scan else ""), note["text"], ""] = None
    for kind, rows in (("alignment", document["alignment"]), ("outline", document["lesion"]["outlines"])):
        for row in rows:
            if row["trust"] != "ok":
                found[f"scan {row['scan']}, {kind}", row["reason"], row["trust"]] = None
    found = {
        ("" if text.lower().startswith(about.lower()) else about, text, trust): None for about, text, trust in found
    }
    told = [(about.partition(",")[0], text.removesuffix(".")) for about, text, _ in found]
    return [
        row
        for row, (scan, text) in zip(found, told, strict=True)
        if not any(other == scan and more != text and text in more for other, more in told)
    ]


def by_topic(document: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Every topic of the findings once, in reading order: topic, what is said of it in short, and its mark of trust.

    What was not assessed in some scan is said behind what was.
    """
    found: dict[str, list[Mapping[str, Any]]] = {}
    for f in document["correlation"]["findings"]:
        found.setdefault(f["topic"], []).append(f)
    rows = []
    for topic, said in found.items():
        told = [f for f in said if f["trust"] != "withheld"]
        trust = min((f["trust"] for f in told), key=("caution", "ok").index, default="withheld")
        words = dict.fromkeys(f.get("brief") or f["text"] for f in (*told, *(f for f in said if f not in told)))
        rows.append((topic, "; ".join(words), MARKS[trust]))
    return rows


def cautions_by_scan(document: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What :func:`cautions` lists, one row per scan (or for all scans), in the order of the scans."""
    found: dict[str, list[str]] = {}
    for about, text, _ in cautions(document):
        scan, _, part = about.partition(", ")
        head = scan if scan.startswith("scan ") else texts.ALL_SCANS
        part = part if scan.startswith("scan ") else about
        text = text.removesuffix(".")
        found.setdefault(head, []).append(f"{part}: {text}" if part else text)
    order = [texts.ALL_SCANS, *(f"scan {s['scan']}" for s in document["scans"])]
    return [(head, "; ".join(dict.fromkeys(found[head]))) for head in order if head in found]
