"""Codes of everything that is written as DICOM; those of quantities come from the table of quantities.

Public codes are from PS3.16 (DCM, SCT and IBSI terms with the meanings listed there) and UCUM; private ones, scheme
``99MINERALIZE``, stand only where PS3.16 holds none for the meaning. Fractions that PS3.16 gives in percent are
written in percent: ``factor`` turns a value of the measurements into the coded one.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..base import QUANTITIES, Region, Report, Term, private, terms

PRIVATE_SCHEME_NAME = "mineralize codes for mineralising soft-tissue lesions"


@dataclass(frozen=True, kw_only=True)
class Coded(Report):
    """How one quantity is written: what the table of quantities says of it, its unit, and the factor to that unit."""

    quantity: str
    unit: Term
    factor: float = 1.0

    @property
    def told(self) -> Term:
        """A name that tells the quantity by itself, also where several share one concept and differ by place."""
        if self.site is None and self.derivation is None:
            return self.name
        return private(self.quantity.upper().replace("_", "")[:16], self.quantity.replace("_", " "))


MM = Term("mm", "UCUM", "mm")
MM2 = Term("mm2", "UCUM", "square millimeter")
MM3 = Term("mm3", "UCUM", "cubic millimeter")
MG = Term("mg", "UCUM", "milligram")
HU = Term("[hnsf'U]", "UCUM", "Hounsfield unit")
PERCENT = Term("%", "UCUM", "Percent")
RATIO = Term("{ratio}", "UCUM", "ratio")
DAY = Term("d", "UCUM", "day")

MUSCLE, SUBCUTANEOUS, BONE, HYDROXYAPATITE = terms.MUSCLE, terms.SUBCUTANEOUS, terms.BONE, terms.HYDROXYAPATITE
EXTREMITY = Term("66019005", "SCT", "Extremity")

TISSUE = Term("85756007", "SCT", "Tissue")
ABNORMAL = Term("49755003", "SCT", "Morphologically Abnormal Structure")
MASS = Term("4147007", "SCT", "Mass")
CALCIFICATION = Term("18115005", "SCT", "pathologic calcification")
PERIPHERAL = Term("14414005", "SCT", "Peripheral")
CENTRAL = Term("26216008", "SCT", "Central")

CT_PROCEDURE = Term("25045-6", "LN", "CT unspecified body region")
BASELINE = Term("121079", "DCM", "Baseline")
ONSET = private("ONSET", "Onset: injury or first symptom")
UPPER_UNCERTAINTY = Term("371886008", "SCT", "+, range of upper measurement uncertainty")
LOWER_UNCERTAINTY = Term("371885007", "SCT", "-, range of lower measurement uncertainty")
WITHHELD = Term("114006", "DCM", "Measurement failure")
"""Value of a quantity that was measured and not trusted (CID 42): its number is left out."""
CAUTION = private("CAUTION", "Use with caution")
TRUST = private("TRUST", "How far to trust the statement")
TRUSTED = private("TRUSTED", "Trusted")
COMMENT = Term("121106", "DCM", "Comment")
FINDING = Term("121071", "DCM", "Finding")
THRESHOLD = Term("112032", "DCM", "Threshold Attenuation Coefficient")
DIFFERENCE = private("DIFFERENCE", "Difference from the earlier time point")
PERCENT_CHANGE = private("PERCENTCHANGE", "Difference in percent of the earlier value")
RATE = private("PER30DAYS", "Difference per 30 days")
REAL = private("REAL", "Whether the difference is more than measurement error")
YES = Term("373066001", "SCT", "Yes")
NO = Term("373067005", "SCT", "No")
UNDETERMINED = Term("373068000", "SCT", "Undetermined")
EDGE_DETECTION = Term("123103", "DCM", "Edge Detection")
ACQUISITION_EQUIPMENT = Term("109101", "DCM", "Acquisition Equipment")
PROCESSING_EQUIPMENT = Term("109102", "DCM", "Processing Equipment")

BASIC_PROFILE = Term("113100", "DCM", "Basic Application Confidentiality Profile")
FULL_DATES = Term("113106", "DCM", "Retain Longitudinal Temporal Information Full Dates Option")
MODIFIED_DATES = Term("113107", "DCM", "Retain Longitudinal Temporal Information Modified Dates Option")

UNITS = {"mm": MM, "mm2": MM2, "mm3": MM3, "mg": MG, "HU": HU, "1": RATIO}
"""Units of the table of quantities as coded terms; shares are written in percent."""

CODED: tuple[Coded, ...] = tuple(
    Coded(
        **vars(row.report),
        quantity=row.name,
        unit=PERCENT if row.share else UNITS[row.unit],
        factor=100.0 if row.share else 1.0,
    )
    for row in QUANTITIES.values()
    if row.report is not None
)
"""Every quantity that is written; other thresholds (``mineral_volume_100`` ...) stay in the tables."""


@dataclass(frozen=True)
class Segment:
    """One segment: its number, label, type, and the modifier that tells rim from core.

    ``lab`` is the colour to show it in: CIE L*, a*, b* (PS3.3 C.10.7.1.1), apart in lightness too.
    """

    number: int
    label: str
    kind: Term
    lab: tuple[float, float, float]
    modifier: Term | None = None


SEGMENTS: tuple[Segment, ...] = (
    Segment(1, "lesion", MASS, (45.0, 35.0, -60.0)),
    Segment(2, "rim", MASS, (60.0, 55.0, 5.0), PERIPHERAL),
    Segment(3, "core", MASS, (75.0, -20.0, -20.0), CENTRAL),
    Segment(4, "mineral", CALCIFICATION, (92.0, -5.0, 55.0)),
)

FOUND: dict[Region, tuple[Term, Term]] = {
    **dict.fromkeys(("lesion", "rim", "core"), (ABNORMAL, MASS)),
    "mineral": (ABNORMAL, CALCIFICATION),
    "surroundings": (TISSUE, MUSCLE),
    "muscle": (TISSUE, MUSCLE),
    "fat": (TISSUE, SUBCUTANEOUS),
    "cortex": (TISSUE, BONE),
}
"""Category (CID 7150) and kind of what each group of measurements is about."""


def coded(quantity: str) -> Coded | None:
    """The row of a quantity, ``None`` where it is not written as DICOM."""
    return next((row for row in CODED if row.quantity == quantity), None)


def private_terms() -> tuple[Term, ...]:
    """Every private code in use."""
    terms = [t for row in CODED for t in (row.name, row.told, row.unit, row.derivation, row.site, row.method) if t]
    terms += [term for term in globals().values() if isinstance(term, Term)]
    return tuple(dict.fromkeys(term for term in terms if term.private))
