"""Text that people typed: made harmless for every format, and never quoted where it may hold a name.

What may not pass: control characters (C0 and C1 but for line feed and tab), marks that turn the direction of writing
(Unicode Standard Annex 9: LRM, RLM, ALM, embeddings, overrides, isolates), line and paragraph separators, characters
of no meaning (zero width, byte order mark, unassigned tags), and halves of surrogate pairs. A page, a PDF, a DICOM
attribute and a table all get the same text.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Sequence

KEPT = frozenset("\n\t\N{ZERO WIDTH JOINER}\N{ZERO WIDTH NON-JOINER}")
"""Control and format characters that belong to text: line feed, tab, and the joiners that Indic scripts need."""
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""What makes a spreadsheet take a cell for a formula (common practice; OWASP, CSV injection)."""


def plain_text(text: str, *, one_line: bool = False) -> str:
    """Text with everything taken out that is not to be seen, in the composed form (NFC).

    Carriage returns become line feeds; with ``one_line`` every run of white space becomes one blank.
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    text = text.replace("\N{LINE SEPARATOR}", "\n").replace("\N{PARAGRAPH SEPARATOR}", "\n")
    kept = "".join(c for c in text if c in KEPT or unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Cn", "Co"))
    kept = unicodedata.normalize("NFC", kept)
    return " ".join(kept.split()) if one_line else kept


def cell_text(text: str) -> str:
    """Plain text as a cell of a table: what a spreadsheet would run as a formula begins with an apostrophe."""
    text = plain_text(text)
    return f"'{text}" if text.lstrip().startswith(FORMULA_STARTS) or text.startswith(FORMULA_STARTS) else text


def unknown_key(name: str, place: int, known: Sequence[str]) -> str:
    """What to say of a key that is not known: it is quoted only where it resembles a known one.

    A key may hold a patient's name as well as a slip of the pen. ``place`` counts the keys of its table from 1.
    """
    listed = f"known: {', '.join(known)}"
    near = difflib.get_close_matches(name[:64].casefold(), known, n=1, cutoff=0.75)
    if near and plain_text(name, one_line=True) == name and len(name) <= 64:
        return f"unknown key {name!r}, did you mean {near[0]!r}? ({listed})"
    return f"key {place} is unknown ({listed})"
