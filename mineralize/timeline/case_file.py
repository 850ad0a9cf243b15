"""``case.toml`` as plain values; what it means for the scans is settled in :mod:`.timeline`.

Every fault of the file is listed at once, each with its place. Values are never quoted: they may be dates.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..base import CaseFileError, InputError, Settings, plain_text, read_toml
from .calibration import GivenCalibration, read_calibrations
from .corrections import GivenCorrections, read_corrections
from .values import MOST_BIOPSIES, Point, Values
from .which import ScanRef, is_tag

KINDS = ("injury", "biopsy", "excision", "treatment", "other")


@dataclass(frozen=True)
class GivenSeed:
    """``[lesion]`` or one ``[[lesion.more]]``."""

    scan: ScanRef
    point: Point


@dataclass(frozen=True)
class GivenEvent:
    """``[[event]]``: a date, or a day from day zero."""

    at: datetime.date | int
    kind: str
    text: str = ""


@dataclass(frozen=True)
class GivenBiopsy:
    """``[[biopsy]]``: a point, or entry and target."""

    scan: ScanRef
    target: Point
    entry: Point | None = None
    at: datetime.date | int | None = None


@dataclass(frozen=True)
class GivenStudy:
    """``[[study]]``: when a study was made, where its files do not say; ``order`` settles ties of one day."""

    study: int
    at: datetime.date | int | None = None
    order: int | None = None


@dataclass(frozen=True)
class CaseFile:
    """What the user said about a case."""

    alias: str = "case"
    onset: datetime.date | None = None
    one_patient: bool = False
    seeds: tuple[GivenSeed, ...] = ()
    drawn: int | None = None
    drawn_tag: str = ""
    drawn_outline: bool = False
    events: tuple[GivenEvent, ...] = ()
    biopsies: tuple[GivenBiopsy, ...] = ()
    series: Mapping[int, tuple[int, int]] = field(default_factory=dict)
    studies: Mapping[int, GivenStudy] = field(default_factory=dict)
    calibrations: tuple[GivenCalibration, ...] = ()
    corrections: GivenCorrections = field(default_factory=GivenCorrections)
    settings: Settings = field(default_factory=Settings)


def load(path: str | Path | None) -> CaseFile:
    """Read ``case.toml``; without one, all defaults.

    Raises
    ------
    CaseFileError
        listing every fault.
    """
    if path is None:
        return CaseFile()
    try:
        table = read_toml(Path(path), "case.toml")
    except InputError as error:
        raise CaseFileError(str(error)) from None
    return parse(table)


def alias_of(path: str | Path) -> str:
    """The alias that a ``case.toml`` gives its case, ``""`` where there is none or the file cannot be used.

    For those who have to name many cases before they read them; what is wrong is said when the case is read.
    """
    try:
        alias = read_toml(Path(path), "case.toml").get("alias")
    except InputError:
        return ""
    return alias.strip() if isinstance(alias, str) else ""


def parse(table: Mapping[str, Any]) -> CaseFile:
    """``case.toml`` as parsed TOML to a :class:`CaseFile`: points LPS mm, days from day zero, scans from 1.

    Raises
    ------
    CaseFileError
        listing every fault.
    """
    reader = _Reader()
    result = reader.case(table)
    if reader.faults:
        raise CaseFileError("case.toml: " + "; ".join(reader.faults))
    return result


class _Reader(Values):
    """Walks the table."""

    def case(self, table: Mapping[str, Any]) -> CaseFile:
        self.known(table, "the file", {
            "alias", "onset", "one_patient", "lesion", "event", "biopsy", "series", "study", "calibration", "settings",
            "margin", "contour", "mineral",
        })  # fmt: skip
        alias = table.get("alias", "case")
        alias = plain_text(alias, one_line=True) if isinstance(alias, str) else ""
        if not alias or len(alias) > 64:
            self.fault("alias", "expected a short text of printable characters")
            alias = "case"
        one = table.get("one_patient", False)
        if not isinstance(one, bool):
            self.fault("one_patient", "expected true or false")
        seeds, drawn, tag, outline = self.lesion(table.get("lesion"))
        settings = Settings()
        try:
            settings = Settings.from_mapping(table.get("settings", {}))
        except CaseFileError as error:
            self.faults.append(str(error))
        return CaseFile(
            alias=alias,
            onset=self.date(table["onset"], "onset") if "onset" in table else None,
            one_patient=one is True,
            seeds=seeds,
            drawn=drawn,
            drawn_tag=tag,
            drawn_outline=outline,
            events=tuple(e for where, item in self.items(table, "event") if (e := self.event(item, where))),
            biopsies=tuple(
                b for where, item in self.items(table, "biopsy", most=MOST_BIOPSIES) if (b := self.biopsy(item, where))
            ),
            series=self.series(table),
            studies=self.studies(table),
            calibrations=read_calibrations(self, table),
            corrections=read_corrections(self, table),
            settings=settings,
        )

    def lesion(self, value: Any) -> tuple[tuple[GivenSeed, ...], int | None, str, bool]:
        if value is None:
            return (), None, "", False
        if not isinstance(value, Mapping):
            self.fault("lesion", "expected a table [lesion]")
            return (), None, "", False
        self.known(value, "lesion", {"scan", "series", "seed", "more", "drawn", "tag", "outline"})
        drawn = self.count(value["drawn"], "lesion.drawn") if "drawn" in value else None
        tag = value.get("tag", "")
        if tag != "" and (drawn is None or not is_tag(tag)):
            self.fault("lesion.tag", "expected 12 hexadecimal digits, and only together with drawn")
            tag = ""
        outline = value.get("outline", False)
        if not isinstance(outline, bool) or (outline and drawn is None):
            self.fault("lesion.outline", "expected true or false, and true only together with drawn")
            outline = False
        found: list[GivenSeed] = []
        if "seed" in value:
            found += self.seed(value, "lesion")
        elif drawn is None:
            self.fault("lesion.seed", "missing; expected three numbers, LPS mm of the scan")
        for where, item in self.items(value, "more", "lesion.more"):
            self.known(item, where, {"scan", "series", "seed"})
            if "scan" not in item or "seed" not in item:
                self.fault(where, "expected both scan and seed")
            else:
                found += self.seed(item, where)
        return tuple(found), drawn, tag, outline

    def seed(self, item: Mapping[str, Any], where: str) -> list[GivenSeed]:
        point = self.point(item.get("seed"), f"{where}.seed")
        scan = self.scan(item, where, 1)
        return [GivenSeed(scan, point)] if point is not None and scan is not None else []

    def event(self, item: Mapping[str, Any], where: str) -> GivenEvent | None:
        self.known(item, where, {"date", "day", "kind", "text"})
        kind, text = item.get("kind"), item.get("text", "")
        if kind not in KINDS:
            self.fault(f"{where}.kind", f"expected one of {', '.join(KINDS)}")
        text = plain_text(text, one_line=True) if isinstance(text, str) else text
        if not isinstance(text, str) or len(text) > 200:
            self.fault(f"{where}.text", "expected a short text")
        at = self.at(item, where)
        if at is None:
            if "date" not in item and "day" not in item:
                self.fault(where, "missing date")
            return None
        return GivenEvent(at, kind, text) if kind in KINDS and isinstance(text, str) else None

    def biopsy(self, item: Mapping[str, Any], where: str) -> GivenBiopsy | None:
        self.known(item, where, {"scan", "series", "point", "entry", "target", "date", "day"})
        if ("point" in item) == ("target" in item):
            self.fault(where, "expected either point, or target (with or without entry)")
            return None
        name = "point" if "point" in item else "target"
        target = self.point(item[name], f"{where}.{name}")
        entry = self.point(item["entry"], f"{where}.entry") if "entry" in item else None
        if name == "point" and "entry" in item:
            self.fault(f"{where}.entry", "goes with target, not with point")
        scan = self.scan(item, where, 1)
        at = self.at(item, where)
        return GivenBiopsy(scan, target, entry, at) if target is not None and scan is not None else None

    def series(self, table: Mapping[str, Any]) -> dict[int, tuple[int, int]]:
        found: dict[int, tuple[int, int]] = {}
        for where, item in self.items(table, "series"):
            self.known(item, where, {"study", "series", "part"})
            study = self.count(item.get("study"), f"{where}.study")
            series = self.count(item.get("series"), f"{where}.series")
            part = self.count(item["part"], f"{where}.part") if "part" in item else 0
            if study is not None and series is not None and part is not None:
                if study in found:
                    self.fault(where, f"study {study} is given twice")
                found[study] = (series, part)
        return found

    def studies(self, table: Mapping[str, Any]) -> dict[int, GivenStudy]:
        found: dict[int, GivenStudy] = {}
        for where, item in self.items(table, "study"):
            self.known(item, where, {"study", "date", "day", "order"})
            study = self.count(item.get("study"), f"{where}.study")
            order = self.count(item["order"], f"{where}.order") if "order" in item else None
            at = self.at(item, where)
            if at is None and order is None:
                self.fault(where, "expected date, day or order")
            elif study is not None:
                if study in found:
                    self.fault(where, f"study {study} is given twice")
                found[study] = GivenStudy(study, at, order)
        return found
