"""The page's section on the slides: the person's own impression, its versions, and the concordance of their ticks."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from ..results import Record, concordance, texts
from .parts import bullets, esc, section, table

BEGIN, END = "<!--impression-->", "<!--/impression-->"
"""Between these marks stands the section, so that it can be renewed in a page that is already there."""


def place(html: str, records: Sequence[Record]) -> str:
    """A page with the section of these records in it (none: an empty place for it)."""
    body = _section(records) if records else ""
    return re.sub(f"{re.escape(BEGIN)}.*?{re.escape(END)}", lambda _: f"{BEGIN}{body}{END}", html, flags=re.DOTALL)


def cover(document: Mapping[str, Any], shell: str) -> str:
    """The section that stands in a covered page instead of the findings."""
    return section("sealed", f"<p>{esc(texts.SEALED)}</p><pre>{esc(shell)}</pre>")


def _section(records: Sequence[Record]) -> str:
    current = records[-1]
    seen = current.impression
    rows = [
        (texts.IMPRESSION[name], getattr(seen, name))
        for name in ("reader", "atypia", "mitoses", "atypical_mitoses", "necrosis", "confidence", "remarks")
    ]
    rows.insert(-1, (texts.IMPRESSION["differential"], "; ".join(seen.differential)))
    for zone in seen.zones:
        words = ", ".join(w for w in (zone.seen and f"{texts.IMPRESSION['seen']} {zone.seen}", *zone.tissues) if w)
        rows.append((f"{texts.IMPRESSION['zone']} {zone.zone}", words))
    body = "".join(f'<tr><th scope="row">{esc(k)}</th><td>{esc(v)}</td></tr>' for k, v in rows if v)
    html = table(texts.SECTIONS["impression"], ("Asked", "Answered"), f"<tbody>{body}</tbody>", "plain")
    if seen.tests:
        tests = "".join(
            f'<tr><th scope="row">{esc(t.name)}</th><td>{esc(t.result)} {esc(t.note)}</td><td>{esc(t.caveat)}'
            f'<span class="about">{esc("; ".join(t.sources))}</span></td></tr>'
            for t in seen.tests
        )
        html += f"<h3>{esc(texts.TESTS)}</h3>"
        html += table(texts.TESTS, ("Test", "Result", "What it can not say"), f"<tbody>{tests}</tbody>", "plain")
    html += _concordance(current)
    versions = bullets(
        f"version {r.version}, {esc(r.recorded_at)}, {esc(texts.SEEN[r.findings_seen])}"
        f'{f", because {esc(r.because)}" if r.because else ""}; SHA-256 <span class="hash">{esc(r.digest)}</span>'
        for r in records
    )
    html += f'<h3>{esc(texts.VERSIONS)}</h3><div class="note">{versions}</div>'
    return section("impression", html)


def _concordance(record: Record) -> str:
    held = concordance(record.impression.ticks)
    body = ""
    for row in held.rows:
        mark = "☒" if row.chosen else "☐"
        reasons = f'<span class="about">{esc("; ".join(row.reasons))}</span>' if row.reasons else ""
        options = bullets(esc(option) for option in row.options)
        word = texts.TICKED[row.chosen]
        body += (
            f'<tr><th scope="row"><span aria-hidden="true">{mark}</span><span class="aloud"> {esc(word)}</span> '
            f"{esc(row.label)}{reasons}</th><td>{options}</td></tr>"
        )
    head = (texts.SECTIONS["concordance"], "Options for the team")
    return (
        f'<h3>{esc(texts.SECTIONS["concordance"])}</h3><p class="note">{esc(texts.CONCORDANCE_NOTE)} '
        f"{esc(' '.join(held.reasons) if held.category == 'open' else '')}</p>"
        + table(texts.SECTIONS["concordance"], head, f"<tbody>{body}</tbody>", "plain")
        + f'<p class="sources">{esc("; ".join(held.sources))}</p>'
    )
