"""The five answers as a strip, and the findings as rows: topic, answer, trust; the rest folded."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..results import texts
from .parts import esc, mark, table, within


def answers(document: Mapping[str, Any]) -> str:
    """Five short sentences, each with its trust and a link to what it rests on."""
    cards = ""
    for answer in document["correlation"].get("answers", ()):
        target = {"biopsy": "biopsy", "cautions": "cautions"}.get(answer["rests_on"], f"topic-{answer['rests_on']}")
        if not any(f["key"].partition(".")[0] == answer["rests_on"] for f in document["correlation"]["findings"]):
            target = target if target in ("biopsy", "cautions") else "findings"
        cards += (
            f'<div class="{answer["trust"]}"><dt>{esc(texts.QUESTIONS[answer["question"]])}</dt>'
            f'<dd>{esc(answer["text"])}</dd><dd class="foot-line">{mark(answer["trust"])} '
            f'<a href="#{target}">{esc(texts.RESTS_ON)}<span class="aloud"> '
            f"{esc(within(texts.QUESTIONS[answer['question']]))}</span></a></dd></div>"
        )
    title = esc(texts.SECTIONS["answers"])
    return (
        f'<section id="answers" aria-labelledby="h-answers"><h2 id="h-answers" class="aloud">{title}</h2>'
        f'<dl class="answers">{cards}</dl></section>'
        if cards
        else ""
    )


def findings(document: Mapping[str, Any]) -> str:
    """One row per topic; texts, what they rest on, limits and sources unfold."""
    topics: dict[str, list[Mapping[str, Any]]] = {}
    for f in document["correlation"]["findings"]:
        topics.setdefault(f["topic"], []).append(f)
    if not topics:
        return f"<p>{esc(texts.NO_FINDINGS)}</p>"
    told: dict[str, str] = {}
    body = "".join(_row(topic, said, told) for topic, said in topics.items())
    head = ("Topic", "Answer", "Trust")
    return table(texts.SECTIONS["findings"], head, f"<tbody>{body}</tbody>", "rows")


def _row(topic: str, said: list[Mapping[str, Any]], told: dict[str, str]) -> str:
    anchor = f"topic-{said[0]['key'].partition('.')[0]}"
    if anchor in told:
        anchor = f"{anchor}-{len(told)}"
    told[anchor] = topic
    lines = "".join(f'<span class="{f["trust"]}">{esc(f.get("brief") or f["text"])}</span>' for f in said)
    marks = "".join(f"<li>{mark(f['trust'])}</li>" for f in said)
    unfold = "".join(_unfolded(f, told) for f in said)
    limits = list(dict.fromkeys(f["limits"] for f in said if f["limits"]))
    sources = list(dict.fromkeys(s for f in said for s in f["sources"]))
    unfold += "".join(f'<p class="limits">{esc(_once(text, told, topic))}</p>' for text in limits)
    if sources:
        unfold += f'<p class="sources">{esc("; ".join(sources))}</p>'
    return (
        f'<tr id="{anchor}"><th scope="row">{esc(topic)}</th><td><details><summary>{lines}'
        f"</summary>{unfold}</details></td>"
        f"<td><ul>{marks}</ul></td></tr>"
    )


def _unfolded(finding: Mapping[str, Any], told: dict[str, str]) -> str:
    why = finding.get("why", "")
    if why and why in told:
        return f"<p>{esc(texts.SAME_REASON.format(brief=_capital(finding['brief']), topic=within(told[why])))}</p>"
    if why:
        told[why] = finding["topic"]
    rests = _rests_on(finding)
    body = f"<p>{esc(finding.get('plain') or finding['text'])}</p>"
    if rests:
        body += f'<p class="sources">{esc(texts.RESTS.format(list=rests))}</p>'
    return body


def _once(text: str, told: dict[str, str], topic: str) -> str:
    """A limit in full the first time it is said."""
    if text in told:
        return texts.SAME_LIMITS.format(topic=within(told[text]))
    told[text] = topic
    return text


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


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
