"""Time line and case.toml: order, days, seeds, events; faults all at once."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dicom_factory import Series, history, save
from dicom_objects import contour_set, point_report, segmentation
from pydicom.dataset import Dataset

from mineralize import timeline
from mineralize.base import errors
from mineralize.timeline import inspection
from mineralize.timeline.case_file import parse

INSIDE = "[-29.0, -40.0, 108.0]"


def case(folder: Path, text: str) -> timeline.Timeline:
    (folder / "case.toml").write_text(text, encoding="utf-8")
    return timeline.read(folder)


def test_scans_in_time_order_with_days_from_the_first(tmp_path: Path) -> None:
    history(tmp_path)
    found = timeline.read(tmp_path)
    assert [s.number for s in found.scans] == [1, 2, 3]
    assert [s.day for s in found.scans] == [0, 30, 69]
    assert found.day_zero == "first scan"
    assert found.alias == "case"


def test_the_contract_of_case_toml(tmp_path: Path) -> None:
    history(tmp_path)
    found = case(
        tmp_path,
        f"""
        alias = "K-017"
        onset = 2024-02-20
        [lesion]
        scan = 2
        seed = {INSIDE}
        [[event]]
        date = 2024-03-29
        kind = "biopsy"
        [[biopsy]]
        scan = 2
        entry = [-20.0, -40.0, 108.0]
        target = {INSIDE}
        [settings.mineral]
        threshold_hu120 = 130
        """,
    )
    assert found.alias == "K-017"
    assert found.day_zero == "onset"
    assert [s.day for s in found.scans] == [11, 41, 80]
    assert found.seeds == (timeline.Seed(2, (-29.0, -40.0, 108.0)),)
    assert [(e.day, e.kind) for e in found.events] == [(38, "biopsy")]
    assert found.biopsies[0].scan == 2
    assert found.biopsies[0].entry == (-20.0, -40.0, 108.0)
    assert found.settings.mineral.threshold_hu120 == 130


def test_a_seed_may_name_its_scan_by_date_and_there_may_be_more(tmp_path: Path) -> None:
    history(tmp_path)
    text = f"[lesion]\nscan = 2024-05-10\nseed = {INSIDE}\n[[lesion.more]]\nscan = 1\nseed = {INSIDE}\n"
    assert [s.scan for s in case(tmp_path, text).seeds] == [3, 1]


def test_a_point_biopsy_and_days_instead_of_dates(tmp_path: Path) -> None:
    history(tmp_path)
    text = f'[[biopsy]]\nscan = 1\npoint = {INSIDE}\nday = 12\n[[event]]\nday = -3\nkind = "injury"\ntext = "fall"\n'
    found = case(tmp_path, text)
    assert (found.biopsies[0].target, found.biopsies[0].entry, found.biopsies[0].day) == (
        (-29.0, -40.0, 108.0),
        None,
        12,
    )
    assert (found.events[0].day, found.events[0].kind) == (-3, "injury")


def test_all_faults_at_once_and_no_value_quoted() -> None:
    with pytest.raises(errors.CaseFileError) as caught:
        parse(
            {
                "alias": "",
                "onset": "1999-99-99",
                "paintwork": 1,
                "lesion": {"seed": [1, "Ada", 3], "scan": 0},
                "event": [{"date": "soon", "kind": "party"}],
                "biopsy": [{"scan": 1}, 7],
                "settings": {"mineral": {"threshold": 3}},
            }
        )
    message = str(caught.value)
    for place in (
        "alias", "onset", "the file: key 3 is", "lesion.seed", "lesion.scan", "event 1.date", "event 1.kind",
        "biopsy 1", "biopsy 2", "settings.mineral: unknown key 'threshold', did you mean",
    ):  # fmt: skip
        assert place in message, place
    assert "Ada" not in message
    assert "paintwork" not in message
    assert "1999" not in message


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("alias = [\n", r"not valid TOML \(at "),
        ("a = 1\na = 2\n", r"not valid TOML \(at line 2"),
        ("[lesion]\nscan = 9\nseed = [0, 0, 0]", "there is no scan 9; the case has 3"),
        ("[lesion]\nscan = 2019-01-01\nseed = [0, 0, 0]", "no scan is of that date"),
        ("[lesion]\nscan = 1\nseed = [900, 0, 0]", "outside"),
        ("[[biopsy]]\nscan = 1\npoint = [900, 0, 0]", "far outside scan 1"),
        ("[[series]]\nstudy = 7\nseries = 1", "names study 7, but there are 3"),
        ("[lesion]\ndrawn = 1", "but 0 were drawn"),
    ],
)
def test_faults_of_meaning(tmp_path: Path, text: str, words: str) -> None:
    history(tmp_path)
    with pytest.raises(errors.CaseFileError, match=words):
        case(tmp_path, text)


def test_no_more_events_and_biopsies_than_a_history_has() -> None:
    event, biopsy = {"day": 1, "kind": "other"}, {"scan": 1, "point": [0, 0, 0]}
    assert len(parse({"event": [event] * 200, "biopsy": [biopsy] * 24}).events) == 200
    with pytest.raises(errors.CaseFileError, match=r"event: expected at most 200 of them; biopsy: .* at most 24"):
        parse({"event": [event] * 10_000, "biopsy": [biopsy] * 2_000})


def test_typed_text_is_made_harmless() -> None:
    """Marks of direction (Unicode Standard Annex 9) and control characters neither pass nor make a case fail."""
    found = parse(
        {"alias": " K\u202e-0\n17\x07", "event": [{"day": 1, "kind": "other", "text": "fell\x1b[2J\u2066 down"}]}
    )
    assert found.alias == "K-0 17"
    assert found.events[0].text == "fell[2J down"


def test_not_utf_8(tmp_path: Path) -> None:
    history(tmp_path)
    (tmp_path / "case.toml").write_bytes(b'alias = "\xff"')
    with pytest.raises(errors.CaseFileError, match="UTF-8"):
        timeline.read(tmp_path)


def test_two_studies_of_one_day_stand_in_order_of_time(tmp_path: Path) -> None:
    late = Series(time="160000")
    late.write(tmp_path / "a")
    early = Series(time="081500.123")
    early.write(tmp_path / "b")
    found = timeline.read(tmp_path)
    assert [s.identifiers["StudyInstanceUID"] for s in found.scans] == [early.study, late.study]
    assert [s.day for s in found.scans] == [0, 0]


def test_the_order_of_one_day_without_times_is_asked_for(tmp_path: Path) -> None:
    for name in "ab":
        Series(time="").write(tmp_path / name)
    with pytest.raises(errors.InputError, match=r"study 1 and study 2 are of one day .*order = 1"):
        timeline.read(tmp_path)
    found = case(tmp_path, "[[study]]\nstudy = 2\norder = 1\n[[study]]\nstudy = 1\norder = 2\n")
    assert [s.label for s in found.scans] == ["study 2 series 1", "study 1 series 1"]


def undated(ds: Dataset, k: int) -> None:
    ds.StudyDate = ds.SeriesDate = ds.AcquisitionDate = ""


def test_missing_dates_are_asked_for_and_taken_from_case_toml(tmp_path: Path) -> None:
    Series(edit=undated).write(tmp_path / "a")
    Series(edit=undated).write(tmp_path / "b")
    with pytest.raises(errors.InputError, match=r"no usable date in study 1 \(6 images.*study 2"):
        timeline.read(tmp_path)
    found = case(tmp_path, "[[study]]\nstudy = 1\nday = 35\n[[study]]\nstudy = 2\nday = 0\n")
    assert [(s.label, s.day) for s in found.scans] == [("study 2 series 1", 0), ("study 1 series 1", 35)]
    found = case(tmp_path, "[[study]]\nstudy = 1\ndate = 2024-01-01\n[[study]]\nstudy = 2\ndate = 2024-02-01\n")
    assert [(s.label, s.day) for s in found.scans] == [("study 1 series 1", 0), ("study 2 series 1", 31)]


def test_shifted_dates_keep_their_intervals_and_are_remarked(tmp_path: Path) -> None:
    """Published convention of de-identified exports: visibly false dates from 1960 on (TCIA NCTN page)."""
    history(tmp_path, ("19600101", "19600215"))
    found = timeline.read(tmp_path)
    assert [s.day for s in found.scans] == [0, 45]
    assert "dates-shifted" in {n.kind for n in found.notes}


def test_impossible_dates_count_as_missing(tmp_path: Path) -> None:
    def edit(ds: Dataset, k: int) -> None:
        ds.StudyDate = ds.SeriesDate = ds.AcquisitionDate = "20240302"

    for path in Series(edit=edit).write(tmp_path):
        path.write_bytes(path.read_bytes().replace(b"20240302", b"00000000"))
    with pytest.raises(errors.InputError, match="no usable date"):
        timeline.read(tmp_path)


def test_one_study_with_scans_of_two_days_is_two_points_in_time(tmp_path: Path) -> None:
    first = Series(number=1)
    second = Series(number=2, study=first.study, date="20240501")
    first.write(tmp_path)
    second.write(tmp_path)
    assert [s.day for s in timeline.read(tmp_path).scans] == [0, 60]


def test_one_examination_over_midnight_is_one_point_in_time(tmp_path: Path) -> None:
    first = Series(number=1, date="20240302", time="235500")
    second = Series(number=2, study=first.study, frame=first.frame, date="20240303", time="000500")
    first.write(tmp_path)
    second.write(tmp_path)
    assert len(timeline.read(tmp_path).scans) == 1


# --- whose -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("second", "accepted"),
    [
        (("Q-17", "Tester^Ada", "19700101"), True),
        (("OTHER-9", "TESTER^ADA", "19700101"), True),  # two hospitals, one person
        (("Q-17", "Tester^Ada^Maria", "19700101"), True),
        (("Q-17", "Married^Ada", "19700101"), True),
        (("Q-17", "", ""), True),
        (("Q-18", "Tester^Ada", ""), False),
        (("Q-18", "Tester^Ada", "19710101"), False),
        (("Q-17", "Someone^Else", ""), False),
        (("Q-18", "Someone^Else", "19700101"), False),
    ],
)
def test_two_patients_are_refused(tmp_path: Path, second: tuple[str, str, str], accepted: bool) -> None:
    Series().write(tmp_path / "a")
    Series(date="20240501", patient=second).write(tmp_path / "b")
    if accepted:
        assert len(timeline.read(tmp_path).scans) == 2
        return
    with pytest.raises(errors.PatientsMixedError, match="two or more patients; put each patient in a folder"):
        timeline.read(tmp_path)
    assert len(case(tmp_path, "one_patient = true").scans) == 2


# --- drawn before ----------------------------------------------------------------------------------------------


def boxes(*corners: tuple[tuple[int, int], tuple[int, int], tuple[int, int]]) -> list[np.ndarray]:
    masks = []
    for box in corners:
        mask = np.zeros((8, 21, 23), bool)
        mask[tuple(slice(*pair) for pair in box)] = True
        masks.append(mask)
    return masks


def tall(**given: Any) -> Series:
    k, r, c = np.meshgrid(*[np.arange(n) for n in (8, 21, 23)], indexing="ij")
    return Series(hu=(10 * k + r - c).astype(np.int16), **given)


@pytest.mark.parametrize("kind", ["segmentation", "contour set"])
def test_a_region_drawn_before_gives_position_and_outline(tmp_path: Path, kind: str) -> None:
    history(tmp_path, ("20240401",))
    series = tall()
    series.write(tmp_path / "scan")
    (mask,) = boxes(((2, 6), (5, 12), (7, 16)))
    save((segmentation if kind == "segmentation" else contour_set)(series, mask), tmp_path / "drawn")
    found = timeline.read(tmp_path)
    (offer,) = found.offered
    assert (offer.kind, offer.scan) == (kind, 1)
    assert found.seeds == (timeline.Seed(1, offer.point),)
    assert offer.volume_mm3 == pytest.approx(mask.sum() * 2.5 * 0.7 * 0.6)
    assert offer.mask is not None
    assert offer.grid is not None
    index = np.round(found.scans[0].grid.to_index(offer.grid.to_world(np.argwhere(offer.mask)))).astype(int)
    assert {tuple(i) for i in index.tolist()} == {tuple(i) for i in np.argwhere(mask).tolist()}
    assert mask[tuple(np.round(found.scans[0].grid.to_index(offer.point)).astype(int))]
    assert "Ada" not in "\n".join(inspection.lines(found))


def test_of_several_none_is_taken_silently(tmp_path: Path) -> None:
    series = tall()
    series.write(tmp_path / "scan")
    save(segmentation(series, *boxes(((1, 4), (2, 9), (2, 9)), ((4, 7), (10, 18), (10, 20)))), tmp_path / "drawn")
    found = timeline.read(tmp_path)
    assert [o.number for o in found.offered] == [1, 2]
    assert found.seeds == ()
    assert "drawn-offered" in {n.kind for n in found.notes}
    found = case(tmp_path, "[lesion]\ndrawn = 2\noutline = true\n")
    assert found.seeds == (timeline.Seed(1, found.offered[1].point),)
    assert found.drawn_outline == 2


def test_a_point_of_a_report_is_offered(tmp_path: Path) -> None:
    series = tall()
    series.write(tmp_path / "scan")
    save(point_report(series, (3, 10, 12)), tmp_path / "report")
    found = timeline.read(tmp_path)
    assert found.offered[0].mask is None
    np.testing.assert_allclose(found.scans[0].grid.to_index(found.seeds[0].point), (3, 10, 12), atol=1e-3)


def test_what_was_drawn_in_another_frame_of_reference_is_not_offered(tmp_path: Path) -> None:
    """The negative of the check: the same shape, another frame."""
    series, other = tall(), tall()
    series.write(tmp_path / "scan")
    save(segmentation(other, *boxes(((2, 6), (5, 12), (7, 16)))), tmp_path / "drawn")
    found = timeline.read(tmp_path)
    assert found.offered == ()
    assert found.seeds == ()


def test_a_seed_of_case_toml_stands_before_what_was_drawn(tmp_path: Path) -> None:
    series = tall()
    series.write(tmp_path / "scan")
    save(segmentation(series, *boxes(((2, 6), (5, 12), (7, 16)))), tmp_path / "drawn")
    found = case(tmp_path, f"[lesion]\nscan = 1\nseed = {INSIDE}\n")
    assert found.seeds == (timeline.Seed(1, (-29.0, -40.0, 108.0)),)


# --- hash and inspect ------------------------------------------------------------------------------------------


def test_the_hash_follows_content_not_names(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    series = Series()
    for k, path in enumerate(series.write(tmp_path / "w")):
        data = path.read_bytes()
        (tmp_path / "a" / f"{k}").write_bytes(data)
        (tmp_path / "b" / f"x{9 - k}").write_bytes(data)
    first, second = timeline.read(tmp_path / "a").content_hash(), timeline.read(tmp_path / "b").content_hash()
    assert first == second
    assert len(first) == 64
    data = bytearray((tmp_path / "b" / "x9").read_bytes())
    data[-7] ^= 1
    (tmp_path / "b" / "x9").write_bytes(data)
    assert timeline.read(tmp_path / "b").content_hash() != first


def test_inspect_shows_scans_series_and_reasons(tmp_path: Path) -> None:
    made = history(tmp_path)
    Series(study=made[0].study, frame=made[0].frame, number=9, spacing=(5.0, 0.7, 0.6), date="20240401").write(
        tmp_path / "t"
    )
    text = inspection.report(tmp_path)
    assert "case: 3 scan(s); day zero is the first scan" in text
    assert "study 2 series 2" in text
    assert "slices 5.00 mm apart" in text
    assert "2024" not in text
    assert made[0].study not in text
    kept = inspection.report(tmp_path, keep_dates=True, keep_identifiers=True)
    assert "2024-03-02" in kept
    assert made[0].study in kept


def test_the_guide_to_reading_is_true() -> None:
    """Every block of TOML in it is a case file that parses."""
    guide = (Path(__file__).parents[2] / "mineralize" / "dicom" / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", guide, re.DOTALL)
    assert len(blocks) == 3
    for block in blocks:
        parse(tomllib.loads(block))
