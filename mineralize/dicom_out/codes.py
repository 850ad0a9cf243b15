"""Codes of everything that is written as DICOM, in one table.

Public codes are from PS3.16 (DCM, SCT and IBSI terms with the meanings listed there) and UCUM; private ones, scheme
``99MINERALIZE``, stand only where PS3.16 holds none for the meaning. Fractions that PS3.16 gives in percent are
written in percent: ``factor`` turns a value of the measurements into the coded one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

PRIVATE_SCHEME = "99MINERALIZE"
PRIVATE_SCHEME_NAME = "mineralize codes for mineralising soft-tissue lesions"

Group = Literal["lesion", "rim", "core", "mineral", "surroundings", "muscle", "fat", "cortex"]
"""Regions; the last three are the patient's own steady tissues, away from the lesion."""


@dataclass(frozen=True)
class Term:
    """A coded concept: value, scheme, meaning (at most 16, 16 and 64 characters, PS3.3 8.8)."""

    value: str
    scheme: str
    meaning: str

    @property
    def private(self) -> bool:
        return self.scheme == PRIVATE_SCHEME


def _own(value: str, meaning: str) -> Term:
    return Term(value, PRIVATE_SCHEME, meaning)


@dataclass(frozen=True)
class Coded:
    """How one quantity is written: where, under which name, with which derivation, unit and site.

    ``method`` names how it is measured where the name alone could be taken for another measure; ``over_threshold``
    says that it rests on the threshold of mineral, which is then written beside it.
    """

    quantity: str
    group: Group
    name: Term
    unit: Term
    derivation: Term | None = None
    site: Term | None = None
    factor: float = 1.0
    method: Term | None = None
    over_threshold: bool = False

    @property
    def told(self) -> Term:
        """A name that tells the quantity by itself, also where several share one concept and differ by place."""
        if self.site is None and self.derivation is None:
            return self.name
        return _own(self.quantity.upper().replace("_", "")[:16], self.quantity.replace("_", " "))


MM = Term("mm", "UCUM", "mm")
MM2 = Term("mm2", "UCUM", "square millimeter")
MM3 = Term("mm3", "UCUM", "cubic millimeter")
MG = Term("mg", "UCUM", "milligram")
HU = Term("[hnsf'U]", "UCUM", "Hounsfield unit")
PERCENT = Term("%", "UCUM", "Percent")
RATIO = Term("{ratio}", "UCUM", "ratio")
DAY = Term("d", "UCUM", "day")

MEAN = Term("373098007", "SCT", "Mean")
ATTENUATION = Term("112031", "DCM", "Attenuation Coefficient")
MUSCLE = Term("127954009", "SCT", "Skeletal muscle")
SUBCUTANEOUS = Term("71966008", "SCT", "Subcutaneous tissue")
BONE = Term("3138006", "SCT", "Bone")
EXTREMITY = Term("66019005", "SCT", "Extremity")

TISSUE = Term("85756007", "SCT", "Tissue")
ABNORMAL = Term("49755003", "SCT", "Morphologically Abnormal Structure")
MASS = Term("4147007", "SCT", "Mass")
CALCIFICATION = Term("18115005", "SCT", "pathologic calcification")
PERIPHERAL = Term("14414005", "SCT", "Peripheral")
CENTRAL = Term("26216008", "SCT", "Central")

CT_PROCEDURE = Term("25045-6", "LN", "CT unspecified body region")
BASELINE = Term("121079", "DCM", "Baseline")
ONSET = _own("ONSET", "Onset: injury or first symptom")
UPPER_UNCERTAINTY = Term("371886008", "SCT", "+, range of upper measurement uncertainty")
LOWER_UNCERTAINTY = Term("371885007", "SCT", "-, range of lower measurement uncertainty")
WITHHELD = Term("114006", "DCM", "Measurement failure")
"""Value of a quantity that was measured and not trusted (CID 42): its number is left out."""
CAUTION = _own("CAUTION", "Use with caution")
TRUST = _own("TRUST", "How far to trust the statement")
TRUSTED = _own("TRUSTED", "Trusted")
COMMENT = Term("121106", "DCM", "Comment")
FINDING = Term("121071", "DCM", "Finding")
THRESHOLD = Term("112032", "DCM", "Threshold Attenuation Coefficient")
HYDROXYAPATITE = _own("HAEQUIVALENT", "Excess over background as hydroxyapatite displacing water")
AT_120_KVP = _own("HU120", "Attenuation converted to 120 kVp by the slope of the scan")
DIFFERENCE = _own("DIFFERENCE", "Difference from the earlier time point")
PERCENT_CHANGE = _own("PERCENTCHANGE", "Difference in percent of the earlier value")
RATE = _own("PER30DAYS", "Difference per 30 days")
REAL = _own("REAL", "Whether the difference is more than measurement error")
YES = Term("373066001", "SCT", "Yes")
NO = Term("373067005", "SCT", "No")
UNDETERMINED = Term("373068000", "SCT", "Undetermined")
EDGE_DETECTION = Term("123103", "DCM", "Edge Detection")
ACQUISITION_EQUIPMENT = Term("109101", "DCM", "Acquisition Equipment")
PROCESSING_EQUIPMENT = Term("109102", "DCM", "Processing Equipment")

BASIC_PROFILE = Term("113100", "DCM", "Basic Application Confidentiality Profile")
FULL_DATES = Term("113106", "DCM", "Retain Longitudinal Temporal Information Full Dates Option")
MODIFIED_DATES = Term("113107", "DCM", "Retain Longitudinal Temporal Information Modified Dates Option")

CODED: tuple[Coded, ...] = (
    Coded("lesion_volume", "lesion", Term("118565006", "SCT", "Volume"), MM3),
    Coded("longest_diameter", "lesion", Term("L0JK", "IBSI", "Maximum 3D Diameter of a Mesh"), MM),
    Coded("axial_diameter", "lesion", Term("103339001", "SCT", "Long axis"), MM),
    Coded("axial_perpendicular", "lesion", Term("103340004", "SCT", "Short axis"), MM),
    Coded("zonal_contrast", "lesion", _own("ZONALCONTRAST", "Zonal contrast of mineral, rim against core"), RATIO,
          method=HYDROXYAPATITE),
    Coded("rim_core_ratio", "lesion", _own("RIMCORERATIO", "Ratio of attenuation coefficients, rim to core"), RATIO),
    Coded("rim_core_difference", "lesion", _own("RIMCOREDIFF", "Rim minus core at 120 kVp equivalent"), HU),
    Coded("cortex_gap", "lesion", _own("CORTEXGAP", "Least distance to cortex"), MM),
    Coded("cortex_contact_area", "lesion", _own("CORTEXCONTACT", "Area of contact with cortex"), MM2),
    Coded("cleft_fraction", "lesion", _own("CLEFTFRACTION", "Lucent cleft, share of surface facing cortex"), PERCENT,
          factor=100.0),
    Coded("rim_attenuation", "rim", ATTENUATION, HU, MEAN),
    Coded("rim_peak_attenuation", "rim", _own("RIMPEAK", "Mean of peak attenuation along the inward normal"), HU),
    Coded("rim_completeness", "rim", Term("112018", "DCM", "Calcification extent as percent of surface"), PERCENT,
          factor=100.0, method=AT_120_KVP, over_threshold=True),
    Coded("rim_unresolved", "rim", _own("RIMUNRESOLVED", "Surface where a thin rim cannot be resolved"), PERCENT,
          factor=100.0, method=AT_120_KVP, over_threshold=True),
    Coded("largest_gap", "rim", _own("LARGESTGAP", "Largest gap in the rim, share of the surface"), PERCENT,
          factor=100.0, method=AT_120_KVP, over_threshold=True),
    Coded("rim_thickness", "rim", _own("RIMTHICKNESS", "Median thickness of the rim"), MM),
    Coded("core_attenuation", "core", ATTENUATION, HU, MEAN),
    Coded("core_fat_fraction", "core", _own("COREFAT", "Share of core of fat attenuation"), PERCENT, factor=100.0),
    Coded("core_fluid_fraction", "core", _own("COREFLUID", "Share of core of fluid attenuation"), PERCENT,
          factor=100.0),
    Coded("core_soft_fraction", "core", _own("CORESOFT", "Share of core of soft-tissue attenuation"), PERCENT,
          factor=100.0),
    Coded("core_haze_fraction", "core", _own("COREHAZE", "Share of core of 80 to 150 HU"), PERCENT, factor=100.0),
    Coded("core_mineral_fraction", "core", _own("COREMINERAL", "Share of core that is mineral"), PERCENT, factor=100.0,
          method=AT_120_KVP, over_threshold=True),
    Coded("mineral_mass", "mineral", _own("HAMASS", "Hydroxyapatite equivalent mass"), MG, method=HYDROXYAPATITE,
          over_threshold=True),
    Coded("mineral_volume", "mineral", Term("122660", "DCM", "Calcium Volume"), MM3, method=AT_120_KVP,
          over_threshold=True),
    Coded("mineral_fraction", "mineral", Term("112019", "DCM", "Calcification extent as percent of volume"), PERCENT,
          factor=100.0, method=AT_120_KVP, over_threshold=True),
    Coded("perilesional_muscle", "surroundings", ATTENUATION, HU, MEAN, MUSCLE),
    Coded("perilesional_deficit", "surroundings", _own("MUSCLEDEFICIT", "Reference muscle minus muscle around"), HU),
    Coded("oedema_extent", "surroundings", _own("DEFICITEXTENT", "Extent of lower muscle attenuation around"), MM),
    Coded("reference_muscle", "muscle", ATTENUATION, HU, MEAN, MUSCLE),
    Coded("fat_reference", "fat", ATTENUATION, HU, MEAN, SUBCUTANEOUS),
    Coded("cortex_reference", "cortex", ATTENUATION, HU, MEAN, BONE),
)  # fmt: skip
"""One row per quantity. Threshold variants (``mineral_volume_100`` ...) stay in the tables and are not written."""


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

FOUND: dict[Group, tuple[Term, Term]] = {
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
