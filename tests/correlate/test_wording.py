"""What no text for a reader may say: a list of phrases, searched in every string of the package.

The list is this project's own rule; that nothing here claims accuracy rests on what was found in print: no study of
the accuracy of CT zoning, of a cleft, or of a CT oedema proxy for this kind of lesion.
"""

from __future__ import annotations

import ast
import re
import string
from pathlib import Path

import pytest

from mineralize import correlate
from mineralize.base import QUANTITIES
from mineralize.base.quantity_table import OWN
from mineralize.correlate import sources, word_tables, wording
from mineralize.correlate.biopsy_site import RIM_REACH_MM
from mineralize.correlate.course import AFTER_BIOPSY_DAYS, THREE_MONTHS_DAYS
from mineralize.correlate.states import ALL_ROUND, NO_RIM
from mineralize.results import blank_form, texts
from mineralize.results.concordance import CATEGORIES

PACKAGE = Path(__file__).parents[2] / "mineralize"

FORBIDDEN = (
    r"consistent with",
    r"compatible with",
    r"diagnostic (of|for)\b",
    r"pathognomonic",
    r"characteristic of",
    r"typical of",
    r"classic for",
    r"suspicious for",
    r"\bsuggest(s|ed|ive|ing)?\b",
    r"indicat(es|ive of)\b",
    r"in keeping with",
    r"confirms?\b",
    r"rules? out",
    r"ruled out",
    r"excludes? (sarcoma|malignan|osteosarcoma|myositis)",
    r"proves?\b",
    r"\bready for (excision|surgery|resection)",
    r"\bsafe to (excise|remove|resect|operate|wait|follow)",
    r"\bshould be (excised|removed|resected|biopsied|treated|followed)",
    r"\b(we|it is) recommend",
    r"\brecommended\b",
    r"\bmust be (excised|resected|treated)",
    r"\bfavou?rs? (a )?(benign|malignan)",
    r"\b(likely|probably|certainly|definitely) (benign|malignant|reactive|a sarcoma|sarcoma|myositis)",
    r"\b(benign|malignancy|maturity|risk|activity) score",
    r"\bprobability of (malignan|sarcoma|benign)",
    r"\bbenign sign of\b",
    r"\bis (a )?(benign|malignant)\b",
    r"\bsensitivit(y|ies)\b",
    r"\bspecificit(y|ies)\b",
    r"\baccuracy of \d",
    r"\bnormal range\b",
    r"\breference range\b",
    r"qiba[- ]conformant",
    r"\bthis lesion is (?!one)",
    r"no (further )?(follow-up|biopsy|treatment) (is )?needed",
)
ALLOWED = ("no benign sign by itself",)
"""Denials that hold a forbidden phrase."""


def text_of(path: Path) -> list[tuple[int, str]]:
    """Line and text of every string in a module that is not documentation and not a regular expression."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    documentation = {
        id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    return [
        (node.lineno, node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in documentation
    ]


def forbidden_in(text: str) -> list[str]:
    plain = text.lower()
    for phrase in ALLOWED:
        plain = plain.replace(phrase, "")
    return [pattern for pattern in FORBIDDEN if re.search(pattern, plain)]


MODULES = sorted(p.relative_to(PACKAGE).as_posix() for p in PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("module", MODULES)
def test_no_text_over_claims(module: str) -> None:
    found = [(line, text, hit) for line, text in text_of(PACKAGE / module) for hit in forbidden_in(text)]
    assert found == []


@pytest.mark.parametrize(
    "text",
    [
        "The pattern is consistent with a benign process.",
        "Maturity score 4 of 5: ready for excision",
        "Sensitivity 90 %",
        "Findings suggest sarcoma",
        "the lesion is benign",
        "Probably malignant",
    ],
)
def test_the_search_finds_what_it_should(text: str) -> None:
    assert forbidden_in(text)


def test_all_texts_together_name_no_disease_as_present() -> None:
    # diseases are named only in sentences about literature or tests, never as what this lesion has
    named = re.compile(r"myositis ossificans|sarcoma|osteosarcoma|fasciitis|tumour", re.IGNORECASE)
    about = re.compile(
        r"literature|series|seen in|samples|published|teaching|borrowed|conference|centre|read as|tumours|positive|"
        r"negative|sarcoma once|told|described|less common|more usual|measured on mri|lesion is one",
        re.IGNORECASE,
    )
    for key, sentence in wording.SENTENCES.items():
        if named.search(sentence):
            assert about.search(sentence), key


def test_every_sentence_is_used_and_can_be_filled() -> None:
    code = "\n".join(
        p.read_text(encoding="utf-8")
        for p in (PACKAGE / "correlate").glob("*.py")
        if p.stem not in ("wording", "word_tables") and not p.stem.startswith("sentences")
    )
    prefixes = set(re.findall(r'f"([a-z][a-z.-]*\.)\{', code)) | set(re.findall(r'say\("([a-z.-]+\.)" \+', code))
    for key, sentence in wording.SENTENCES.items():
        fields = {name for _, name, _, _ in string.Formatter().parse(sentence) if name is not None}
        assert all(name and name.isidentifier() for name in fields), key
        used = f'"{key}"' in code or any(key.startswith(p) and "." not in key[len(p) :] for p in prefixes)
        assert used, f"{key} is used nowhere"


def test_an_unknown_sentence_or_an_open_blank_is_an_error() -> None:
    with pytest.raises(KeyError):
        wording.say("no such sentence")
    with pytest.raises(KeyError):
        wording.say("not-assessed", topic="Zoning", scans="scan 1")


def test_limits_that_sentences_state_are_those_in_use() -> None:
    assert f"below {100 * NO_RIM:.0f} %, all round from {100 * ALL_ROUND:.0f} %" in wording.SENTENCES["rim.limits"]
    assert f"day {THREE_MONTHS_DAYS}" in wording.SENTENCES["late.none"]
    assert AFTER_BIOPSY_DAYS == 6 * 7
    assert "six weeks" in wording.SENTENCES["muscle.biopsy"]
    assert RIM_REACH_MM == 3.0


def test_published_frequencies_are_those_of_their_source() -> None:
    # numerators and denominators as published; percentages by arithmetic
    relation = wording.SENTENCES["relation.limits"]
    assert "39 of 60" in relation  # Jelinek 1996: 20/32 + 19/28
    assert "(65 %" in relation
    assert "25 of 28 high-grade and 2 of 32 low-grade" in wording.SENTENCES["beyond.limits"]  # Jelinek 1996
    assert "7 of 7" in wording.SENTENCES["zoning.none.limits"]  # Wang 2018, 10.1155/2018/4186324
    assert "16 of 42" in wording.SENTENCES["zoning.none.limits"]  # Crombe 2023: 26 of 42 mineralised
    assert "83 %" in wording.SENTENCES["muscle.limits"]  # Crombe 2023
    assert "MRI" in wording.SENTENCES["muscle.limits"]
    assert "12 ± 5.3 days" in wording.SENTENCES["maturity.literature.none"]  # Sato 2025
    assert "112 ± 102 days" in wording.SENTENCES["maturity.literature.fatty"]  # Sato 2025


def test_a_cleft_is_disclaimed_wherever_it_is_described() -> None:
    assert "cleft by itself says nothing" in wording.SENTENCES["relation.limits"].lower()


def test_citations_say_what_is_from_memory_and_hold_no_open_question() -> None:
    for key, citation in sources.all_sources().items():
        assert citation.strip() == citation, key
        assert "?" not in citation, key
    assert "memory" in sources.all_sources()["Zubler20"]


def test_categories_and_tests_have_words_options_and_caveats() -> None:
    for category in CATEGORIES:
        assert wording.CONCORDANCE[category]
        assert wording.CONCORDANCE_OPTIONS[category]
        assert not [o for o in wording.CONCORDANCE_OPTIONS[category] if o.lower().startswith(("do ", "you must"))]
    for caveat, keys in wording.TEST_CAVEATS.values():
        assert caveat
        assert sources.cite(*keys)
        assert not forbidden_in(caveat)
    assert not forbidden_in(blank_form())


def test_the_page_says_that_it_makes_no_diagnosis() -> None:
    assert "no diagnosis" in texts.NOT_A_DEVICE
    assert "not a medical device" in texts.NOT_A_DEVICE


def test_the_door_of_the_layer_offers_what_it_names() -> None:
    assert all(hasattr(correlate, name) for name in correlate.__all__)


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (14137.2, "mm3", "14.1\u202fcm³"),
        (812.4, "mm3", "0.81\u202fcm³"),
        (2.345, "mm", "2.3\u202fmm"),
        (-0.04, "mm", "0.0\u202fmm"),
        (1482.9, "mg", "1\u202f480\u202fmg"),
        (0.7134, "1", "0.71"),
        (97.6, "%", "98\u202f%"),
        (320.4, "mm2", "320\u202fmm²"),
    ],
)
def test_numbers_are_shown_as_the_trade_reads_them(value: float, unit: str, shown: str) -> None:
    assert wording.amount(value, unit) == shown


def test_changes_are_shown_on_one_scale() -> None:
    assert wording.signed_change(1500.0, 60.0, 2900.0, "mm3") == "+1.5\u202fcm³ (+0.1 to +2.9)"
    assert wording.signed_change(-20.0, -41.0, 1.0, "mg") == "−20\u202fmg (−41 to +1)"


def figures_in(sentence: str) -> bool:
    """Whether a sentence holds a number of its own, its blanks left out."""
    return bool(re.search(r"\d", re.sub(r"\{[^}]*\}", "", sentence)))


def test_every_figure_in_a_sentence_has_a_source_or_says_that_it_is_from_memory() -> None:
    for key, sentence in wording.SENTENCES.items():
        if figures_in(sentence):
            keys = sources.FIGURES.get(key, ())
            assert keys or "from memory" in sentence, f"{key}: a figure without a source"
            assert sources.cite(*keys) or "from memory" in sentence
    stale = [key for key in sources.FIGURES if not figures_in(wording.SENTENCES.get(key, ""))]
    assert stale == []


def test_every_published_figure_stands_with_its_cohort_or_count() -> None:
    """A published figure is a count of a count, or says beside it whom it is about, or that this is not known."""
    cohort = re.compile(
        r"\d+ of \d+|of \d+ reviewed lesions|\(\d+ patients|hips of|one case|textbook|teaching cases|"
        r"not at hand|one series",
        re.IGNORECASE,
    )
    own = {"definition", "teaching"}
    for key, keys in sources.FIGURES.items():
        if not set(keys) <= own | {"Treece10"}:
            assert cohort.search(wording.SENTENCES[key]), key
    for feature, (_, *cells, _) in word_tables.DESCRIBED.items():
        for cell in cells:
            if re.search(r"\d", cell):
                assert re.search(r"\((one|three) (series|textbook)|\(two textbooks|from memory", cell), (feature, cell)


def test_sentences_say_no_more_than_their_sources() -> None:
    """Claims that once went further than what was read, each held against its source.

    Muhlenbruch 2005, 1 against 3 mm: volume +8.2 %, mass +12.5 % in a phantom, both +47 % in patients. Sato 2025: 8
    hips of 6 patients, not traumatic. The incomplete shell at four weeks: one case. Chemotherapy: one boy (Ital J
    Pediatr 2020, 10.1186/s13052-020-00874-9).
    """
    slices = wording.SENTENCES["compare.slice"]
    assert "less affected" not in slices
    assert "8 and 12.5 % in a phantom and by 47 % both" in slices
    for key in ("maturity.literature.none", "maturity.literature.fatty"):
        assert "8 hips of 6 patients, not traumatic but neurological" in wording.SENTENCES[key]
    assert "(one case)" in wording.SENTENCES["maturity.literature.incomplete"]
    options = " ".join(wording.CONCORDANCE_OPTIONS["discordant-malignant"])
    assert "one boy was given five cycles of chemotherapy" in options
    assert "published repeatability" not in texts.VERDICTS
    assert "our own judgement" in texts.VERDICTS
    assert "from memory" in texts.VERDICTS
    assert "as far as bone tells" in wording.SENTENCES["biopsy.carried"]


def test_the_limits_that_the_page_calls_own_judgement_are_most_of_them() -> None:
    """25 rows of limits; counted in the table of quantities itself."""
    own = [row for row in QUANTITIES.values() if row.limit.source == OWN]
    assert len(own) > len(QUANTITIES) / 2


def test_zones_shell_and_core_are_each_one_word() -> None:
    """Zones are outer, intermediate and central, a shell is mineral, a core is what a needle brings."""
    for key, filled in wording.SENTENCES.items():
        sentence = re.sub(r"\{[^}]*\}", "", filled)
        assert not re.search(r"\brim\b", sentence), key
        assert not re.search(r"\bmiddle zone\b", sentence), key
        for match in re.finditer(r"\bcores?\b[^.;]*", sentence):
            assert "tissue" in match[0], key
    for row in QUANTITIES.values():
        words = f"{row.title} {row.named} {row.meaning}"
        assert not re.search(r"\b(rim|core)\b", words, re.IGNORECASE), row.name
