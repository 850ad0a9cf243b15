"""The reading of the five sentences against truth: it must find a wrong one, and pass those measured in phantoms."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "scripts"))

from validation.answers import judge  # noqa: E402

TRUTH: dict[int, dict[str, float | None]] = {
    1: {"lesion_volume": 10000.0, "mineral_mass": 200.0, "zonal_contrast": 0.9, "rim_completeness": 0.5,
        "cortex_gap": 6.0, "cortex_contact_area": 0.0},
    2: {"lesion_volume": 20000.0, "mineral_mass": 900.0, "zonal_contrast": 0.9, "rim_completeness": 1.0,
        "cortex_gap": 4.0, "cortex_contact_area": 0.0},
}  # fmt: skip
THIN = "\u202f"
RIGHT = {
    "place": f"In scan 2 (day 60): beside the cortex, 4.1{THIN}mm (3.8 to 4.4) away, no contact found.",
    "mineral": "In scan 2 (day 60) mineral is denser at the periphery; the shell runs all round as far as can be "
    "resolved.",
    "course": f"Scan 1 (day 10) to scan 2 (day 60): larger (+98{THIN}% in 50 days); more mineral (+350{THIN}% in 50 "
    "days).",
    "needle": "B1 reached only the central zone (20 % of the lesion).",
    "distrust": "The outline is uncertain in scan 1.",
}
NEEDLES = ("B1 reached only the central zone",)


def verdicts(said: dict[str, str], **more: Any) -> dict[str, str]:
    return {row.question: row.verdict for row in judge(said, TRUTH, **{"needles": NEEDLES, **more})}


def test_right_sentences_are_right() -> None:
    assert set(verdicts(RIGHT).values()) == {"right"}


@pytest.mark.parametrize(
    ("question", "sentence"),
    [
        ("place", "In scan 2 (day 60): attached to the cortex as far as CT shows, over 120 mm² (90 to 150)."),
        ("place", "In scan 2 (day 60): in soft tissue, 9.0 mm (8.5 to 9.5) from the nearest cortex."),
        ("mineral", "In scan 2 (day 60) zoning is reversed: mineral is denser in the centre; there is no shell."),
        ("mineral", "No mineral was measured in any scan. That is a result, and separates nothing."),
        ("mineral", "In scan 2 (day 60) mineral is denser at the periphery; there is no shell."),
        (
            "mineral",
            f"In scan 2 (day 60) mineral is denser at the periphery; a shell covers part of the outline (40{THIN}% "
            "(35 to 45)).",
        ),
        (
            "mineral",
            "In scan 2 (day 60) mineral is denser at the periphery; it fills the lesion, so there is no separate "
            "shell.",
        ),
        ("course", "Scan 1 (day 10) to scan 2 (day 60): smaller (−20 % in 50 days); more mineral (+350 % in 50 days)."),
        ("course", "Scan 1 (day 10) to scan 2 (day 60): not measurably larger or smaller; more mineral."),
        ("course", "Scan 1 (day 10) to scan 2 (day 60): larger; mineral not measurably changed."),
        ("needle", "B1 crossed all three zones."),
        ("distrust", "Scan 2 may be of another person or limb: the skeleton does not fit."),
    ],
)
def test_wrong_sentences_are_found(question: str, sentence: str) -> None:
    assert verdicts({**RIGHT, question: sentence})[question] == "wrong"


def test_large_errors_and_strangers_have_to_be_named() -> None:
    assert verdicts(RIGHT, volumes={1: 16000.0})["distrust"] == "right"
    assert verdicts(RIGHT, volumes={2: 26000.0})["distrust"] == "wrong"
    assert verdicts(RIGHT, strangers=[2])["distrust"] == "wrong"


def test_what_commits_itself_to_nothing_is_open() -> None:
    said = {
        "place": "In scan 1 (day 10): not settled whether it touches the cortex.",
        "mineral": "Where the mineral lies was not assessed: slices too thick.",
        "course": "Scan 1 (day 10) to scan 2 (day 60): change of size not settled; more mineral (+2 %).",
        "needle": RIGHT["needle"],
        "distrust": RIGHT["distrust"],
    }
    near = {**TRUTH, 1: {**TRUTH[1], "cortex_gap": 1.0}}
    found = {row.question: row.verdict for row in judge(said, near, needles=NEEDLES)}
    assert [found[q] for q in ("place", "mineral", "course")] == ["open", "open", "open"]
    assert verdicts({**RIGHT, **said})["place"] == "wrong"  # 6 mm away: there is nothing to settle


def test_the_truth_of_the_kept_histories_has_what_is_read() -> None:
    told = json.loads((ROOT / "tests" / "data" / "told.json").read_text(encoding="utf-8"))
    for case in told.values():
        for truth in case["truth"]:
            assert {"lesion_volume", "mineral_mass", "zonal_contrast", "cortex_gap"} <= truth.keys()
