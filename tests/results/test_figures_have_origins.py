"""Every figure in words that a reader sees has an origin: a source with cohort, a memory mark, or a constant here.

``tests/correlate/test_wording.py`` holds the sentences of findings; here are all other tables of words: reasons of
verdicts, fixed texts of page and PDF, hints of the form, quantities, tissues, what scans have in unlike, and what the
change of a quantity is held against.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from mineralize.base import QUANTITIES
from mineralize.base.sayings import SAYINGS
from mineralize.correlate import sources, tissue, word_tables, wording
from mineralize.measure.bone import FACING_MM
from mineralize.measure.muscle import FAR_FROM_MM, NEAR_MM
from mineralize.measure.rim_layer import LEAST_SHARE
from mineralize.results import Ticks, concordance, form_text, texts
from mineralize.surface import profile_depths

PACKAGE = Path(__file__).parents[2] / "mineralize"
SAID = re.compile(r"from memory|no source|own judgement|own estimate|not at hand", re.IGNORECASE)
"""Words that own up to a figure without a source."""
SCALE = re.compile(r"\b120 kVp?\b|\bSHA-256\b|\bUTF-8\b|\bper_30_days\b|\(?[+−]1 all\b|\b0 is the outline\b")
"""The scale that mineral is put on (a definition), names of standards and columns, and ends of a scale."""

OWN: dict[str, tuple[float, ...]] = {
    "sayings rim-too-little": (100 * LEAST_SHARE,),
    "sayings mostly-no-inner-border": (round(float(profile_depths().max()), 6),),
    "sayings nothing-faces-bone": (FACING_MM,),
    "sayings muscle-little-near": (NEAR_MM[1],),
    "sayings muscle-little-far": (FAR_FROM_MM,),
}
"""Figures of the program itself: the constants they are."""


def words() -> Iterator[tuple[str, str]]:
    """Name and text of every string of every table of words but the sentences of findings."""
    yield from ((f"sayings {code}", text) for code, text in SAYINGS.items())
    for name, row in QUANTITIES.items():
        yield from ((f"quantity {name} {part}", str(getattr(row, part))) for part in ("title", "meaning", "named"))
        yield f"quantity {name} limit", row.limit.source
    for module in (texts, form_text):
        for name, value in vars(module).items():
            if name.isupper() and name not in ("TEST_CAVEATS", "CSV_CHANGES", "CSV_MEASUREMENTS"):
                yield from ((f"{name} {part}".strip(), text) for part, text in strings(value))


def strings(value: Any) -> Iterator[tuple[str, str]]:
    if isinstance(value, str):
        yield "", value
    elif isinstance(value, dict):
        for key, held in value.items():
            yield from ((f"{key} {part}".strip(), text) for part, text in strings(held))
    elif isinstance(value, tuple | list):
        for held in value:
            yield from strings(held)


def figures(text: str) -> list[float]:
    """Numbers of a text, its blanks, powers of units and the scale left out."""
    plain = SCALE.sub("", re.sub(r"\{[^}]*\}|\b[mc]m[23]\b", "", text))
    return [float(n) for n in re.findall(r"\d+(?:\.\d+)?", plain)]


def cited(text: str) -> bool:
    """Whether a text names author and year of what it quotes, and how many they were or that this is not known."""
    return bool(re.search(r"\b[A-Z][a-z]+ (19|20)\d\d\b", text))


@pytest.mark.parametrize(("name", "text"), [(n, t) for n, t in words() if figures(t)])
def test_a_figure_is_a_constant_or_has_its_source(name: str, text: str) -> None:
    if name in OWN:
        assert figures(text) == list(OWN[name])
    else:
        assert cited(text) or SAID.search(text), (name, text)


def test_all_constants_that_are_listed_are_said() -> None:
    """A register that names what nobody reads any more would hide a hole."""
    assert {name for name, text in words() if figures(text)} >= OWN.keys()


def test_limits_after_studies_are_told_with_their_cohorts_where_changes_are_read() -> None:
    """Rows name author and year; the note above the table says how many they were (Lamba 2014: 48 pairs)."""
    named = {row.limit.source for row in QUANTITIES.values() if cited(row.limit.source)}
    for source in named:
        author = re.findall(r"[A-Z][a-z]+ (?:19|20)\d\d", source)[0]
        assert author in texts.VERDICTS
    assert "48 pairs of scans" in texts.VERDICTS
    assert "number of patients is not at hand" in texts.VERDICTS


def test_tissue_and_its_days_have_sources_beside_them() -> None:
    for (zone, stage), told in word_tables.TISSUE.items():
        if any(figures(text) for text in told):
            assert sources.cite(*tissue._SOURCES[zone, stage])  # type: ignore[index]
    assert any(figures(text) for text in word_tables.TISSUE_DAYS.values())
    assert "from memory" in wording.SENTENCES["tissue.limits"]


def test_tests_and_options_have_sources_or_say_that_they_are_from_memory() -> None:
    for caveat, keys in word_tables.TEST_CAVEATS.values():
        if figures(caveat):
            assert set(keys) - {"memory", "practice"}
            assert re.search(r"\d+ of \d+", caveat)
    held = " ".join(concordance(Ticks()).sources)
    for options in word_tables.CONCORDANCE_OPTIONS.values():
        for option in options:
            if figures(option):
                assert "from memory" in option
            if "one boy" in option:
                assert "10.1186/s13052-020-00874-9" in held


def test_what_unlike_scans_do_says_that_it_has_no_source() -> None:
    """Effects of acquisition: every text with a figure owns up, or its figure comes from the scans themselves."""
    tree = ast.parse((PACKAGE / "timeline" / "comparable.py").read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if not isinstance(node, ast.Assign) or getattr(node.targets[0], "id", "") != "effect":
            continue
        text = "".join(
            part.value
            for part in ast.walk(node.value)
            if isinstance(part, ast.Constant) and isinstance(part.value, str)
        )
        text = SCALE.sub("", text)
        if re.search(r"\d", re.sub(r"\.\d*f|:g", "", text)):
            assert SAID.search(text), text


def test_a_finding_with_a_published_figure_carries_its_source() -> None:
    """One click below each sentence: the keys of the table of figures are among the sources where it is said."""
    own = {"definition", "teaching", "practice", "memory"}
    code = "\n".join(p.read_text(encoding="utf-8") for p in (PACKAGE / "correlate").glob("*.py"))
    for key, keys in sources.FIGURES.items():
        published = [k for k in keys if k not in own]
        for one in published:
            assert f'"{one}"' in code, (key, one)
