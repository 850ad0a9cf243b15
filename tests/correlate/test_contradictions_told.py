"""Statements that once contradicted each other or the numbers beside them, found by reading pages of phantoms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_biopsy import CENTRE, OUTLINES, at, case, rim_map
from test_correlate import NO_MINERAL, change, only, rows, timeline

from mineralize import correlate
from mineralize.change import Change
from mineralize.correlate import wording
from mineralize.correlate.biopsy import reached
from mineralize.timeline import BiopsySite


def told(*changes: Change, **more: object) -> dict[str, str]:
    """The five answers of two scans of one shell."""
    line = timeline(20, 80)
    held = [*rows(1), *rows(2, **more)]  # type: ignore[arg-type]
    said = correlate.findings(line, held, changes)
    return {a.question: a.text for a in correlate.five_answers(line, held, changes, said=said)}


def test_no_distance_at_all_is_not_called_beside() -> None:
    """Soft margin at bone: gap 0, contact 0. 'Beside, 0.0 mm away, no contact found' says two things at once."""
    found = correlate.findings(timeline(40), rows(1, cortex_gap=0.0, cortex_contact_area=0.0))
    only(found, "relation.unsettled")


@pytest.mark.parametrize(
    ("difference", "words"), [(-60.0, "smaller, but by no more"), (60.0, "larger, but by no more")]
)
def test_a_change_within_repeatability_whose_interval_excludes_zero_says_its_direction(
    difference: float, words: str
) -> None:
    """The test's changes have intervals of 20 either way."""
    same = change(1, 2, "mineral_mass", 0.0, "no")
    said = told(same, change(1, 2, "lesion_volume", difference, "no"))["course"]
    assert words in said
    assert "not measurably larger" in told(same, change(1, 2, "lesion_volume", 5.0, "no"))["course"]


def test_late_growth_within_repeatability_is_not_denied() -> None:
    grown = change(1, 2, "lesion_volume", 900.0, "no")
    found = correlate.findings(timeline(100, 200), [*rows(1), *rows(2)], [grown])
    text = only(found, "late.within").text
    assert "measured larger" in text
    assert "no growth" not in text


def test_a_size_that_was_not_measured_in_both_scans_is_not_called_unsettled() -> None:
    nothing = change(1, 2, "lesion_volume", None, "unsure", "withheld in scan 2: slices too thick")
    said = told(nothing, change(1, 2, "mineral_mass", 500.0, "yes"), lesion_volume="slices too thick")
    assert "size not assessed in both; more mineral" in said["course"]
    found = correlate.findings(timeline(100, 200), [*rows(1), *rows(2, lesion_volume="slices too thick")], [nothing])
    assert "slices too thick" in only(found, "late.not-assessed").text
    assert not [f.text for f in found if "no number" in f.text]


def test_contrast_given_in_one_scan_and_not_said_of_another_is_unlike() -> None:
    """The one rule of the time line; before, only 'given' against 'not given' was seen here."""
    line = timeline(20, 80)
    first, second = line.scans
    given = replace(second, acquisition=replace(second.acquisition, contrast_agent=True))
    line = replace(line, scans=(first, given))
    held = [*rows(1), *rows(2)]
    found = correlate.findings(line, held)
    assert "contrast medium not said in scan 1, given in scan 2" in only(found, "compare.unlike").text
    five = correlate.five_answers(line, held, said=found)
    assert "contrast medium" in five[-1].text


def test_whether_there_is_any_mineral_is_not_answered_by_the_shell() -> None:
    """Reversed zoning: 1.5 g of mineral and no shell; the table beside the literature once said 'none'."""
    reversed_ = rows(1, zonal_contrast=-0.95, rim_core_difference=-300.0, rim_completeness=0.01, largest_gap=0.99)
    for held, words in ((reversed_, "there is mineral"), (rows(1, **NO_MINERAL), "none measured beyond doubt")):
        table = correlate.described(correlate.findings(timeline(40), held))
        assert next(row.here for row in table if row.feature == "Any mineral") == words


def test_a_short_answer_from_an_earlier_scan_names_it() -> None:
    found = correlate.findings(timeline(40, 90), [*rows(1), *rows(2, rim_completeness="slices too thick")])
    assert next(f.brief for f in found if f.key.startswith("rim.")).startswith("scan 1: ")
    muscle = [f.brief for f in found if f.key.startswith("muscle.")]
    assert [brief[:6] for brief in muscle] == ["scan 2", "scan 1"]


def test_soft_tissue_does_not_reach_an_outline_whose_shell_may_be_whole() -> None:
    """Shell 94 % (89 to 99): how complete it is, is open, and so is what reaches the outline."""
    held = [replace(r, low=0.89, high=0.99) if r.quantity == "rim_completeness" else r
            for r in rows(1, rim_completeness=0.94, rim_unresolved=0.0)]  # fmt: skip
    found = correlate.findings(timeline(40), held)
    only(found, "rim.open")
    only(found, "beyond.open")


def test_a_working_description_says_in_what_the_lesion_departs() -> None:
    attached = rows(1, cortex_gap=0.0, cortex_contact_area=300.0)
    found = correlate.findings(timeline(180), attached)
    text = next(f.text for f in found if f.key.startswith("maturity."))
    assert "departs from that picture: it is attached to the cortex" in text
    plain = next(f.text for f in correlate.findings(timeline(180), rows(1)) if f.key.startswith("maturity."))
    assert "departs" not in plain


def test_no_mineral_at_all_has_no_shell_with_gaps() -> None:
    """A needle in a lesion without any shell: no gap, and no edge of one, is spoken of."""
    bare = rim_map(OUTLINES[0], CENTRE)
    speck = np.zeros(len(bare.state))
    speck[:: len(speck) // 20] = 1  # under 5 % of the outline, all over it
    maps = (replace(bare, state=speck), None)
    (report,) = correlate.biopsy_reports(case(BiopsySite(1, at(3.0))), OUTLINES, rim_maps=maps)
    assert "There is no shell of mineral in this scan" in report.site.text
    assert "gap in the shell" not in report.site.text


def test_a_centre_between_the_classes_is_not_called_mixed() -> None:
    none = dict.fromkeys((f"core_{name}_fraction" for name in ("fat", "fluid", "soft", "haze", "mineral")), 0.01)
    found = correlate.findings(timeline(40), rows(1, core_attenuation=-22.0, **none))
    assert "between the classes" in only(found, "centre.between").text


def test_a_reason_is_given_once_though_two_quantities_share_it() -> None:
    thick = "slices too thick; edge unseen"
    held = rows(1, rim_completeness=thick, zonal_contrast="slices too thick")
    found = correlate.findings(timeline(40), held)
    assert only(found, "maturity.not-assessed").text.count("slices too thick") == 1


def test_cortex_that_reads_higher_at_another_voltage_is_said_to() -> None:
    line = timeline(20, 80)
    first, second = line.scans
    low = replace(second, acquisition=replace(second.acquisition, kvp=100.0))
    moved = change(1, 2, "reference_muscle", 30.0, "unsure")
    found = correlate.findings(replace(line, scans=(first, low)), [*rows(1), *rows(2)], [moved])
    assert "The tube voltages differ" in only(found, "compare.steady").text
    assert (
        "The tube voltages" not in only(correlate.findings(line, [*rows(1), *rows(2)], [moved]), "compare.steady").text
    )


def test_a_lost_scan_is_not_said_to_lack_an_outline_that_its_picture_shows() -> None:
    """Slices too thick to measure in: the outline is drawn, nothing is measured with it."""
    lost = dict.fromkeys(("lesion_volume", "mineral_mass", "zonal_contrast"), "slices too thick")
    said = told(**lost)["distrust"]
    assert "Neither size nor mineral could be measured in scan 2" in said
    assert "not outlined" not in said


def test_thresholds_are_named() -> None:
    assert wording.named("rim_completeness_200") == "completeness of the shell at 200 HU"
    assert wording.named("mineral_volume") == "mineral volume"


def test_a_path_from_outside_to_the_centre_crosses_the_thin_zone_between() -> None:
    """Inradius 5 mm: the intermediate zone is 5/2 - 5/3 = 0.83 mm thick, less than a millimetre of tissue."""
    assert reached((("rim", 1.67), ("middle", 0.83), ("core", 2.5))) == ("rim", "middle", "core")
    assert reached((("rim", 1.67), ("middle", 0.83))) == ("rim",)
    assert reached((("rim", 0.4), ("middle", 0.83), ("core", 2.5))) == ("core",)


def test_a_thick_shell_is_not_said_to_fill_the_lesion() -> None:
    """Random history 7100: 78 % of the lesion is mineral and 19 % of its centre; the shell is 4.4 mm thick."""
    found = correlate.findings(timeline(60), rows(1, mineral_fraction=0.82, core_mineral_fraction=0.2))
    assert not [f.key for f in found if f.key == "rim.solid"]
    small = "the central zone is too small"
    unknown = rows(1, mineral_fraction=0.82, core_mineral_fraction=small, zonal_contrast=0.4)
    only(correlate.findings(timeline(60), unknown), "rim.solid")
    # random history 7111: contrast 0.96, and a centre too small to be told from the blur of the shell
    hollow = rows(1, mineral_fraction=0.82, core_mineral_fraction=small, zonal_contrast=0.9)
    assert not [f.key for f in correlate.findings(timeline(60), hollow) if f.key == "rim.solid"]


def test_contrast_agent_that_only_muscle_shows_is_told_of_where_scans_are_compared() -> None:
    """Muscle reads 10 to 30 HU more after agent (common practice, no source); the changes follow the same rule."""
    line = timeline(20, 80)
    held = [*rows(1, reference_muscle=52.0, fat_reference=-95.0), *rows(2, reference_muscle=70.0, fat_reference=-95.0)]
    found = correlate.findings(line, held)
    assert "muscle reads 18 HU more in scan 2" in only(found, "compare.unlike").text
    assert "contrast medium" in correlate.five_answers(line, held, said=found)[-1].text
    alike = [*rows(1, fat_reference=-95.0), *rows(2, fat_reference=-95.0)]
    only(correlate.findings(line, alike), "compare.alike")
