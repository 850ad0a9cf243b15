"""What the page is told of a case: its state in words, what was given, what was measured. Words, not numbers to judge.

One rule stands before all: of a covered case nothing of what imaging says leaves here.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from ..base import MAIN, InputError, MineralizeError, is_share
from ..correlate import TEST_CAVEATS, ZONE_WORDS
from ..results import History, concordance, impression, shown, texts
from ..results import form as answers
from ..results import read as read_history
from . import case_edit, words
from .attendant import Job
from .shelf import Case
from .work import case_file_version, fingerprint


def covered(case: Case) -> bool:
    """Whether findings of the case must not be shown yet."""
    try:
        return (case.results / impression.SEAL).exists() and not impression.load_impressions(case.results)
    except InputError:
        return True  # an impression that was tampered with opens nothing


def summary(case: Case, job: Job | None) -> dict[str, Any]:
    """One line of the list: alias, state in words, days and events for the small time line."""
    look, measured = case.remembered("look"), case.remembered("measured")
    files = fingerprint(case)
    kind, text = _state(case, files, look, measured, job)
    hidden = kind == "covered"
    return {
        "key": case.key,
        "alias": case.alias,
        "state": kind,
        "words": text,
        "looked": look is not None and look.get("files") == files,
        "scans": [] if look is None else [{"number": s["number"], "day": s["day"]} for s in look["scans"]],
        "events": [] if look is None or hidden else look["events"],
        "job": _told_job(job, hidden),
    }


def whole(case: Case, job: Job | None) -> dict[str, Any]:
    """All that the page of one case draws from."""
    told = summary(case, job)
    told["day_zero"] = ""
    told["impressions"], told["impression_fault"] = _impressions(case)
    if told["state"] == "covered":
        return told
    look, measured, first = (case.remembered(name) for name in ("look", "measured", "first"))
    files = fingerprint(case)
    if look is not None:
        told["day_zero"] = look["day_zero"]
        told["scans"], told["offers"] = _untagged(look["scans"]), _untagged(look["offers"])
        told["looked_version"] = look["case_file"]
        told |= {name: look[name] for name in ("notes", "seeds")}
        told["wholes"] = look["wholes"] if look["files"] == files else None
    told["given"], told["case_fault"] = _given(case, look)
    told["candidates"] = case.remembered("candidates")
    told["first"] = {k: v for k, v in (first or {}).items() if v.get("files") == files}
    told["measured"] = None
    # With other files the numbers of scans may mean others: what was measured is told of, not drawn.
    if measured is not None and measured["files"] == files and (case.results / "history.json").is_file():
        told["measured"] = {**measured, "stale": measured["case_file"] != case_file_version(case)}
    return told


def _state(case: Case, files: str, look: Any, measured: Any, job: Job | None) -> tuple[str, str]:
    """A stable word for the state of a case, and a sentence."""
    if covered(case):
        return "covered", words.COVERED
    if measured is not None and (case.results / "history.json").is_file():
        if measured["files"] != files:
            return "measured", words.NEW_FILES
        text = words.MEASURED.format(**{k: measured[k] for k in ("trusted", "cautions", "withheld")})
        reasons = _why_withheld(case) if measured["withheld"] else []
        if reasons:
            text += words.WITHHELD.format(why="; ".join(reasons))
        if measured["case_file"] != case_file_version(case):
            text += words.CHANGED_SINCE
        return "measured", text
    if job is not None and job.state == "failed" and job.kind not in ("LesionNeeded", "ended"):
        return "unusable", job.text
    if look is None or look["files"] != files:
        return "new", words.NEW
    if look["seeds"] or _has_point(case):
        return "pointed", words.POINTED
    return "pointless", words.NEEDS_POINT


def _has_point(case: Case) -> bool:
    try:
        given = case_edit.read(case.case_file, case.kept / "journal.json").table
        return bool({"lesion", "margin", "contour"} & set(given))
    except MineralizeError:
        return False


def _why_withheld(case: Case) -> list[str]:
    """The reasons that most withheld values share, the most frequent first, at most two."""
    try:
        rows = read_history(case.results / "history.json")["measurements"]
    except (InputError, KeyError):
        return []
    found: dict[str, int] = {}
    for row in rows:
        if row["trust"] == "withheld" and row["reason"]:
            found[row["reason"]] = found.get(row["reason"], 0) + 1
    return sorted(found, key=lambda reason: -found[reason])[:2]


def _told_job(job: Job | None, hidden: bool) -> dict[str, Any] | None:
    if job is None:
        return None
    told = job.told()
    if hidden:
        told["result"] = {}
    return told


def with_tag(case: Case, act: Mapping[str, Any]) -> dict[str, Any]:
    """An act of the page with the tag of the series, or of the drawn place, that its number means now.

    Raises
    ------
    Conflict
        when files came or went since the page was told the numbers.
    """
    named = {name: value for name, value in act.items() if name not in ("series", "tag")}
    look = case.remembered("look")
    drawn = named.get("do") == "drawn"
    if look is None or not (drawn or "scan" in named):
        return named
    if look["files"] != fingerprint(case):
        raise case_edit.Conflict
    tags = {one["number"]: one.get("tag", "") for one in look["offers" if drawn else "scans"]}
    if drawn:
        return named | {"tag": tags.get(named.get("number"), "")}
    return named | {"series": tags.get(named["scan"], "")}


def _untagged(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows as the browser may know them."""
    return [{name: value for name, value in row.items() if name != "tag"} for row in rows]


def _numbered(value: Any, numbers: Mapping[str, int]) -> Any:
    """Entries with the number that their series has now, and no tag; 0, which is no scan, where it is gone."""
    if isinstance(value, list):
        return [_numbered(item, numbers) for item in value]
    if not isinstance(value, dict):
        return value
    named = {name: _numbered(item, numbers) for name, item in value.items()}
    named.pop("tag", None)
    if "series" in named:
        named["scan"] = numbers.get(str(named.pop("series")), 0)
    return named


def _given(case: Case, look: Any) -> tuple[dict[str, Any] | None, str]:
    """What ``case.toml`` says, as the page draws it, with its version."""
    try:
        held = case_edit.read(case.case_file, case.kept / "journal.json")
    except MineralizeError as error:
        return None, str(error)
    names = ("lesion", "margin", "contour", "mineral", "biopsy", "event")
    table = json.loads(json.dumps({n: held.table[n] for n in names if n in held.table}, default=str))
    scans = [] if look is None else look["scans"]
    table = _numbered(table, {scan["tag"]: scan["number"] for scan in scans if scan.get("tag")})
    return {"version": held.version, "undo": held.undo, "redo": held.redo, "table": table}, ""


# --- numbers -------------------------------------------------------------------------------------------------------


def numbers(case: Case) -> dict[str, Any]:
    """The tables, courses and profiles of the record, worded and rounded as the summary words and rounds them."""
    document = read_history(case.results / "history.json")
    at = {(r["scan"], r["quantity"]): r for r in document["measurements"]}
    scans = [s["scan"] for s in document["scans"]]
    return {
        "scans": [{"number": s["scan"], "day": s["day"]} for s in document["scans"]],
        "groups": [
            {"title": title, "rows": [_row(q, [at.get((n, q)) for n in scans]) for q in group]}
            for title, group in shown.in_groups(document["measurements"])
        ],
        "changes": [_change(c, document) for c in document["changes"] if c["quantity"] in MAIN],
        "profiles": document["profiles"],
        "findings": [
            {"text": f["text"], "trust": f.get("trust", "ok"), "sources": f["sources"]}
            for f in document["correlation"]["findings"]
        ],
        "tissue": document["correlation"]["expected_tissue"],
        "biopsies": document["correlation"]["biopsies"],
        "words": {
            "trust": texts.TRUST,
            "verdicts": texts.VERDICTS,
            "tissue": texts.TISSUE_NOTE,
            "zones": ZONE_WORDS,
        },
    }


def _row(quantity: str, rows: list[Mapping[str, Any] | None]) -> dict[str, Any]:
    unit = next((shown.unit(r) for r in rows if r is not None), "")
    return {
        "quantity": quantity,
        "title": texts.quantity_title(quantity),
        "meaning": texts.quantity_meaning(quantity),
        "unit": unit.strip(),
        "cells": [
            None
            if r is None
            else {
                "text": shown.value(r),
                "interval": shown.interval(r),
                "value": r["value"],
                "low": r["low"],
                "high": r["high"],
                "trust": r["trust"],
                "reason": r["reason"],
            }
            for r in rows
        ],
    }


def _change(c: Mapping[str, Any], document: History) -> dict[str, Any]:
    unit = next((r["unit"] for r in document["measurements"] if r["quantity"] == c["quantity"]), "")
    text = ""
    if c["difference"] is not None:
        known = c["low"] is not None and c["high"] is not None
        half = (c["high"] - c["low"]) / 2 if known else abs(c["difference"]) * 0.05
        text = shown.rounded(c["quantity"], unit, half, c["difference"], sign=True)
        text += " points" if is_share(c["quantity"]) else f" {texts.unit_words(unit)}".rstrip()
    return {
        "from": c["from_scan"],
        "to": c["to_scan"],
        "title": texts.quantity_title(c["quantity"]),
        "quantity": c["quantity"],
        "text": text,
        "real": c["real"],
        "verdict": texts.REAL[c["real"]],
        "reason": c["reason"],
    }


# --- the impression ------------------------------------------------------------------------------------------------


def form() -> dict[str, Any]:
    """The fields of the impression and the answers that each takes."""
    return {
        "words": texts.IMPRESSION,
        "zones": list(answers.ZONES),
        "yes_no": list(answers.YES_NO),
        "atypia": list(answers.ATYPIA),
        "confidence": list(answers.CONFIDENCE),
        "results": list(answers.RESULTS),
        "tests": {name: caveat[0] for name, caveat in TEST_CAVEATS.items()},
        "ticks": {
            "histology": list(answers.HISTOLOGY),
            "accounts": list(answers.ACCOUNTS),
            "sampling": list(answers.SAMPLING),
            "timing": list(answers.TIMING),
            "comparable": list(answers.COMPARABLE),
        },
    }


def _impressions(case: Case) -> tuple[list[dict[str, Any]], str]:
    try:
        records = impression.load_impressions(case.results)
    except InputError as error:
        return [], str(error)
    told = []
    for r in records:
        held = concordance(r.impression.ticks)
        told.append(
            {
                "version": r.version,
                "recorded_at": r.recorded_at,
                "seen": texts.SEEN[r.findings_seen],
                "because": r.because,
                "digest": r.digest,
                "impression": asdict(r.impression),
                "concordance": {
                    "category": held.category,
                    "label": held.label,
                    "reasons": list(held.reasons),
                    "rows": [asdict(row) for row in held.rows],
                    "sources": list(held.sources),
                    "note": texts.CONCORDANCE_NOTE,
                },
            }
        )
    return told, ""
