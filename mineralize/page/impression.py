"""The page's section on the slides: the person's own impression, its versions, and the concordance of their ticks."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from ..results import Record, concordance, texts
from .parts import bullets, esc, section, table

BEGIN, END = "<!--impression-->", "<!--/impression-->"
LINK_BEGIN, LINK_END = "<!--impression-link-->", "<!--/impression-link-->"
"""Between these marks stands the section, so that it can be renewed in a page that is already there."""


def place(html: str, records: Sequence[Record]) -> str:
    """A page with the section of these records in it (none: an empty place for it)."""
    body = _section(records) if records else ""
    link = f'<li><a href="#impression">{esc(texts.SECTIONS["impression"])}</a></li>' if records else ""
    for begin, end, what in ((BEGIN, END, body), (LINK_BEGIN, LINK_END, link)):
        fresh = f"{begin}{what}{end}"
        html = re.sub(f"{re.escape(begin)}.*?{re.escape(end)}", lambda _, f=fresh: f, html, flags=re.DOTALL)  # type: ignore[misc]
    return html


def cover(document: Mapping[str, Any], shell: str) -> str:
    """The section that stands in a covered page instead of the findings."""
    return section("sealed", f"<p>{esc(texts.SEALED)}</p><pre>{esc(shell)}</pre>")


def answers_of(record: Record) -> list[tuple[str, str]]:
    """Everything that was asked and answered in a record, without tests and ticks, in the order of the form."""
    seen = record.impression
    rows = [(texts.IMPRESSION[name], getattr(seen, name)) for name in ("reader", "cores", "orientation", "decalcified")]
    rows.append((texts.IMPRESSION["zoning"], seen.zoning))
    told = []
    for zone in seen.zones:
        words = ", ".join(w for w in (zone.seen and f"{texts.IMPRESSION['seen']} {zone.seen}", *zone.tissues) if w)
        if words:
            told.append(f"{zone.zone} ({words})")
    rows.append((texts.IMPRESSION["zones"], "; ".join(told)))
    rows += [(texts.IMPRESSION[name], getattr(seen, name)) for name in ("atypia", "mitoses", "atypical_mitoses")]
    rows.append((texts.IMPRESSION["necrosis"], seen.necrosis))
    rows.append((texts.IMPRESSION["differential"], "; ".join(seen.differential)))
    rows += [(texts.IMPRESSION[name], getattr(seen, name)) for name in ("confidence", "remarks")]
    return [(name, answer) for name, answer in rows if answer]


def _section(records: Sequence[Record]) -> str:
    current = records[-1]
    seen = current.impression
    rows = answers_of(current)
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
    html += f"<h3>{esc(texts.VERSIONS)}</h3>" + "".join(
        _version(record, records[k - 1] if k else None) for k, record in enumerate(records)
    )
    return section("impression", html)


def _version(record: Record, before: Record | None) -> str:
    """One version: when, before or after imaging, and what it says or what it changed, in full where unfolded."""
    because = f", because {esc(record.because)}" if record.because else ""
    head = f"version {record.version}, {esc(record.recorded_at)}, {esc(texts.SEEN[record.findings_seen])}{because}"
    now = dict(_all_answers(record))
    rows = list(now.items())
    caption = texts.VERSION_SAYS
    if before is not None:
        was = dict(_all_answers(before))
        names = dict.fromkeys((*was, *now))
        rows = [
            (name, texts.CHANGED.format(was=was.get(name, texts.EMPTY), now=now.get(name, texts.EMPTY)))
            for name in names
            if was.get(name) != now.get(name)
        ]
        caption = texts.VERSION_CHANGED
    body = bullets(f"{esc(name)}: {esc(answer)}" for name, answer in rows) or f"<p>{esc(texts.NOTHING_CHANGED)}</p>"
    return (
        f'<details class="version"><summary>{head}</summary><p class="note">{esc(caption)}</p>{body}'
        f'<p class="note">SHA-256 <span class="hash">{esc(record.digest)}</span></p></details>'
    )


def _all_answers(record: Record) -> list[tuple[str, str]]:
    """Answers, tests and ticks of a record."""
    rows = answers_of(record)
    rows += [(t.name, " ".join(w for w in (t.result, t.note) if w)) for t in record.impression.tests]
    return rows + ticked(record)


def ticked(record: Record) -> list[tuple[str, str]]:
    """What the reader ticked, question and answer."""
    ticks = record.impression.ticks
    return [(question, getattr(ticks, name)) for name, question in texts.TICK_QUESTIONS.items() if getattr(ticks, name)]


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
    given = bullets(f"{esc(question)}: <b>{esc(answer)}</b>" for question, answer in ticked(record))
    return (
        f'<h3>{esc(texts.SECTIONS["concordance"])}</h3><p class="note">{esc(texts.TICKED_BY_READER)}</p>'
        f"{given or f'<p>{esc(texts.NOT_TICKED)}</p>'}"
        f'<p class="note">{esc(texts.DERIVED_BY_RULE)} '
        f"{esc(' '.join(held.reasons) if held.category == 'open' else '')}</p>"
        + table(texts.SECTIONS["concordance"], head, f"<tbody>{body}</tbody>", "plain")
        + f'<p class="sources">{esc("; ".join(held.sources))}</p>'
    )
