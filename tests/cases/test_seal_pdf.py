"""What imaging says lies nowhere open in covered results, the PDF inside a DICOM object included."""

from __future__ import annotations

import zipfile
from pathlib import Path

import study_factory

from mineralize.cases import seal
from mineralize.results import form, impression, record
from mineralize.results.form import Impression

PAGE = "<html><!--impression--><!--/impression--></html>"


def test_the_dicom_pdf_is_covered_and_comes_back(tmp_path: Path) -> None:
    for name, text in (
        ("summary.html", PAGE),
        ("summary.pdf", "pdf"),
        ("figures/rim.png", "png"),
        ("dicom/summary-pdf.dcm", "pdf in dicom"),
        ("dicom/seg-scan-1.dcm", "seg"),
    ):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    document = record.history(study_factory.study())
    (tmp_path / "history.json").write_text(record.dumps(document), encoding="utf-8")
    seal.cover(tmp_path, document)
    left = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file()}
    assert left == {"history.json", "summary.html", "sealed.txt", "sealed.zip", "dicom/seg-scan-1.dcm"}
    with zipfile.ZipFile(tmp_path / "sealed.zip") as archive:
        assert archive.read("dicom/summary-pdf.dcm") == b"pdf in dicom"
    impression.record_impression(tmp_path, Impression(reader="reader A", zoning="no zoning"))
    seal.renew(tmp_path)
    assert (tmp_path / "summary.pdf").read_bytes().startswith(b"%PDF-"), "printed anew, with the impression in it"
    assert (tmp_path / "dicom" / "summary-pdf.dcm").read_text(encoding="utf-8") == "pdf in dicom"
    assert (tmp_path / "figures" / "rim.png").read_text(encoding="utf-8") == "png"
    assert not (tmp_path / "sealed.zip").exists()


def test_answers_are_made_harmless_before_they_are_recorded(tmp_path: Path) -> None:
    """Marks of direction and control characters could make a page say something else than was typed."""
    filled = form.from_mapping({"reader": "A\u202eB\x07", "remarks": "one\r\ntwo\x1b[2J"})
    assert (filled.reader, filled.remarks) == ("AB", "one\ntwo[2J")
    impression.record_impression(tmp_path, filled)
    (held,) = impression.load_impressions(tmp_path)
    assert held.impression == filled
