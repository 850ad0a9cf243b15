"""The form asked question by question, as in a terminal, without a file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from . import form
from .form import Impression
from .form_text import HINTS, TICK_HINTS

CHOICES: dict[str, tuple[str, ...]] = {
    "orientation": form.ORIENTATION,
    "decalcified": form.DECALCIFIED,
    "zoning": form.ZONING,
    "atypia": form.ATYPIA,
    "atypical_mitoses": form.YES_NO,
    "necrosis": form.YES_NO,
    "confidence": form.CONFIDENCE,
}
TICKS: dict[str, tuple[str, ...]] = {
    "histology": form.HISTOLOGY,
    "accounts": form.ACCOUNTS,
    "sampling": form.SAMPLING,
    "timing": form.TIMING,
    "comparable": form.COMPARABLE,
}
LISTS = ("differential",)
ZONES_ASKED = ("outer", "intermediate", "central")
EMPTIED = "-"
"""Typed to empty an answer that was given before."""
HEAD = "Return keeps what stands in brackets, or leaves it empty; - empties it; lists are separated by semicolons."
NONE_OF = "expected one of: {answers}"
ZONE_SEEN = "{zone} zone seen? ({answers})"
ZONE_TISSUES = "tissues in the {zone} zone, such as woven bone; osteoid"


def ask(
    question: Callable[[str], str],
    tell: Callable[[str], None],
    earlier: Impression | None = None,
    *,
    ticks: bool = False,
) -> dict[str, Any]:
    """The answers of a form as plain values, for ``from_mapping``.

    Parameters
    ----------
    question : shows a prompt and returns what was typed.
    tell : shows a line.
    earlier : an impression to be amended; its answers are offered.
    ticks : whether the findings are open, so that the reader's own ticks are asked too.
    """
    held: dict[str, Any] = asdict(earlier or Impression())
    tell(HEAD)
    for name, hint in HINTS.items():
        words = name.replace("_", " ") + (f" ({hint})" if hint else "")
        held[name] = _one(question, tell, words, held[name], CHOICES.get(name), many=name in LISTS)
        if name == "zoning":
            held["zones"] = _zones(question, tell, held["zones"])
    if ticks:
        for name, hint in TICK_HINTS.items():
            held["ticks"][name] = _one(question, tell, f"{name} ({hint})", held["ticks"][name], TICKS[name])
    return held


def _zones(
    question: Callable[[str], str], tell: Callable[[str], None], earlier: list[dict[str, Any]]
) -> list[dict[str, Any]]:
    known = {z["zone"]: z for z in earlier}
    found = [z for z in earlier if z["zone"] not in ZONES_ASKED]
    for zone in ZONES_ASKED:
        was = known.get(zone, {"zone": zone, "seen": "", "tissues": ()})
        answers = ", ".join(a for a in form.YES_NO if a)
        seen = _one(question, tell, ZONE_SEEN.format(zone=zone, answers=answers), was["seen"], form.YES_NO)
        tissues = was["tissues"]
        if seen == "yes":
            tissues = _one(question, tell, ZONE_TISSUES.format(zone=zone), tissues, None, many=True)
        found.append({"zone": zone, "seen": seen, "tissues": tissues})
    return found


def _one(
    question: Callable[[str], str],
    tell: Callable[[str], None],
    words: str,
    earlier: Any,
    choices: tuple[str, ...] | None,
    *,
    many: bool = False,
) -> Any:
    """One answer; asked again as long as it is none of the choices."""
    standing = "; ".join(earlier) if many else str(earlier)
    while True:
        typed = question(f"{words}{f' [{standing}]' if standing else ''}: ").strip()
        if not typed:
            return list(earlier) if many else earlier
        if typed == EMPTIED:
            return [] if many else ""
        if many:
            return [part.strip() for part in typed.split(";") if part.strip()]
        if choices is None or typed in choices:
            return typed
        tell(NONE_OF.format(answers=", ".join(a for a in choices if a)))
