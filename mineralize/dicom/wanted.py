"""The elements of a file that are read, by keyword; nothing else of a header is looked at or kept."""

from __future__ import annotations

WANTED = [
    "SpecificCharacterSet", "ImageType", "SOPClassUID", "SOPInstanceUID", "StudyDate", "SeriesDate", "AcquisitionDate",
    "AcquisitionDateTime", "StudyTime", "SeriesTime", "AcquisitionTime", "TimezoneOffsetFromUTC", "Modality",
    "Manufacturer", "ManufacturerModelName", "DeviceSerialNumber", "PatientName", "PatientID", "PatientBirthDate",
    "PatientSex", "ContrastBolusAgent", "ContrastBolusAgentSequence", "ContrastBolusVolume", "SliceThickness", "KVP",
    "SpacingBetweenSlices", "ReconstructionDiameter", "GantryDetectorTilt",
    "Exposure", "ExposureInuAs", "ConvolutionKernel", "FilterType", "ReconstructionAlgorithm", "PatientPosition",
    "MultienergyCTAcquisition", "MultienergyCTCharacteristicsSequence", "StudyInstanceUID", "SeriesInstanceUID",
    "SeriesNumber", "AcquisitionNumber", "InstanceNumber", "ImagePositionPatient", "ImageOrientationPatient",
    "SliceLocation",
    "FrameOfReferenceUID", "SamplesPerPixel", "PhotometricInterpretation", "NumberOfFrames", "Rows", "Columns",
    "PixelSpacing", "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "PixelPaddingValue",
    "PixelPaddingRangeLimit", "RescaleIntercept", "RescaleSlope", "RescaleType", "LossyImageCompression",
    "BurnedInAnnotation", "SharedFunctionalGroupsSequence", "PerFrameFunctionalGroupsSequence",
    "DimensionIndexSequence", "ConcatenationUID", "InConcatenationNumber", "InConcatenationTotalNumber",
    "SOPInstanceUIDOfConcatenationSource", "RealWorldValueMappingSequence",
    "ContentQualification", "TemporalPositionIdentifier",
]  # fmt: skip
OWN = {
    "SOPInstanceUID", "SeriesDate", "AcquisitionDate", "AcquisitionDateTime", "SeriesTime", "AcquisitionTime",
    "XRayTubeCurrent", "ExposureTime", "Exposure", "ExposureInuAs", "StudyInstanceUID", "SeriesInstanceUID",
    "SeriesNumber", "AcquisitionNumber", "InstanceNumber", "ImagePositionPatient", "SliceLocation",
    "ConcatenationUID", "InConcatenationNumber",
    "InConcatenationTotalNumber", "TemporalPositionIdentifier",
}  # fmt: skip
"""Elements in which the slices of one series differ from each other."""
