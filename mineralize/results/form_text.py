"""The form as a text to fill in: blank, or with the answers of an impression that is to be amended."""

from __future__ import annotations

from ..correlate import TEST_CAVEATS
from . import form
from .form import Impression, Ticks, ZoneSeen

_HEAD = "# Impression from the slides. Leave empty what you do not want to answer."
_AMEND = (
    "# Impression from the slides, as recorded in version {version}. Change what you want to amend; record it with a\n"
    "# reason: mineralize impression DIR --from FORM --because TEXT. Earlier versions stay."
)
_TICKS = "After the findings were opened, amend with your own ticks:"
_WIDE = 27


def _joined(answers: tuple[str, ...]) -> str:
    return ", ".join(a for a in answers if a)


HINTS: dict[str, str] = {
    "reader": "a role or pseudonym, not a name",
    "cores": "number and length of cores, or the kind of specimen",
    "orientation": f"can outside and inside be told on them? {_joined(form.ORIENTATION)}",
    "decalcified": _joined(form.DECALCIFIED),
    "zoning": f"zoning of the tissue on the slides: {_joined(form.ZONING)}",
    "atypia": _joined(form.ATYPIA),
    "mitoses": "count and area, in words",
    "atypical_mitoses": _joined(form.YES_NO),
    "necrosis": _joined(form.YES_NO),
    "differential": "in order, most favoured first",
    "confidence": _joined(form.CONFIDENCE),
    "remarks": "",
}
"""Every field of the upper part of the form, in the order asked, with what it takes."""

TICK_HINTS: dict[str, str] = {
    "histology": _joined(form.HISTOLOGY),
    "accounts": f"does histology account for the imaging? {_joined(form.ACCOUNTS)}",
    "sampling": _joined(form.SAMPLING),
    "timing": _joined(form.TIMING),
    "comparable": _joined(form.COMPARABLE),
}
"""Likewise for the ticks."""


def blank_form() -> str:
    """A TOML form to fill in, with the answers that each field takes."""
    return _form(Impression(), _HEAD)


def filled_form(impression: Impression, version: int) -> str:
    """The same form with the answers of a recorded version in it, to be amended."""
    return _form(impression, _AMEND.format(version=version))


def quoted(text: str) -> str:
    """A TOML basic string (TOML 1.0, section String)."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\t", "\\t")
    return f'"{escaped}"'


def _line(name: str, value: str | tuple[str, ...], hint: str = "", *, off: bool = False) -> str:
    held = quoted(value) if isinstance(value, str) else f"[{', '.join(map(quoted, value))}]"
    text = f"{'# ' if off else ''}{name} = {held}"
    return f"{text:<{_WIDE}}# {hint}" if hint else text


def _form(impression: Impression, head: str) -> str:
    lines = [head, *(_line(name, getattr(impression, name), hint) for name, hint in HINTS.items())]
    zones = impression.zones or tuple(ZoneSeen(name) for name in ("outer", "intermediate", "central"))
    for k, zone in enumerate(zones):
        lines += [
            "",
            "[[zones]]",
            _line("zone", zone.zone, "" if k else _joined(form.ZONES)),
            _line("seen", zone.seen, "" if k else _joined(form.YES_NO)),
            _line("tissues", zone.tissues, "" if k else 'such as "woven bone", "osteoid"'),
        ]
    known, results = _joined(tuple(TEST_CAVEATS)), _joined(form.RESULTS)
    for test in impression.tests:
        lines += ["", "[[tests]]", _line("name", test.name, known), _line("result", test.result, results)]
        lines += [_line("note", test.note)]
    if not impression.tests:
        lines += ["", "# [[tests]]", _line("name", "", f"known with caveat: {known}", off=True)]
        lines += [_line("result", "", results, off=True)]
    off = impression.ticks == Ticks()
    lines += ["", f"# {_TICKS}", "# [ticks]" if off else "[ticks]"]
    lines += [_line(name, getattr(impression.ticks, name), hint, off=off) for name, hint in TICK_HINTS.items()]
    return "\n".join(lines) + "\n"
