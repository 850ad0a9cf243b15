"""`scripts/validate`: its counting against hand-made rows, and one tiny run of the whole."""

from __future__ import annotations

import csv
import math
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "scripts"))

from validation.histories import Job, history_of, jobs_of, seeds_of  # noqa: E402
from validation.limits import LIMITS  # noqa: E402
from validation.report import summary_lines, write_csv  # noqa: E402
from validation.runs import Lined, Outcome, Row, Step  # noqa: E402
from validation.summary import (  # noqa: E402
    checks,
    far_misses,
    needless,
    quantity_summary,
    silent,
    silent_alignments,
    strata,
)

ROW = Row(
    "random", "random", 1, 1, "lesion_volume", "mm3", 100.0, 102.0, 95.0, 110.0, "ok", "", "outline", True,
    30.0, 1.5, 120.0, 12.0, 2.0, 0.9, "",
)  # fmt: skip
LINED = Lined("random", "random", 1, 2, 1, 0.1, 0.1, 0.05, 0.05, "ok", "", True)


def outcome(*rows: Row, lined: tuple[Lined, ...] = (), steps: tuple[Step, ...] = (), **more: Any) -> Outcome:
    return Outcome(Job("random", "random", 1), rows, lined, steps, **more)


def verdicts(*outcomes: Outcome) -> dict[str, bool | None]:
    return {c.text: c.held for c in checks(outcomes)}


def test_seeds() -> None:
    assert seeds_of("0") == [0]
    assert seeds_of("1,4,7-9") == [1, 4, 7, 8, 9]
    assert seeds_of("100..", 3) == [100, 101, 102]
    assert seeds_of("0-9", 2) == [0, 1]
    for wrong in ("a", "3..", "1-b", ""):
        with pytest.raises(ValueError, match="seeds are numbers"):
            seeds_of(wrong)


def test_sets_part_the_scripted_histories() -> None:
    ordinary, broken = ({j.name for j in jobs_of(kind, [0])} for kind in ("ordinary", "broken"))
    assert ordinary & broken == {"two-bones", "cylinder", "cut-by-field"}  # plain to read, and hard to trust
    assert "maturing-shell" in ordinary
    assert "two-patients" in broken
    assert [j.seed for j in jobs_of("random", [3, 4])] == [3, 4]


def test_variants_of_a_random_history() -> None:
    still = history_of(Job("scanners", "random", 3, "unchanged"))
    assert still.lesions(0)[0].radii == still.lesions(1)[0].radii
    assert still.lesions(0)[0].mineral_mg == still.lesions(1)[0].mineral_mg
    denser = history_of(Job("scanners", "random", 3, "denser"))
    assert denser.lesions(1)[0].mineral_mg == pytest.approx(1.25 * denser.lesions(0)[0].mineral_mg)
    assert denser.lesions(0)[0].radii == denser.lesions(1)[0].radii
    assert {s["slice_mm"] for s in denser.scans} == {1.5}


def test_error_and_interval() -> None:
    assert ROW.error == pytest.approx(2)
    assert ROW.relative == pytest.approx(0.02)
    assert ROW.inside is True
    assert replace(ROW, low=101.0).inside is False
    assert replace(ROW, measured=None, low=None, high=None, trust="withheld").inside is None
    assert math.isnan(replace(ROW, truth=0.0).relative)


def test_summary_counts_trust_and_takes_errors_of_trusted_values_only() -> None:
    rows = [
        ROW,
        replace(ROW, measured=90.0),  # 10 % off, outside its interval
        replace(ROW, measured=10.0, trust="caution"),
        replace(ROW, measured=None, low=None, high=None, trust="withheld"),
    ]
    rows[1] = replace(rows[1], low=85.0, high=95.0)
    found = quantity_summary("lesion_volume", rows)
    assert (found.count, found.ok, found.caution, found.withheld) == (4, 2, 1, 1)
    assert found.median_error == pytest.approx(0.06)
    assert found.worst_error == pytest.approx(0.10)
    assert found.covered_ok == pytest.approx(0.5)
    assert found.width == pytest.approx(0.125)  # of 15 and 10 over 100


def test_silent_failures() -> None:
    beyond = replace(ROW, measured=113.0)
    absent = replace(ROW, truth=None)
    turned = replace(ROW, quantity="zonal_contrast", unit="1", truth=-0.8, measured=0.9)
    assert silent([ROW, beyond, absent, turned]) == [beyond, absent, turned]
    assert not silent([replace(r, trust="caution") for r in (beyond, absent, turned)])
    far, impossible = replace(LINED, error_mm=1.2), replace(LINED, possible=False)
    assert silent_alignments([LINED, far, impossible, replace(far, trust="withheld")]) == [far, impossible]


def test_far_misses_are_sorted_by_how_far() -> None:
    near, far, further = (replace(ROW, low=100.0 + d, high=102.0 + d) for d in (0.5, 3.0, 9.0))
    assert far_misses([ROW, near, far, further]) == [further, far]


def test_strata_part_all_values() -> None:
    rows = [replace(ROW, kvp=k, completeness=c) for k, c in ((80.0, 0.4), (100.0, 0.6), (120.0, 0.9), (140.0, 1.0))]
    for name in ("voltage", "completeness"):
        assert [s.count for s in strata(rows) if s.name == name] == [1, 1, 1, 1]


def test_withheld_on_good_scans_only() -> None:
    held = replace(ROW, trust="withheld", measured=None)
    assert needless([ROW, held, replace(held, good=False)]) == (1, 2)


def test_every_limit_breaks_and_holds() -> None:
    for quantity, limit in LIMITS.items():
        for size, held in ((0.9 * limit.median, True), (1.01 * limit.worst, False)):
            off = size * (100 if limit.relative else 1)
            row = replace(ROW, quantity=quantity, measured=100 + off)
            assert verdicts(outcome(row))[f"{quantity} within {limit.words()}"] is held


def test_other_promises_break() -> None:
    assert verdicts(outcome(ROW))["no crash"] is True
    assert verdicts(outcome(crash="KeyError"))["no crash"] is False
    found = verdicts(outcome(ROW, lined=(replace(LINED, error_mm=1.5),), unseeded="wrong structure"))
    assert [v for t, v in found.items() if t.startswith("alignment at the lesion")] == [False]
    assert found["no seed given, never the wrong structure silently"] is False
    alarm = Step("scanners", "four-scanners", 0, 1, 2, "mineral_mass", 0.0, 12.0, "yes", "", True, 500, 0, 20, 90)
    found = verdicts(outcome(ROW, steps=(alarm,)), outcome(ROW, steps=(replace(alarm, history="random-unchanged"),)))
    assert found["four-scanners: no change called real"] is False
    assert found["random-unchanged: at most 5 % of changes called real"] is False


def test_text_and_table(tmp_path: Path) -> None:
    lines = summary_lines([outcome(ROW)])
    assert any(line.startswith("lesion_volume") and "2%" in line for line in lines)
    write_csv(tmp_path / "results.csv", [ROW, replace(ROW, truth=None)])
    with (tmp_path / "results.csv").open(encoding="utf-8") as file:
        first, second = csv.DictReader(file)
    assert (first["truth"], first["error"], first["inside"]) == ("100", "2", "True")
    assert (second["truth"], second["error"], second["inside"]) == ("", "", "")


def test_wrong_usage_is_one_sentence(tmp_path: Path) -> None:
    command = [sys.executable, str(ROOT / "scripts" / "validate"), "--seeds", "x", "--out", str(tmp_path / "out")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "seeds are numbers and ranges" in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_tiny_run(tmp_path: Path) -> None:
    """The smallest random history of the first ten, through everything."""
    command = [sys.executable, str(ROOT / "scripts" / "validate"), "--set", "random", "--seeds", "8", "--all",
               "--out", str(tmp_path / "out")]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    assert "Traceback" not in done.stderr
    for word in ("mineral_mass", "coverage of trusted values", "promises", "silent failures", "without a seed"):
        assert word in done.stdout
    with (tmp_path / "out" / "results.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {r["scan"] for r in rows} == {"1", "2"}
    assert len({r["quantity"] for r in rows}) > 30
    page = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert page.count("<img") == 9  # the alignment, the changes and seven promised quantities
    assert "http" not in page.replace("http-equiv", "")
