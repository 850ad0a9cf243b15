"""Damage that keeps a series readable: values that belong to another slice, to another element, or are off.

A series is a list of slices, each a list of top-level elements as bytes (explicit little endian), so that an element
can be taken from one slice and put into another without a library that would set it right.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import numpy as np
from dicom_factory import SUPINE, Series
from numpy.typing import NDArray
from pydicom.datadict import tag_for_keyword
from pydicom.dataset import Dataset

_LONG = {b"OB", b"OD", b"OF", b"OL", b"OV", b"OW", b"SQ", b"UC", b"UN", b"UR", b"UT", b"SV", b"UV"}
TEXT_NUMBERS = [
    "ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "SliceThickness", "SpacingBetweenSlices",
    "SliceLocation", "ReconstructionDiameter", "GantryDetectorTilt", "RescaleSlope", "RescaleIntercept",
    "InstanceNumber", "AcquisitionNumber", "SeriesNumber", "KVP",
]  # fmt: skip
SHORTS = [
    "Rows", "Columns", "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "SamplesPerPixel",
    "PixelPaddingValue",
]  # fmt: skip
WORDS = [
    "SOPInstanceUID", "SeriesInstanceUID", "StudyInstanceUID", "FrameOfReferenceUID", "PatientPosition", "ImageType",
    "RescaleType", "PhotometricInterpretation", "Modality", "AcquisitionDate", "ConvolutionKernel",
]  # fmt: skip
PIXELS = "PixelData"
FACTORS = [-1, 0.1, 0.5, 0.9, 0.98, 0.99, 0.995, 1.005, 1.01, 1.02, 1.1, 1.5, 2, 3, 10]
SHIFTS = [-100, -10, -2, -1, -0.6, -0.1, 0.1, 0.6, 1, 2, 10, 100, 1024]


@dataclass
class Element:
    """One element as it stands in a file: tag, value representation and value."""

    tag: int
    kind: bytes
    value: bytes

    def written(self) -> bytes:
        head = struct.pack("<HH", self.tag >> 16, self.tag & 0xFFFF) + self.kind
        if self.kind in _LONG:
            return head + b"\0\0" + struct.pack("<L", len(self.value)) + self.value
        return head + struct.pack("<H", len(self.value)) + self.value


@dataclass
class Slice:
    """One file: what comes before the data set, and its elements by tag."""

    meta: bytes
    elements: dict[int, Element] = field(default_factory=dict)

    @classmethod
    def of(cls, data: bytes) -> Slice:
        at = 144 + struct.unpack("<L", data[140:144])[0]
        found = cls(data[:at])
        while at < len(data):
            group, number = struct.unpack("<HH", data[at : at + 4])
            kind = data[at + 4 : at + 6]
            start = at + (12 if kind in _LONG else 8)
            length = struct.unpack("<L", data[at + 8 : at + 12])[0] if kind in _LONG else (
                struct.unpack("<H", data[at + 6 : at + 8])[0]
            )  # fmt: skip
            tag = group << 16 | number
            found.elements[tag] = Element(tag, kind, data[start : start + length])
            at = start + length
        return found

    def copy(self) -> Slice:
        return Slice(self.meta, {tag: Element(e.tag, e.kind, e.value) for tag, e in self.elements.items()})

    def written(self) -> bytes:
        return self.meta + b"".join(self.elements[tag].written() for tag in sorted(self.elements))

    def get(self, keyword: str) -> Element | None:
        return self.elements.get(int(tag_for_keyword(keyword) or 0))


@dataclass
class Base:
    """A valid series with its truth: LPS mm of the first voxel of each slice, steps of column and row, HU."""

    name: str
    slices: list[Slice]
    corners: NDArray[np.float64]
    along_column: NDArray[np.float64]
    along_row: NDArray[np.float64]
    hu: NDArray[np.int16]
    spacing: float


def limb(shape: tuple[int, int, int], seed: int) -> NDArray[np.int16]:
    """Air, a limb that tapers, a shaft of bone that leans, and noise: no two slices alike, as in every real scan."""
    k, r, c = np.meshgrid(*[np.arange(n, dtype=float) for n in shape], indexing="ij")
    middle = ((shape[1] - 1) / 2, (shape[2] - 1) / 2)
    away = np.hypot(r - middle[0], c - middle[1])
    bone = np.hypot(r - middle[0], c - middle[1] - 0.3 * k)
    # Edges a pixel wide, as any scanner blurs them: else steps from slice to slice would be those of the raster.
    hu = -1000.0 + 1050.0 * np.clip(0.46 * min(shape[1:]) - 0.2 * k - away + 0.5, 0, 1)
    hu += (900.0 - hu) * np.clip(0.1 * min(shape[1:]) - bone + 0.5, 0, 1)
    hu += np.random.default_rng(seed).normal(0, 12, shape)
    return np.clip(np.round(hu), -1024, 3000).astype(np.int16)


KINDS = ["full", "full", "full", "no-location", "no-distance", "overlapping", "tilted", "signed", "cropped", "frames"]
"""Headers as scanners write them. ``full`` says everything that the standard has room for; ``frames`` is one file."""
ENHANCED_CT = b"1.2.840.10008.5.1.4.1.1.2.1\0"
GROUPS = {
    0x00289110: ("PixelSpacing", "SliceThickness", "SpacingBetweenSlices"),
    0x00209113: ("ImagePositionPatient",),
    0x00209116: ("ImageOrientationPatient",),
    0x00289145: ("RescaleIntercept", "RescaleSlope", "RescaleType"),
    0x00189314: ("ConvolutionKernel", "ReconstructionDiameter"),
    0x00189325: ("KVP",),
}
"""Functional groups of one frame (PS3.3 C.7.6.16, C.8.15.3) and the elements of a slice that go into them."""


def base(kind: str, folder: Path, seed: int = 5) -> Base:
    """One of :data:`KINDS` as a valid series."""
    shape = (10, 24, 24)
    step_mm, pixel_mm = 2.0, 0.75
    tilt = np.radians(12.0) if kind == "tilted" else 0.0
    orientation = (1.0, 0.0, 0.0, 0.0, float(np.cos(tilt)), float(np.sin(tilt))) if tilt else SUPINE
    signed = kind == "signed"

    def edit(ds: Dataset, k: int) -> None:
        if kind != "no-distance":
            ds.SpacingBetweenSlices = step_mm
        if kind != "no-location":
            ds.SliceLocation = ds.ImagePositionPatient[2] if kind != "overlapping" else 17.0 - step_mm * k
        ds.ReconstructionDiameter = pixel_mm * (512 if kind == "cropped" else shape[2])
        ds.GantryDetectorTilt = float(np.degrees(tilt))
        ds.SliceThickness = 4.0 if kind == "overlapping" else step_mm
        ds.AcquisitionNumber = 1
        if signed:
            ds.add_new("PixelPaddingValue", "SS", -2000)
        else:
            ds.BitsStored, ds.HighBit = 12, 11

    series = Series(
        hu=limb(shape, seed), spacing=(step_mm, pixel_mm, pixel_mm), orientation=orientation, step=(0.0, 0.0, step_mm),
        edit=edit, signed=signed, intercept=0.0 if signed else -1024.0,
    )  # fmt: skip
    paths = series.write(folder)
    return Base(
        kind,
        [Slice.of(path.read_bytes()) for path in paths],
        np.array([series.position(k) for k in range(shape[0])]),
        np.array(orientation[:3]) * pixel_mm,
        np.array(orientation[3:]) * pixel_mm,
        series.hu,
        step_mm * float(np.cos(tilt)),
    )


def files_of(name: str, slices: list[Slice]) -> list[bytes]:
    """What a series is on disk: a file per slice, or one with all frames."""
    return [_as_frames(slices)] if name == "frames" else [one.written() for one in slices]


def _as_frames(slices: list[Slice]) -> bytes:
    """The slices as frames of one Enhanced CT image, each with functional groups of its own (C.7.6.16)."""

    def item(elements: list[Element]) -> bytes:
        body = b"".join(e.written() for e in sorted(elements, key=lambda e: e.tag))
        return struct.pack("<HHL", 0xFFFE, 0xE000, len(body)) + body

    frames = b""
    for one in slices:
        groups = [
            Element(tag, b"SQ", item([e for name in names if (e := one.get(name)) is not None]))
            for tag, names in GROUPS.items()
        ]
        turn = one.get("InstanceNumber")
        content = [Element(0x00209056, b"SH", b"1 ")]
        if turn is not None and turn.value.strip():
            number = max(int(float(turn.value.split(b"\\")[0])), 0) & 0xFFFFFFFF
            content.append(Element(0x00209057, b"UL", struct.pack("<L", number)))
        groups.append(Element(0x00209111, b"SQ", item(content)))
        frames += item(groups)
    whole = slices[0].copy()
    for names in GROUPS.values():
        for name in names:
            whole.elements.pop(int(tag_for_keyword(name) or 0), None)
    count = f"{len(slices)}".encode()
    whole.elements[0x00080016] = Element(0x00080016, b"UI", ENHANCED_CT)
    whole.elements[0x00280008] = Element(0x00280008, b"IS", count + b" " * (len(count) % 2))
    whole.elements[0x52009230] = Element(0x52009230, b"SQ", frames)
    pixels = b"".join(e.value for one in slices if (e := one.get(PIXELS)) is not None)
    whole.elements[0x7FE00010] = Element(0x7FE00010, b"OW", pixels)
    return whole.written()


# --- damages -------------------------------------------------------------------------------------------------------


def damaged(slices: list[Slice], rng: Random) -> tuple[list[Slice], str]:
    """The series with one thing wrong in some or all of its slices, and in words what was done."""
    found = [s.copy() for s in slices]
    kind = rng.choice(["numbers"] * 6 + ["shorts", "shorts", "words", "pixels"])
    names = {"numbers": TEXT_NUMBERS, "shorts": SHORTS, "words": WORDS, "pixels": [PIXELS]}[kind]
    name = rng.choice([n for n in names if found[0].get(n) is not None])
    scope, where = _scope(len(found), rng)
    ways = [_of_another_slice, _of_another_element, _removed]
    if kind == "numbers":
        ways += [_scaled, _scaled, _shifted, _shifted, _twice, _components]
    elif kind == "shorts":
        ways += [_short_off]
    elif kind == "pixels":
        ways = [_of_another_slice, _of_another_slice, _resized]
    way = rng.choice(ways)
    said = way(found, name, where, rng)
    return found, f"{name} {said} in {scope}"


def _scope(count: int, rng: Random) -> tuple[str, list[int]]:
    scope = rng.choice(["one", "one", "two", "tail", "alternate", "all", "all"])
    if scope == "one":
        return scope, [rng.randrange(count)]
    if scope == "two":
        return scope, rng.sample(range(count), 2)
    if scope == "tail":
        return scope, list(range(rng.randrange(1, count), count))
    return scope, list(range(0, count, 2 if scope == "alternate" else 1))


def _of_another_slice(found: list[Slice], name: str, where: list[int], rng: Random) -> str:
    """Exchanged between two slices, the neighbour's, or one slice's in all of them."""
    values = [(s.get(name) or Element(0, b"", b"")).value for s in found]
    if len(where) == 2:
        values[where[0]], values[where[1]] = values[where[1]], values[where[0]]
        said = "exchanged"
    elif rng.random() < 0.5:
        source = rng.randrange(len(found))
        for k in where:
            values[k] = values[source]
        said = "of one slice"
    else:
        by = rng.choice([1, 2, -1])
        old = list(values)
        for k in where:
            values[k] = old[(k + by) % len(found)]
        said = f"of the slice {by:+d}"
    _put(found, name, values)
    return said


def _of_another_element(found: list[Slice], name: str, where: list[int], rng: Random) -> str:
    pools = [TEXT_NUMBERS, SHORTS, WORDS]
    pool = next(pool for pool in pools if name in pool)
    other = rng.choice([n for n in pool if n != name and found[0].get(n) is not None])
    for k in where:
        target, source = found[k].get(name), found[k].get(other)
        if target is not None and source is not None:
            target.value = source.value
    return f"replaced by {other}"


def _removed(found: list[Slice], name: str, where: list[int], rng: Random) -> str:
    for k in where:
        element = found[k].get(name)
        if element is not None:
            del found[k].elements[element.tag]
    return "removed"


def _numbers(value: bytes) -> list[float]:
    return [float(v) for v in value.decode().split("\\")]


def _text(values: list[float], kind: bytes) -> bytes:
    parts = [str(round(v)) if kind == b"IS" else f"{v:.10g}" for v in values]
    text = "\\".join(parts).encode()
    return text + b" " * (len(text) % 2)


def _changed(found: list[Slice], name: str, where: list[int], change: object, part: int | None) -> None:
    for k in where:
        element = found[k].get(name)
        if element is None or not element.value.strip():
            continue
        values = _numbers(element.value)
        element.value = _text(
            [change(v) if part is None or i == part % len(values) else v for i, v in enumerate(values)],  # type: ignore[operator]
            element.kind,
        )


def _scaled(found: list[Slice], name: str, where: list[int], rng: Random) -> str:
    factor, part = rng.choice(FACTORS), rng.choice([None, None, 0, 1, 2, 5])
    _changed(found, name, where, lambda v: v * factor, part)
    return f"times {factor:g}" + ("" if part is None else f" (value {part + 1})")


def _shifted(found: list[Slice], name: str, where: list[int], rng: Random) -> str:
    by, part = rng.choice(SHIFTS), rng.choice([None, 0, 1, 2, 2, 5])
    _changed(found, name, where, lambda v: v + by, part)
    return f"{by:+g}" + ("" if part is None else f" (value {part + 1})")


def _twice(found: list[Slice], name: str, where: list[int], rng: Random) -> str:
    """Its value twice, or one of its values in the place of all."""
    whole = rng.random() < 0.4
    part = rng.randrange(3)
    for k in where:
        element = found[k].get(name)
        if element is None:
            continue
        values = _numbers(element.value)
        element.value = _text(values * 2 if whole else [values[part % len(values)]] * len(values), element.kind)
    return "twice" if whole else f"with value {part + 1} in all places"


def _components(found: list[Slice], name: str, where: list[int], rng: Random) -> str:
    """Its values in another order."""
    turn = rng.choice([1, 2, 3])
    for k in where:
        element = found[k].get(name)
        if element is not None:
            values = _numbers(element.value)
            turned = turn % len(values)
            element.value = _text(values[turned:] + values[:turned], element.kind)
    return f"turned by {turn}"


def _short_off(found: list[Slice], name: str, where: list[int], rng: Random) -> str:
    change = rng.choice([0.5, 2, -1, +1, 8])
    for k in where:
        element = found[k].get(name)
        if element is not None:
            (old,) = struct.unpack("<h", element.value)
            new = int(old * change) if change in (0.5, 2) else old + int(change)
            element.value = struct.pack("<H", new & 0xFFFF)
    return f"changed by {change:g}"


def _resized(found: list[Slice], name: str, where: list[int], rng: Random) -> str:
    """More or fewer bytes than before."""
    by = rng.choice([-48, -2, 2, 48, 1152])
    for k in where:
        element = found[k].get(name)
        assert element is not None
        element.value = element.value[:by] if by < 0 else element.value[:by] + element.value
    return f"{by:+d} bytes"


def _put(found: list[Slice], name: str, values: list[bytes]) -> None:
    for one, value in zip(found, values, strict=True):
        element = one.get(name)
        if element is not None:
            element.value = value
