"""Multi-frame CT (PS3.3 A.38, C.7.6.16): one :class:`Image` per frame, from shared and per-frame groups."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from pydicom.dataset import Dataset

from .image import Image
from .times import when_of
from .values import Values, integer, items, number, numbers, spacing_pair, text, texts, triple, unit_pair
from .words import kernel

ENHANCED = {"1.2.840.10008.5.1.4.1.1.2.1": "enhanced CT", "1.2.840.10008.5.1.4.1.1.2.2": "legacy converted CT"}
CT_CLASSES = {"1.2.840.10008.5.1.4.1.1.2": "CT", **ENHANCED}
Group = Callable[[str], Dataset]
"""Gives a functional group by the keyword of its sequence."""


def is_multiframe(ds: Values, sop_class: str) -> bool:
    """Whether the planes are described in functional groups."""
    return sop_class in ENHANCED or "PerFrameFunctionalGroupsSequence" in ds


def energy(ds: Values) -> tuple[float | None, str]:
    """Mono-energetic keV (0018,937C) of a virtual image and the units of its values, if the file says."""
    kev = None
    for item in items(ds, "MultienergyCTCharacteristicsSequence"):
        for deeper in (item, *items(item, "MultienergyCTXRayDetectorSequence")):
            kev = kev or number(deeper, "MonoenergeticEnergyEquivalent")
    units = ""
    for mapping in items(ds, "RealWorldValueMappingSequence"):
        for code in items(mapping, "MeasurementUnitsCodeSequence"):
            units = units or text(code, "CodeValue")
    return kev, units


def planes(ds: Dataset, common: Image) -> list[Image]:
    """The frames of a multi-frame image.

    A group stands either in the shared or in the per-frame sequence (never both, C.7.6.16.1); where a file breaks
    that, the frame's own is used.
    """
    shared = (items(ds, "SharedFunctionalGroupsSequence") or [Dataset()])[0]
    frames = items(ds, "PerFrameFunctionalGroupsSequence")
    count = common.coding.frames
    return [_plane(common, shared, frames[i] if i < len(frames) else None, i) for i in range(count)]


def _plane(common: Image, shared: Dataset, own: Dataset | None, index: int) -> Image:
    group = _groups(shared, own)
    measures, content = group("PixelMeasuresSequence"), group("FrameContentSequence")
    values = group("PixelValueTransformationSequence")
    slope, intercept = number(values, "RescaleSlope"), number(values, "RescaleIntercept")
    # What a legacy file kept is overridden by what has a place of its own.
    changes = _kept_from_conversion(group) | _making(group) | _energy_of(own, shared)
    moment = text(content, "FrameAcquisitionDateTime")
    return replace(
        common,
        making=replace(common.making, **changes) if changes else common.making,
        where=replace(common.where, frame=index),
        when=when_of(content, (moment,)) if moment and when_of(content, (moment,)).date else common.when,
        position=triple(group("PlanePositionSequence"), "ImagePositionPatient") or common.position,
        orientation=unit_pair(numbers(group("PlaneOrientationSequence"), "ImageOrientationPatient"))
        or common.orientation,
        spacing=spacing_pair(numbers(measures, "PixelSpacing")) or common.spacing,
        slope=common.slope if slope is None else slope,
        intercept=common.intercept if intercept is None else intercept,
        rescale_given=common.rescale_given or (slope is not None and intercept is not None),
        rescale_type=text(values, "RescaleType").upper() or common.rescale_type,
        exposure_mas=number(group("CTExposureSequence"), "ExposureInmAs"),
        stack=text(content, "StackID"),
        temporal=integer(content, "TemporalPositionIndex"),
        multiframe=True,
        location=None,
        turn=integer(content, "InStackPositionNumber"),
    )


def _groups(shared: Dataset, own: Dataset | None) -> Group:
    """Finds a functional group by its name: the frame's own, else the shared one, else an empty one."""

    def group(name: str) -> Dataset:
        found = (items(own, name) if own is not None else []) or items(shared, name)
        return found[0] if found else Dataset()

    return group


def _kept_from_conversion(group: Group) -> dict[str, Any]:
    """How an image was made, from the two groups in which a legacy converted one keeps what has no place of its own
    (A.70, C.7.6.16.2.26)."""
    changes: dict[str, Any] = {}
    for name in ("UnassignedPerFrameConvertedAttributesSequence", "UnassignedSharedConvertedAttributesSequence"):
        old = group(name)
        if changes.get("kvp") is None and (kvp := number(old, "KVP")) is not None:
            changes["kvp"] = kvp
        if "kernel" not in changes and (kernels := texts(old, "ConvolutionKernel")):
            changes |= _kernel(kernels)
        if (diameter := number(old, "ReconstructionDiameter")) is not None:
            changes["reconstruction_diameter_mm"] = diameter
    return changes


def _making(group: Group) -> dict[str, Any]:
    """How a frame was made, from the groups that say it."""
    measures, reconstruction = group("PixelMeasuresSequence"), group("CTReconstructionSequence")
    changes: dict[str, Any] = {}
    if types := texts(group("CTImageFrameTypeSequence"), "FrameType"):
        changes["image_type"] = types
    if (kvp := number(group("CTXRayDetailsSequence"), "KVP")) is not None:
        changes["kvp"] = kvp
    if (thickness := number(measures, "SliceThickness")) is not None:
        changes["slice_thickness_mm"] = thickness
    if (stated := number(measures, "SpacingBetweenSlices")) is not None:
        changes["stated_spacing_mm"] = stated
    if kernels := texts(reconstruction, "ConvolutionKernel"):
        changes |= _kernel(kernels)
    if (diameter := number(reconstruction, "ReconstructionDiameter")) is not None:
        changes["reconstruction_diameter_mm"] = diameter
    elif field := numbers(reconstruction, "ReconstructionFieldOfView"):
        changes["reconstruction_diameter_mm"] = field[0]
    return changes


def _energy_of(own: Dataset | None, shared: Dataset) -> dict[str, Any]:
    """Energy and units of a virtual image, the frame's own before the shared ones."""
    changes: dict[str, Any] = {}
    kev, units = energy(own) if own is not None else (None, "")
    shared_kev, shared_units = energy(shared)
    if kev or shared_kev:
        changes["virtual_kev"] = kev or shared_kev
    if units or shared_units:
        changes["units_key"] = units or shared_units
    return changes


def _kernel(values: tuple[str, ...]) -> dict[str, Any]:
    name, kind = kernel(values)
    return {"kernel": name, "kernel_key": "\\".join(values), "kernel_class": kind}
