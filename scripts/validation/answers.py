"""The five sentences at the top of the page, read as a reader reads them and held against what is true of a phantom."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

Verdict = Literal["right", "open", "wrong"]
"""``open``: the sentence commits itself to nothing (not assessed, not settled)."""
Truth = Mapping[int, Mapping[str, float | None]]
"""Scan number from 1 to true quantities."""

QUESTIONS = ("place", "mineral", "course", "needle", "distrust")
LEAST_MG = 20.0
"""A true mass below which 'no mineral' is right (the speck that noise alone makes; own judgement)."""
SIDED = 0.2
"""True zonal contrast beyond which it has a direction (own judgement)."""
FILLED = 0.7
"""True zonal contrast from which mineral does not fill a lesion: a centre of a sixth of the density (own judgement)."""
LARGER, SMALLER = 1.65, 0.6
"""True ratios of volume beyond which 'not measurably larger or smaller' is wrong: the widest limit, 39 %, both ways."""
SAME = 0.1
"""A true change below this share has no direction; one called real is then wrong (own judgement)."""
SLACK = 0.1
"""How far from the truth a percentage of volume or a share may be (own judgement; of the lesion, not of the change)."""
FAR_OFF = 0.25
"""Error of a volume that has to be named as a doubt (own judgement)."""
_NUMBER = r"[+−]?\d[\d\u202f]*(?:\.\d+)?"


@dataclass(frozen=True)
class Judged:
    """One sentence, what is true of it in words, and whether it is right."""

    question: str
    sentence: str
    truth: str
    verdict: Verdict


def judge(
    said: Mapping[str, str],
    truth: Truth,
    *,
    needles: Sequence[str] = (),
    strangers: Sequence[int] = (),
    volumes: Mapping[int, float] | None = None,
) -> tuple[Judged, ...]:
    """Every sentence against the truth.

    ``needles`` are words that the sentence on the needle must hold, in order; ``strangers`` are scans of another
    person; ``volumes`` are measured volumes by scan, whose large errors the last sentence has to own up to.
    """
    held = (
        _place(said["place"], truth),
        _mineral(said["mineral"], truth),
        _course(said["course"], truth),
        _needle(said["needle"], needles),
        _distrust(said["distrust"], truth, strangers, volumes or {}),
    )
    return tuple(Judged(q, said[q], words, verdict) for q, (words, verdict) in zip(QUESTIONS, held, strict=True))


def _of(truth: Truth, sentence: str, quantity: str) -> float:
    scan = int(re.findall(r"[Ss]can (\d+)", sentence)[0])
    return float(truth[scan].get(quantity) or 0.0)


def _numbers(text: str) -> list[float]:
    return [float(n.replace("\u202f", "").replace("−", "-")) for n in re.findall(_NUMBER, text)]


def _place(sentence: str, truth: Truth) -> tuple[str, Verdict]:
    if "was not assessed" in sentence:
        return "", "open"
    gap, area = _of(truth, sentence, "cortex_gap"), _of(truth, sentence, "cortex_contact_area")
    words = f"gap {gap:.1f} mm, contact {area:.0f} mm2"
    if "not settled" in sentence:
        return words, "wrong" if gap > 5.0 else "open"
    if "attached" in sentence:
        return words, "right" if area > 0 else "wrong"
    _, low, high = _numbers(sentence.partition(")")[2])[:3]
    near = low - 0.5 <= gap <= high + 0.5
    return words, "right" if area == 0 and near else "wrong"


def _mineral(sentence: str, truth: Truth) -> tuple[str, Verdict]:
    if "No mineral was measured in any scan" in sentence:
        most = max(float(t.get("mineral_mass") or 0.0) for t in truth.values())
        return f"at most {most:.0f} mg", "right" if most < LEAST_MG else "wrong"
    if "was not assessed" in sentence and "Mineral is there" not in sentence:
        return "", "open"
    mass = _of(truth, sentence, "mineral_mass")
    if "no mineral was measured" in sentence:
        return f"{mass:.0f} mg", "right" if mass < LEAST_MG else "wrong"
    if "Mineral is there" in sentence:
        return f"{mass:.0f} mg", "right" if mass >= LEAST_MG else "wrong"
    contrast, complete = _of(truth, sentence, "zonal_contrast"), _of(truth, sentence, "rim_completeness")
    words = f"contrast {contrast:+.2f}, shell over {100 * complete:.0f} %"
    sided = contrast > SIDED if "periphery" in sentence else contrast < -SIDED
    if "no measurable direction" in sentence:
        sided = abs(contrast) < 2 * SIDED
    filled = "it fills the lesion" not in sentence or contrast < FILLED
    return words, "right" if sided and filled and _shell(sentence, complete) else "wrong"


def _shell(sentence: str, complete: float) -> bool:
    if "there is no shell" in sentence:
        return complete < 0.05 + SLACK
    if "runs all round" in sentence:
        return complete > 0.95 - SLACK
    held = re.search(r"\((\d+)\u202f%(?: \((\d+) to (\d+)\))?", sentence)
    if held is None or "not settled" in sentence:
        return True
    low, high = (float(n or held[1]) / 100 for n in (held[2], held[3]))
    return low - SLACK <= complete <= high + SLACK


def _course(sentence: str, truth: Truth) -> tuple[str, Verdict]:
    if "only one scan" in sentence:
        return "", "open"
    first, last = (truth[int(n)] for n in re.findall(r"can (\d+) \(day", sentence)[:2])
    size, _, mineral = sentence.partition(": ")[2].partition("; ")
    ratio = float(last["lesion_volume"] or 0.0) / max(float(first["lesion_volume"] or 0.0), 1e-9)
    masses = [float(t.get("mineral_mass") or 0.0) for t in (first, last)]
    words = f"size {100 * (ratio - 1):+.0f} %, mineral {masses[0]:.0f} to {masses[1]:.0f} mg"
    verdicts = (_size(size, ratio), _gain(mineral, *masses))
    return words, max(verdicts, key=("right", "open", "wrong").index)


def _size(text: str, ratio: float) -> Verdict:
    if "not settled" in text or "not assessed" in text:
        return "open"
    if text.startswith("not measurably"):
        return "right" if SMALLER <= ratio <= LARGER else "wrong"
    up = text.startswith("larger")
    if "by no more than" in text:
        return "right" if (1 - SAME < ratio < LARGER if up else SMALLER < ratio < 1 + SAME) else "wrong"
    return "right" if (ratio > 1 + SAME if up else ratio < 1 - SAME) else "wrong"


def _gain(text: str, first: float, last: float) -> Verdict:
    if "not settled" in text or "not assessed" in text:
        return "open"
    if text.startswith("no mineral"):
        return "right" if max(first, last) < LEAST_MG else "wrong"
    if text.startswith("mineral not measurably") or "by no more than" in text:
        return "right" if 0.6 * first - LEAST_MG <= last <= 1.6 * first + LEAST_MG else "wrong"
    return "right" if (last > first if text.startswith("more") else last < first) else "wrong"


def _needle(sentence: str, needles: Sequence[str]) -> tuple[str, Verdict]:
    if needles and "not assessed" in sentence:
        return "; ".join(needles), "open"
    at = 0
    for words in needles:
        found = sentence.find(words, at)
        if found < 0:
            return "; ".join(needles), "wrong"
        at = found + len(words)
    return "; ".join(needles) or "none given", "right" if needles or "No site" in sentence else "wrong"


def _distrust(
    sentence: str, truth: Truth, strangers: Sequence[int], volumes: Mapping[int, float]
) -> tuple[str, Verdict]:
    told = {int(n) for part in re.findall(r"[Ss]cans? ([\d, and]+)", sentence) for n in re.findall(r"\d+", part)}
    off = [
        scan
        for scan, value in volumes.items()
        if truth[scan].get("lesion_volume") and abs(value / float(truth[scan]["lesion_volume"] or 1.0) - 1) > FAR_OFF
    ]
    words = [f"scan {n} of another person" for n in strangers] + [f"volume of scan {n} far off" for n in off]
    blamed = "another person" in sentence and not strangers
    wrong = blamed or not {*strangers, *off} <= told
    return "; ".join(words) or "nothing to name", "wrong" if wrong else "right"
