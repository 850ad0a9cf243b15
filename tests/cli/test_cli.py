"""The command line, in process: exit codes, one sentence per fault, nothing half-written, batch equals single."""

from __future__ import annotations

import errno
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import study_factory

from mineralize.base import InputError, LesionNeeded, OutputError, SeriesError, UsageError
from mineralize.batch import tables as batch_tables
from mineralize.batch import work as batch
from mineralize.batch.job import Report
from mineralize.cases import one as cases
from mineralize.cli import commands as cli
from mineralize.cli.progress import Progress
from mineralize.dicom_out import seg
from mineralize.figures import Pictures
from mineralize.lesion import Candidate
from mineralize.results import impression, record, tables
from mineralize.results.form import Impression

CANDIDATES = (
    Candidate(1, 2, (38.04, -0.31, 18.8), 9000.0, 1480.0, 34.0, 2.4, 8.0, "a shell clear of the bone"),
    Candidate(2, 2, (-40.0, 12.0, 60.0), 4000.0, 700.0, 22.0, 0.0, 7.5, "against the cortex"),
)


@pytest.fixture(autouse=True)
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """No pictures, they have tests of their own; no progress lines where the machine is slow."""
    monkeypatch.setattr(cases, "draw", lambda *_: Pictures({"course.png": b"drawn"}, {}))
    monkeypatch.setattr(cases, "render_pdf", lambda *_: b"%PDF-1.4")
    monkeypatch.setattr(seg, "write", lambda *_: {})
    monkeypatch.setattr("mineralize.cli.progress.PATIENCE_SECONDS", 60.0)


@pytest.fixture
def made_up(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Stands in for reading and analysing; the last time line given to ``analyse`` is kept."""

    def stand_in(study: Any = None, read: Exception | None = None, analyse: Exception | None = None) -> None:
        study = study or study_factory.study()

        def read_case(path: Path, *, on_step: Any = None) -> Any:
            if read:
                raise read
            return study.timeline

        def analyse_case(timeline: Any, settings: Any, on_step: Any, jobs: Any, meanwhile: Any, **_: Any) -> Any:
            if analyse:
                raise analyse
            return replace(study, timeline=timeline)

        monkeypatch.setattr(cases, "read_timeline", read_case)
        monkeypatch.setattr(cases, "analyse", analyse_case)

    return stand_in


def files(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_summarise_writes_the_results(made_up: Any, tmp_path: Path, capsys: Any) -> None:
    made_up()
    code = cli.main(["summarise", "case", "--out", str(tmp_path / "out")])
    written = files(tmp_path / "out")
    assert {"measurements.csv", "changes.csv", "history.json", "summary.html"} <= written.keys()
    assert code == 5
    said = capsys.readouterr()
    assert "withheld" in said.out
    assert said.err == ""
    assert str(tmp_path) not in said.out
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.slow
def test_dicom_is_written_and_the_same_on_every_run(
    made_up: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.undo()
    study = study_factory.study()
    for name in ("first", "second"):
        cases.write_study(study, tmp_path / name, record.Options(dicom_pdf=True))
    first = files(tmp_path / "first")
    assert {f"dicom/seg-scan-{n}.dcm" for n in range(1, 6)} <= first.keys()
    assert {"dicom/measurements-sr.dcm", "dicom/summary-pdf.dcm", "summary.pdf", "figures/rim.png"} <= first.keys()
    assert first == files(tmp_path / "second")


def test_exit_0_when_nothing_is_withheld(made_up: Any, tmp_path: Path) -> None:
    study = study_factory.study()
    whole = replace(study, measurements=tuple(r for r in study.measurements if r.trust != "withheld"))
    made_up(whole)
    assert cli.main(["summarise", "case", "--out", str(tmp_path / "out")]) == 0


def test_same_input_same_bytes_and_replacing_our_own(made_up: Any, tmp_path: Path) -> None:
    made_up()
    cli.main(["summarise", "case", "--out", str(tmp_path / "out")])
    first = files(tmp_path / "out")
    cli.main(["summarise", "case", "--out", str(tmp_path / "out")])
    assert files(tmp_path / "out") == first
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (InputError("the case folder is empty; give one with CT images"), 4),
        (SeriesError("slices are missing", "slice-spacing", "export it again"), 4),
        (UsageError("no"), 2),
    ],
)
def test_a_refused_input_is_one_sentence(made_up: Any, tmp_path: Path, capsys: Any, error: Any, code: int) -> None:
    made_up(read=error)
    assert cli.main(["summarise", "case", "--out", str(tmp_path / "out")]) == code
    said = capsys.readouterr()
    assert said.err == f"mineralize: {error}\n"
    assert said.out == ""
    assert list(tmp_path.iterdir()) == []


def test_an_undecided_lesion_lists_candidates(made_up: Any, tmp_path: Path, capsys: Any) -> None:
    made_up(analyse=LesionNeeded("two structures could be the lesion", CANDIDATES))
    assert cli.main(["summarise", "case", "--out", str(tmp_path / "out")]) == 3
    said = capsys.readouterr()
    assert said.err == "mineralize: two structures could be the lesion\n"
    assert "1.  scan 2, at 38.0, -0.3, 18.8" in said.out
    assert "2.  scan 2, at -40.0, 12.0, 60.0" in said.out
    assert "--seed 38.0,-0.3,18.8 --scan 2" in said.out
    assert list(tmp_path.iterdir()) == []


def test_no_candidate_at_all_says_how_to_answer(made_up: Any, tmp_path: Path, capsys: Any) -> None:
    made_up(analyse=LesionNeeded("no lesion was found"))
    assert cli.main(["summarise", "case", "--out", str(tmp_path / "out")]) == 3
    assert "--seed" in capsys.readouterr().out


def test_the_answer_is_taken(made_up: Any, tmp_path: Path) -> None:
    made_up()
    seed = ",".join(f"{v:.1f}" for v in study_factory.POSES[1].apply(study_factory.CENTRE))
    cli.main(["summarise", "case", "--out", str(tmp_path / "out"), "--seed", seed, "--scan", "2"])
    request = cases.Request(Path("case"), tuple(float(v) for v in seed.split(",")), 2)  # type: ignore[arg-type]
    assert cases.load(request).seeds[0].scan == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--seed", "-1,2"], "three numbers"),
        (["--seed", "nan,1,1"], "three finite numbers"),
        (["--seed", "1,1,1", "--scan", "9"], "the case has scans 1 to 5"),
        (["--seed", "-900,1,1", "--scan", "2"], "lies outside scan 2"),
        (["--scan", "2"], "give --seed too"),
        (["--colour"], "unrecognized"),
    ],
)
def test_wrong_usage_is_exit_2_and_one_line(
    made_up: Any, tmp_path: Path, capsys: Any, words: list[str], said: str
) -> None:
    made_up()
    assert cli.main(["summarise", "case", "--out", str(tmp_path / "out"), *words]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("words", [[], ["nonsense"], ["summarise"], ["batch", "root", "--out", "o", "--jobs", "0"]])
def test_usage_errors(capsys: Any, words: list[str]) -> None:
    assert cli.main(words) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_foreign_output_is_refused(made_up: Any, tmp_path: Path, capsys: Any) -> None:
    made_up()
    out = tmp_path / "out"
    cli.main(["summarise", "case", "--out", str(out)])
    (out / "my notes.txt").write_text("mine", encoding="utf-8")
    before = files(out)
    capsys.readouterr()
    assert cli.main(["summarise", "case", "--out", str(out)]) == 4
    assert "did not write" in capsys.readouterr().err
    assert files(out) == before
    plain = tmp_path / "file"
    plain.write_text("x", encoding="utf-8")
    assert cli.main(["summarise", "case", "--out", str(plain)]) == 4
    assert cli.main(["summarise", "case", "--out", str(plain / "deeper")]) == 4
    assert plain.read_text(encoding="utf-8") == "x"


@pytest.mark.parametrize(("number", "words"), [(errno.ENOSPC, "no space left"), (errno.EROFS, "read-only")])
def test_a_full_or_read_only_disk(
    made_up: Any, tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    """Planted at the second file: what was there before stays, nothing new is left, one sentence, no path."""
    made_up()
    out = tmp_path / "deep" / "out"
    real = cases.write_text

    def full(path: Path, text: str) -> None:
        if path.name == "changes.csv":
            raise OSError(number, "planted", str(path))
        real(path, text)

    monkeypatch.setattr(cases, "write_text", full)
    assert cli.main(["summarise", "case", "--out", str(out)]) == 4
    said = capsys.readouterr().err
    assert words in said
    assert str(tmp_path) not in said
    assert said.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
    monkeypatch.setattr(cases, "write_text", real)
    cli.main(["summarise", "case", "--out", str(out)])
    before = files(out)
    monkeypatch.setattr(cases, "write_text", full)
    assert cli.main(["summarise", "case", "--out", str(out)]) == 4
    assert files(out) == before
    assert [p.name for p in out.parent.iterdir()] == ["out"]


def test_output_is_checked_before_the_long_work(made_up: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: Path, *_: Any, **__: Any) -> None:
        raise OSError(errno.EROFS, "planted")

    made_up(read=InputError("read before the output was checked"))
    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(OutputError, match="read-only"):
        cases.run(cases.Request(Path("case")), tmp_path / "out")


def test_a_folder_that_cannot_be_renamed_is_filled_from_inside(
    made_up: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A mount point, as in a container; a failed move puts everything back."""
    made_up()
    out = tmp_path / "out"
    out.mkdir()
    monkeypatch.setattr("os.path.ismount", lambda path: Path(path) == out)
    cli.main(["summarise", "case", "--out", str(out)])
    first = files(out)
    assert {"history.json", "figures/course.png", ".mineralize"} <= first.keys()
    assert not [p for p in out.iterdir() if p.name.startswith(".mineralize-")]
    cli.main(["summarise", "case", "--out", str(out)])
    assert files(out) == first
    real = Path.rename

    def refuse(self: Path, target: Path) -> Path:
        if self.name == "history.json" and "-new-" in self.parent.name:
            raise OSError(errno.EIO, "planted")
        return real(self, target)

    monkeypatch.setattr(Path, "rename", refuse)
    assert cli.main(["summarise", "case", "--out", str(out)]) == 4
    assert files(out) == first
    assert not [p for p in out.iterdir() if p.name.startswith(".mineralize-")]


def test_impressions_are_carried_over(made_up: Any, tmp_path: Path) -> None:
    made_up()
    out = tmp_path / "out"
    cli.main(["summarise", "case", "--out", str(out)])
    impression.record_impression(out, Impression(reader="A", atypia="none"))
    held = {name: data for name, data in files(out).items() if name.startswith("impressions/")}
    assert held
    cli.main(["summarise", "case", "--out", str(out)])
    assert held.items() <= files(out).items()


def _root(tmp_path: Path) -> Path:
    root = tmp_path / "root"
    for name in ("DOE^JANE", "SMITH^JOHN", "WEISS^ANNA"):
        (root / name).mkdir(parents=True)
    (root / "SMITH^JOHN" / "case.toml").write_text('alias = "K/2"\n', encoding="utf-8")
    (root / "readme.txt").write_text("no case", encoding="utf-8")
    return root


def test_batch_survives_bad_cases_and_equals_single(
    tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = study_factory.study(unresolved=2)

    def read_case(path: Path, *, on_step: Any = None) -> Any:
        if path.name == "DOE^JANE":
            raise InputError("the case folder is empty")
        if path.name == "WEISS^ANNA":
            raise RuntimeError("WEISS^ANNA broke something")
        return study.timeline

    monkeypatch.setattr(cases, "read_timeline", read_case)
    monkeypatch.setattr(cases, "analyse", lambda timeline, *_, **__: study)
    root, out = _root(tmp_path), tmp_path / "out"
    assert cli.main(["batch", str(root), "--out", str(out), "--jobs", "1"]) == 5
    said = capsys.readouterr()
    everything = said.out + said.err + "".join(files(out)) + b"".join(files(out).values()).decode("utf-8", "replace")
    assert not any(name in everything for name in ("DOE", "SMITH", "WEISS"))
    assert "RuntimeError" in said.out
    seen = {p.name for p in out.iterdir() if not p.name.startswith(".") and p.suffix != ".parquet"}
    assert seen == {"K-2", "cases.csv", "changes.csv", "measurements.csv", "dictionary.json"}
    cli.main(["summarise", str(root / "SMITH^JOHN"), "--out", str(tmp_path / "single")])
    assert files(out / "K-2") == files(tmp_path / "single")
    joined = tables.read(out / "measurements.csv")
    assert {row["case"] for row in joined} == {"K-2"}
    status = tables.read(out / "cases.csv", batch_tables.COLUMNS)
    assert [(row["case"], row["exit_code"]) for row in status] == [("case-001", "4"), ("K-2", "5"), ("case-003", "4")]
    assert cli.main(["batch", str(root), "--out", str(out), "--jobs", "1"]) == 5


def test_batch_exit_codes() -> None:
    def report(code: int) -> Report:
        return Report("x", 1, code, 0, 0, 0, "")

    assert batch.exit_code([report(0), report(0)]) == 0
    assert batch.exit_code([report(0), report(4)]) == 5
    assert batch.exit_code([report(3), report(3)]) == 3
    assert batch.exit_code([report(3), report(4)]) == 4


def test_batch_needs_cases(tmp_path: Path, capsys: Any) -> None:
    assert cli.main(["batch", str(tmp_path), "--out", str(tmp_path / "out")]) == 4
    assert cli.main(["batch", str(tmp_path / "nothing"), "--out", str(tmp_path / "out")]) == 4
    assert capsys.readouterr().err.count("\n") == 2


def test_curve_prints_one_quantity(tmp_path: Path, capsys: Any) -> None:
    path = tmp_path / "measurements.csv"
    document = record.history(study_factory.study(unresolved=2))
    path.write_text(tables.measurements(document), encoding="utf-8", newline="")
    assert cli.main(["curve", str(path), str(path), "--points", "--quantity", "rim_attenuation"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "case,scan,day,value,low,high,unit,trust"
    assert len(lines) == 11
    assert lines[2] == "K-017,2,26,,,,HU,withheld"
    assert lines[6].startswith("K-017 (table 2),1,12,61.2,")
    assert cli.main(["curve", str(path), "--points", "--quantity", "weight"]) == 4
    assert "known there: axial_diameter" in capsys.readouterr().err


def test_settings_file(made_up: Any, tmp_path: Path, capsys: Any) -> None:
    made_up()
    path = tmp_path / "settings.toml"
    path.write_text("[mineral]\nthreshold_hu120 = 130\n", encoding="utf-8")
    assert cli.main(["summarise", "c", "--out", str(tmp_path / "out"), "--settings", str(path)]) == 5
    path.write_text("[mineral]\nthreshold = 130\n[zone]\nrim = 2\n", encoding="utf-8")
    assert cli.main(["summarise", "c", "--out", str(tmp_path / "out"), "--settings", str(path)]) == 4
    said = capsys.readouterr().err
    assert "threshold" in said
    assert "zone" in said
    path.write_text("[[", encoding="utf-8")
    assert cli.main(["summarise", "c", "--out", str(tmp_path / "out"), "--settings", str(path)]) == 4


def test_progress_is_silent_below_a_second(capsys: Any) -> None:
    with Progress() as progress:
        progress("align", 1, 4)
    assert capsys.readouterr().err == ""


def test_progress_names_long_stages(capsys: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("mineralize.cli.progress.PATIENCE_SECONDS", 0.0)
    with Progress() as progress:
        progress("align", 1, 4)
        progress("align", 2, 4)
        progress("measure")
    assert capsys.readouterr().err == "align\nmeasure\n"


def test_history_of_a_run_is_strict(made_up: Any, tmp_path: Path) -> None:
    made_up()
    cli.main(["summarise", "case", "--out", str(tmp_path / "out")])
    document = json.loads((tmp_path / "out" / "history.json").read_text(encoding="utf-8"))
    assert document["schema"] == record.SCHEMA


FORM = """
reader = "P1"
atypia = "mild"
differential = ["myositis ossificans", "nodular fasciitis"]
[[zones]]
zone = "centre"
seen = "yes"
tissues = ["fibroblasts <young>"]
[[tests]]
name = "USP6 rearrangement"
result = "negative"
"""


def test_slides_first(made_up: Any, tmp_path: Path, capsys: Any) -> None:
    """Covered until an impression exists; then both are shown; amended with a reason only; earlier versions stay."""
    made_up()
    out, form = tmp_path / "out", tmp_path / "form.toml"
    form.write_text(FORM, encoding="utf-8")
    run = ["summarise", "case", "--out", str(out)]
    assert cli.main([*run, "--sealed"]) == 5
    page = (out / "summary.html").read_text(encoding="utf-8")
    assert "Mineral lies at the periphery" not in page
    assert "mineralize impression" in page
    assert not (out / "summary.pdf").exists()
    assert not (out / "figures").exists()
    assert (out / "history.json").exists()
    covered = files(out)
    cli.main([*run, "--sealed"])
    assert files(out) == covered

    assert cli.main(["impression", str(out), "--from", str(form)]) == 0
    assert "before the findings were opened" in capsys.readouterr().out
    page = (out / "summary.html").read_text(encoding="utf-8")
    assert "Mineral lies at the periphery" in page
    assert "nodular fasciitis" in page
    assert "fibroblasts &lt;young&gt;" in page
    assert (out / "summary.pdf").exists()
    assert (out / "figures" / "course.png").exists()
    assert not (out / "sealed.zip").exists()

    assert cli.main(["impression", str(out), "--from", str(form)]) == 2
    form.write_text(
        FORM + '[ticks]\nhistology = "benign"\naccounts = "yes"\nsampling = "representative"\n'
        'timing = "late enough"\ncomparable = "comparable"\n',
        encoding="utf-8",
    )
    assert cli.main(["impression", str(out), "--from", str(form), "--because", "ticks after conference"]) == 0
    assert "after the findings were opened" in capsys.readouterr().out
    page = (out / "summary.html").read_text(encoding="utf-8")
    assert page.count("☒") == 1
    assert page.count('id="impression"') == 1
    assert cli.main(["impression", str(out)]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 2

    cli.main([*run, "--sealed"])
    assert (out / "summary.html").read_text(encoding="utf-8") == page
    assert len(list((out / "impressions").iterdir())) == 2


def test_a_blank_form_opens_nothing(made_up: Any, tmp_path: Path, capsys: Any) -> None:
    made_up()
    out, form = tmp_path / "out", tmp_path / "form.toml"
    cli.main(["summarise", "case", "--out", str(out), "--sealed"])
    covered = files(out)
    capsys.readouterr()
    assert cli.main(["impression", str(out), "--form"]) == 0
    form.write_text(capsys.readouterr().out, encoding="utf-8")
    assert cli.main(["impression", str(out), "--from", str(form)]) == 4
    assert "says nothing of the slides" in capsys.readouterr().err
    assert files(out) == covered


def test_impression_faults_are_one_sentence(made_up: Any, tmp_path: Path, capsys: Any) -> None:
    made_up()
    out, form = tmp_path / "out", tmp_path / "form.toml"
    form.write_text(FORM, encoding="utf-8")
    for words in (["--form"], ["--from", str(form)], []):
        assert cli.main(["impression", str(out), *words]) == 4
        assert "holds no results" in capsys.readouterr().err
    assert not out.exists()
    cli.main(["summarise", "case", "--out", str(out)])
    capsys.readouterr()
    assert cli.main(["impression", str(out)]) == 0
    assert "no impression is recorded" in capsys.readouterr().out
    form.write_text('atypia = "enormous"\n', encoding="utf-8")
    assert cli.main(["impression", str(out), "--from", str(form)]) == 4
    form.write_text("[[", encoding="utf-8")
    assert cli.main(["impression", str(out), "--from", str(form)]) == 4
    said = capsys.readouterr().err
    assert said.count("\n") == 2
    assert str(tmp_path) not in said
    assert not (out / "impressions").exists()
