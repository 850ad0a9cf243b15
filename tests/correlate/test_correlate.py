"""Findings: which statement each history leads to, and that nothing is passed over in silence.

Published facts that statements lean on are checked against their source in the statement itself; the source is
named beside the check. Histories are hand-made rows: what is tested is the step from numbers to words.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from mineralize import correlate
from mineralize.align import Alignment
from mineralize.base import Acquisition, Grid, InMemory, Rigid, Scan, caution, withhold
from mineralize.change import Change
from mineralize.correlate import Finding
from mineralize.measure import Measurement
from mineralize.timeline import BiopsySite, Event, Timeline

UNITS = {
    "lesion_volume": "mm3",
    "mineral_volume": "mm3",
    "mineral_mass": "mg",
    "longest_diameter": "mm",
    "cortex_gap": "mm",
    "cortex_contact_area": "mm2",
    "oedema_extent": "mm",
    "rim_core_difference": "HU",
    "core_attenuation": "HU",
    "rim_attenuation": "HU",
    "perilesional_deficit": "HU",
    "reference_muscle": "HU",
    "rim_thickness": "mm",
}
SHELL: dict[str, float | str] = {
    "lesion_volume": 20000.0,
    "longest_diameter": 34.0,
    "mineral_mass": 1500.0,
    "mineral_volume": 6000.0,
    "mineral_fraction": 0.3,
    "zonal_contrast": 0.85,
    "rim_core_difference": 400.0,
    "rim_completeness": 0.82,
    "rim_unresolved": 0.04,
    "largest_gap": 0.1,
    "rim_attenuation": 450.0,
    "rim_thickness": 2.6,
    "core_attenuation": 36.0,
    "core_fat_fraction": 0.02,
    "core_fluid_fraction": 0.1,
    "core_soft_fraction": 0.8,
    "core_haze_fraction": 0.05,
    "core_mineral_fraction": 0.01,
    "cortex_gap": 9.0,
    "cortex_contact_area": 0.0,
    "perilesional_deficit": 8.0,
    "oedema_extent": 12.0,
    "reference_muscle": 55.0,
}


def rows(scan: int, **changed: float | str) -> list[Measurement]:
    """A shell, with some values changed; a string withholds the quantity for that reason."""
    found = []
    for quantity, value in {**SHELL, **changed}.items():
        unit = UNITS.get(quantity, "1")
        if isinstance(value, str):
            why = withhold("no-mineral") if value == "no mineral" else withhold("lesion-not-found", why=value)
            found.append(Measurement(scan, quantity, None, None, None, unit, "withheld", value, verdicts=(why,)))
            continue
        half = 0.05 * abs(value)
        detail: dict[str, object] | None = {"words": "anterior-left"} if quantity == "largest_gap" else None
        found.append(Measurement(scan, quantity, value, value - half, value + half, unit, "ok", detail=detail))
    return found


def timeline(*days: int, onset: bool = True, **more: object) -> Timeline:
    grid = Grid.from_parts((3, 4, 5), (2.0, 1.1, 0.9))
    scans = tuple(
        Scan(n, day, grid, Acquisition(kvp=120.0, kernel_class="soft", slice_spacing_mm=2.0), InMemory(None))  # type: ignore[arg-type]
        for n, day in enumerate(days, start=1)
    )
    return replace(Timeline(scans, day_zero="onset" if onset else "first scan"), **more)  # type: ignore[arg-type]


def change(a: int, b: int, quantity: str, difference: float | None, real: str, reason: str = "") -> Change:
    low, high = (None, None) if difference is None else (difference - 20.0, difference + 20.0)
    days = 30 * (b - a)
    return Change(a, b, days, quantity, difference, None, low, high, None, None, real, reason)  # type: ignore[arg-type]


def keys(found: tuple[Finding, ...]) -> set[str]:
    return {f.key for f in found}


def only(found: tuple[Finding, ...], key: str) -> Finding:
    mine = [f for f in found if f.key == key]
    assert len(mine) == 1, (key, sorted(keys(found)))
    return mine[0]


NO_MINERAL = {
    "mineral_mass": 0.0,
    "mineral_volume": 0.0,
    "mineral_fraction": 0.0,
    "zonal_contrast": "there is no mineral",
    "rim_completeness": 0.0,
    "rim_unresolved": 0.0,
    "largest_gap": 1.0,
    "rim_thickness": "there is no mineral",
}
REVERSED = {"zonal_contrast": -0.5, "rim_core_difference": -300.0, "rim_completeness": 0.2, "cortex_gap": 0.0}


@pytest.mark.parametrize(
    ("what", "values", "expected", "absent"),
    [
        (
            "a shell in soft tissue",
            {},
            {"relation.soft-tissue", "zoning.periphery", "rim.most", "centre.soft", "muscle.lower",
             "maturity.incomplete"},
            {"zoning.reversed", "relation.contact"},
        ),
        (
            "reversed zoning that touches the cortex",
            {**REVERSED, "cortex_contact_area": 60.0, "cleft_fraction": 0.1},
            {"zoning.reversed", "relation.contact", "beyond.reversed", "maturity.not-peripheral"},
            {"zoning.periphery", "maturity.rim", "maturity.fatty"},
        ),
        (
            "broad attachment",
            {"cortex_gap": 0.0, "cortex_contact_area": 320.0, "cleft_fraction": 0.05},
            {"relation.contact", "zoning.periphery"},
            {"relation.soft-tissue", "relation.beside"},
        ),
        (
            "beside the cortex with a cleft",
            {"cortex_gap": 1.6, "cortex_contact_area": 0.0, "cleft_fraction": 0.97},
            {"relation.beside"},
            {"relation.contact", "relation.soft-tissue"},
        ),
        (
            "mineral throughout, perhaps a nodule in a larger mass",
            {**REVERSED, "rim_completeness": 1.0, "core_mineral_fraction": 0.97, "core_soft_fraction": 0.0},
            {"zoning.reversed", "rim.solid", "beyond.not-assessed", "maturity.not-peripheral", "centre.mineral"},
            {"rim.complete", "beyond.reversed", "beyond.complete"},
        ),
        (
            "no mineral",
            NO_MINERAL,
            {"zoning.none", "rim.none", "beyond.no-mineral", "maturity.none"},
            {"zoning.periphery", "rim.complete"},
        ),
        (
            "all round, fat inside",
            {"rim_completeness": 0.98, "rim_unresolved": 0.01, "core_fat_fraction": 0.7, "core_soft_fraction": 0.1},
            {"rim.complete", "centre.fat", "maturity.fatty", "beyond.complete"},
            {"maturity.rim"},
        ),
        (
            "nothing about bone or rim could be measured",
            dict.fromkeys(("rim_completeness", "zonal_contrast", "cortex_gap"), "slices are more than 5 mm apart"),
            {"relation.not-assessed", "zoning.not-assessed", "rim.not-assessed", "beyond.not-assessed",
             "maturity.not-assessed"},
            {"rim.most", "zoning.periphery", "relation.soft-tissue"},
        ),
    ],
)  # fmt: skip
def test_each_history_leads_to_its_statements(
    what: str, values: dict[str, float | str], expected: set[str], absent: set[str]
) -> None:
    found = correlate.findings(timeline(40), rows(1, **values))
    assert expected <= keys(found), (what, expected - keys(found))
    assert not absent & keys(found), what


def test_every_topic_speaks_even_with_no_measurement_at_all() -> None:
    found = correlate.findings(timeline(10, 50), [])
    assert found
    assert {f.trust for f in found if f.key != "compare.alike"} == {"withheld"}
    topics = {f.key.partition(".")[0] for f in found}
    assert {"relation", "zoning", "rim", "together", "centre", "muscle", "late", "beyond", "maturity"} <= topics


def test_every_withheld_measurement_is_named_with_its_reason() -> None:
    spoilt = {q: f"reason of {q}" for q in SHELL}
    found = correlate.findings(timeline(10, 50), [*rows(1), *rows(2, **spoilt)])
    said = {at: f for f in found if f.trust == "withheld" for at in f.rests_on}
    for quantity in SHELL:
        assert (2, quantity) in said
        assert f"reason of {quantity}" in said[2, quantity].text
    # ... and the last scan that does tell is still described
    assert "scan 1 (day 10)" in only(found, "zoning.periphery").text


def test_every_statement_rests_on_measurements_that_exist() -> None:
    measured = [*rows(1), *rows(2)]
    held = {(r.scan, r.quantity) for r in measured}
    for f in correlate.findings(timeline(10, 50), measured):
        if f.trust != "withheld" and not f.key.startswith("compare"):
            assert f.rests_on
            assert set(f.rests_on) <= held | {(2, "cleft_fraction")}


def test_numbers_and_intervals_are_in_the_sentence() -> None:
    text = only(correlate.findings(timeline(40), rows(1)), "rim.most").text
    assert "82\N{NARROW NO-BREAK SPACE}% (78 to 86)" in text
    assert "4.0\N{NARROW NO-BREAK SPACE}% (3.8 to 4.2) is unresolved" in text
    assert "the largest gap is 10\N{NARROW NO-BREAK SPACE}% (10 to 11) of the outline and faces anterior-left" in text


def test_caution_of_a_measurement_reaches_the_statement() -> None:
    measured = [
        replace(r, trust="caution", reason="slices are 4 mm apart.") if r.quantity == "rim_completeness" else r
        for r in rows(1)
    ]
    found = only(correlate.findings(timeline(40), measured), "rim.most")
    assert found.trust == "caution"
    assert "With caution: slices are 4 mm apart." in found.text


def test_a_caution_in_a_statement_over_scans_names_its_scan() -> None:
    both = [*rows(1), *rows(2, mineral_mass=900.0)]
    measured = [
        replace(r, trust="caution", reason="slices are 4 mm apart.")
        if (r.scan, r.quantity) == (1, "mineral_mass")
        else r
        for r in both
    ]
    changes = (change(1, 2, "mineral_mass", 300.0, "yes"),)
    told = [f.text for f in correlate.findings(timeline(40, 80), measured, changes) if "slices are 4 mm" in f.text]
    assert told
    assert all("With caution for scan 1: slices are 4 mm apart." in text for text in told)


def test_a_cleft_is_never_a_sign_by_itself() -> None:
    # Jelinek 1996, Radiology 201:837: cleavage plane in 20/32 low-grade and 19/28 high-grade parosteal osteosarcomas
    found = only(
        correlate.findings(timeline(40), rows(1, cortex_gap=1.5, cleft_fraction=1.0)),
        "relation.beside",
    )
    assert "39 of 60" in found.limits
    assert (20 + 19, 32 + 28, round(100 * 39 / 60)) == (39, 60, 65)
    assert any("Jelinek" in s for s in found.sources)


def test_contact_is_not_settled_when_its_interval_reaches_zero() -> None:
    measured = rows(1, cortex_gap=0.3, cortex_contact_area=4.0)
    measured = [replace(r, low=0.0) if r.quantity == "cortex_contact_area" else r for r in measured]
    assert "relation.unsettled" in keys(correlate.findings(timeline(40), measured))


def test_even_zoning_when_the_interval_holds_zero() -> None:
    measured = [replace(r, low=-0.2, high=0.3) if r.quantity == "zonal_contrast" else r for r in rows(1)]
    found = correlate.findings(timeline(40), measured)
    assert "zoning.even" in keys(found)
    assert "maturity.not-peripheral" in keys(found)


@pytest.mark.parametrize(
    ("mass", "volume", "key"),
    [
        ("up", "same", "together.densifying"),
        ("up", "down", "together.densifying-shrinking"),
        ("up", "up", "together.growing-mineral"),
        ("same", "up", "together.growing"),
        ("same", "down", "together.shrinking"),
        ("same", "same", "together.steady"),
        ("down", "same", "together.losing"),
        ("unsure", "same", "together.unsettled"),
        ("up", "unsure", "together.unsettled"),
        ("unsure", "up", "together.growing"),
    ],
)
def test_growth_and_densifying_are_told_apart(mass: str, volume: str, key: str) -> None:
    made = {"up": (500.0, "yes"), "down": (-500.0, "yes"), "same": (5.0, "no"), "unsure": (80.0, "unsure")}
    changes = [change(1, 2, "mineral_mass", *made[mass]), change(1, 2, "lesion_volume", *made[volume])]
    found = correlate.findings(timeline(20, 50), [*rows(1), *rows(2)], changes)
    assert key in keys(found)


def test_a_shell_that_only_densifies_is_never_called_growing() -> None:
    # a 2 mm shell going 300 -> 600 -> 1000 HU reads 20 to 30 % more volume over 130 HU (derived, closed form)
    changes = [
        change(1, 2, "mineral_mass", 900.0, "yes"),
        change(1, 2, "lesion_volume", 10.0, "no"),
        change(1, 2, "mineral_volume", 1500.0, "yes"),
    ]
    found = correlate.findings(timeline(120, 200), [*rows(1), *rows(2)], changes)
    together = only(found, "together.densifying")
    assert "Densifying is not growth" in together.text
    assert "+1.50\N{NARROW NO-BREAK SPACE}cm³" in together.text
    assert "late.not" in keys(found)
    assert not {k for k in keys(found) if k.endswith("grew") or k.startswith("together.growing")}


def test_steps_are_told_apart_from_the_whole() -> None:
    changes = [
        change(1, 2, "mineral_mass", 500.0, "yes"),
        change(2, 3, "mineral_mass", 5.0, "no"),
        change(1, 3, "mineral_mass", 505.0, "yes"),
        change(1, 2, "lesion_volume", 9000.0, "yes"),
        change(2, 3, "lesion_volume", -9000.0, "yes"),
        change(1, 3, "lesion_volume", 0.0, "no"),
    ]
    found = correlate.findings(timeline(20, 50, 80), [*rows(1), *rows(2), *rows(3)], changes)
    text = only(found, "together.densifying").text
    assert "scan 1 to 2 grows and gains mineral; scan 2 to 3 shrinks" in text


def test_everything_is_compared_between_the_same_pair_of_scans() -> None:
    """The first and the last scan that were measured, cautioned or not; a doubtful one makes the change unsure."""
    doubtful = [replace(r, trust="caution", reason="no edge; too faint") for r in rows(1)]
    changes = [
        change(a, b, q, d, "unsure" if a == 1 else real)
        for a, b in ((1, 2), (1, 3), (2, 3))
        for q, d, real in (("mineral_mass", 500.0, "yes"), ("lesion_volume", 5.0, "no"))
    ]
    found = correlate.findings(timeline(20, 50, 80), [*doubtful, *rows(2), *rows(3)], changes)
    assert "From scan 1 (day 20) to scan 3 (day 80)" in only(found, "together.unsettled").text
    mass = only(found, "course.mass.unsettled").text
    assert "scan 1 to 2 not settled" in mass
    assert "scan 2 to 3 a rise" in mass
    assert mass.count("no edge") == 1
    lost = [replace(r, value=None, low=None, high=None, trust="withheld", reason="cut") for r in rows(1)]
    assert correlate.baseline(timeline(20, 50, 80), [*lost, *rows(2), *rows(3)]) == (2, 3)


@pytest.mark.parametrize(
    ("days", "onset", "difference", "real", "key", "has"),
    [
        ((100, 200), True, 4000.0, "yes", "late.grew", ""),
        ((100, 200), True, 4.0, "no", "late.not", ""),
        ((100, 200), True, -400.0, "yes", "late.not", ""),
        ((100, 200), True, -400.0, "unsure", "late.not", ""),
        ((100, 200), True, 15.0, "unsure", "late.open", ""),
        ((60, 200), True, 4000.0, "yes", "late.grew", "before day 91"),
        ((100, 200), False, 4000.0, "yes", "late.grew", "the true time is longer"),
        ((10, 60), True, 4000.0, "yes", "late.not-assessed", "day 91"),
    ],
)
def test_growth_after_three_months(
    days: tuple[int, int], onset: bool, difference: float, real: str, key: str, has: str
) -> None:
    changes = [change(1, 2, "lesion_volume", difference, real)]
    found = correlate.findings(timeline(*days, onset=onset), [*rows(1), *rows(2)], changes)
    assert has in only(found, key).text


def test_not_comparable_scans_lead_to_no_change_and_say_why() -> None:
    line = timeline(20, 80)
    first, second = line.scans
    second = replace(
        second, acquisition=replace(second.acquisition, kvp=80.0, contrast_agent=True, slice_spacing_mm=5.0)
    )
    first = replace(first, acquisition=replace(first.acquisition, contrast_agent=False))
    why = "contrast medium was given in one scan and not in the other"
    changes = [change(1, 2, q, None, "unsure", why) for q in ("mineral_mass", "lesion_volume", "rim_core_difference")]
    found = correlate.findings(replace(line, scans=(first, second)), [*rows(1), *rows(2)], changes)
    unlike = only(found, "compare.unlike").text
    for words in ("120 kVp in scan 1", "80 kVp in scan 2", "5 mm in scan 2", "not given in scan 1"):
        assert words in unlike
    assert why in only(found, "together.not-assessed").text
    assert any(why in f.text and "Not compared between scan 1 and scan 2" in f.text for f in found)
    assert not {"together.steady", "together.densifying", "together.growing"} & keys(found)
    assert why in only(found, "course.mass.not-assessed").text
    assert "no number" not in " ".join(f.text for f in found)


def test_an_alignment_that_is_not_trusted_is_said_and_spoils_no_measurement() -> None:
    bad = Alignment(1, 2, Rigid.identity(), 0.2, 0.9, "withheld", "rotation about the shaft is not pinned")
    found = correlate.findings(timeline(20, 80), [*rows(1), *rows(2)], (), (), [bad])
    assert any("rotation about the shaft is not pinned" in f.text for f in found)
    assert "zoning.periphery" in keys(found)


def test_muscle_is_cautioned_for_six_weeks_after_a_biopsy() -> None:
    def trust(day: int) -> str:
        line = timeline(60, events=(Event(day, "biopsy"),))
        return only(correlate.findings(line, rows(1)), "muscle.lower").trust

    assert trust(60) == trust(18) == "caution"
    assert trust(17) == trust(61) == "ok"
    line = timeline(60, biopsies=(BiopsySite(1, (0.0, 0.0, 0.0), None, 40),))
    assert "20 days before this scan" in only(correlate.findings(line, rows(1)), "muscle.lower").text


def test_zoning_that_turns_round_is_said() -> None:
    found = correlate.findings(timeline(20, 80), [*rows(1), *rows(2, **REVERSED)])
    assert "zoning-course.flip" in keys(found)


def test_maturity_leaves_days_alone_when_the_onset_is_not_known() -> None:
    text = only(correlate.findings(timeline(40, onset=False), rows(1)), "maturity.incomplete").text
    assert "the onset is not known" in text
    assert "on day 40 from onset" not in text


def test_maturity_quotes_the_published_days() -> None:
    # Sato 2025, Cureus, 10.7759/cureus.93983: 12 ± 5.3 days (n = 8) and 112 ± 102 days after swelling
    early = only(correlate.findings(timeline(8), rows(1, **NO_MINERAL)), "maturity.none")
    assert "12 ± 5.3 days" in early.text
    late = rows(1, rim_completeness=0.99, rim_unresolved=0.0, core_fat_fraction=0.8)
    fatty = only(correlate.findings(timeline(200), late), "maturity.fatty")
    assert "112 ± 102 days" in fatty.text
    assert all("Working description" in f.text for f in (early, fatty))


def test_expected_tissue_covers_each_zone_and_stage_with_sources() -> None:
    """Scans lie beside the stage that they look like, whatever their day: here in the wrong order on purpose."""
    line = timeline(90, 200, 20, biopsies=(BiopsySite(2, (0.0, 0.0, 0.0), None, 44),))
    fatty = rows(3, rim_completeness=0.99, rim_unresolved=0.0, core_fat_fraction=0.8, core_attenuation="metal streaks")
    table = correlate.expected_tissue(line, [*rows(1, **NO_MINERAL), *rows(2), *fatty])
    assert len({(r.zone, r.stage) for r in table}) == 9
    for row in table:
        assert row.tissue
        assert row.sources
        assert row.scans == {"early": (1,), "intermediate": (2,), "mature": (3,)}[row.stage]
        assert row.biopsies == ((1,) if row.stage == "intermediate" else ())
    centre = {r.stage: r for r in table if r.zone == "centre"}
    # Ackerman 1958: the centre is undifferentiated and cannot be told from sarcoma by itself
    assert "not to be told from sarcoma" in centre["early"].tissue
    assert "36\N{NARROW NO-BREAK SPACE}HU" in centre["intermediate"].measured[0]
    assert "not assessed, because metal streaks" in centre["mature"].measured[0]


@pytest.mark.parametrize(
    "changed",
    [
        {"zonal_contrast": -0.5, "rim_core_difference": -100.0},
        {"cortex_gap": 0.0, "cortex_contact_area": 300.0},
    ],
)
def test_no_scan_is_laid_beside_a_stage_where_the_lesion_departs_from_the_picture(changed: dict[str, float]) -> None:
    held = [*rows(1), *rows(2, **changed)]
    line = timeline(20, 90)
    table = correlate.expected_tissue(line, held, correlate.findings(line, held))
    assert all(row.scans == () for row in table)
    assert all("departs from that picture" in row.limits for row in table)


def test_what_is_published_of_three_kinds_stands_side_by_side_with_cohorts() -> None:
    line = timeline(20, 90)
    held = [*rows(1), *rows(2, zonal_contrast=-0.5, rim_core_difference=-100.0)]
    table = correlate.described(correlate.findings(line, held))
    assert [row.here for row in table if row.feature == "Where mineral lies"] == [
        "reversed: mineral denser in the centre than at the periphery"
    ]
    for row in table:
        for text in (row.myositis_ossificans, row.extraskeletal_osteosarcoma, row.parosteal_osteosarcoma):
            if any(c.isdigit() for c in text):
                assert "(" in text, text  # cohort, count or the kind of source beside every figure
        assert row.sources


def test_a_soft_margin_at_bone_is_not_called_attached() -> None:
    held = rows(1, cortex_gap=0.0, cortex_contact_area=130.0)
    assert "relation.contact" in keys(correlate.findings(timeline(40), held))
    soft = [
        replace(r, trust="caution", verdicts=(caution("soft-margin", share=0.7),))
        if r.quantity == "cortex_contact_area"
        else r
        for r in held
    ]
    assert "relation.unsettled" in keys(correlate.findings(timeline(40), soft))
