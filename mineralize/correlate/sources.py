"""Every citation that a statement may carry, in one table.

Citations were taken from public abstracts, pages or openings of papers; where a part of one is given from memory
it says so in square brackets. Nothing beyond what a statement quotes was checked.
"""

from __future__ import annotations

_TABLE: dict[str, str] = {
    "Ackerman58": "Ackerman LV. J Bone Joint Surg Am 1958;40:279",
    "Aubrey14": "Aubrey J et al. Acta Physiol 2014;210:489 [DOI from memory: 10.1111/apha.12224]",
    "BennettElKhoury13": "Bennett DL, El-Khoury GY. Case 87: myositis ossificans. Cambridge University Press 2013",
    "CambMurray": "Murray, Holmes, Misra. Cambridge University Press 2009, CBO9780511545429A040",
    "Crombe23": "Crombé et al. CT and MRI of extraskeletal osteosarcoma, 54 patients [author and year from memory: "
    "2023]",
    "ESOS18": "Extraskeletal osteosarcoma. Skeletal Radiol 2018;47:1213, 10.1007/s00256-018-2908-6",
    "FrontOnc22": "Front Oncol 2022, 10.3389/fonc.2022.1065071",
    "Genet11": "Genet F et al. PLoS One 2011, pone.0016632",
    "Goodpaster00": "Goodpaster BH et al. J Appl Physiol 2000;89:104, 10.1152/jappl.2000.89.1.104",
    "Hang14": "Hang JF et al. Arch Pathol Lab Med 2014;138:694, 10.5858/arpa.2013-0030-RS",
    "Hudson85": "CT of parosteal osteosarcoma, 12 patients [author and year from memory: Hudson 1985]",
    "IJP20": "Myositis ossificans mimicking sarcoma: a not so rare bioptic diagnostic pitfall. Ital J Pediatr 2020, "
    "10.1186/s13052-020-00874-9",
    "JAOCR-case": "Calcified thigh mass, one case. J Am Osteopath Coll Radiol",
    "JCMA": "J Chin Med Assoc, 10.1097/JCMA.0000000000000211",
    "Jelinek96": "Jelinek JS et al. Radiology 1996;201:837",
    "KSMR356": "Hong SH. Korean Society of Musculoskeletal Radiology, weekly case 356",
    "Kransdorf91": "Kransdorf MJ et al. AJR 1991;157:1243, 10.2214/ajr.157.6.1950874",
    "Lacout12": "Lacout A et al. Indian J Radiol Imaging 2012;22:35",
    "Liberman00": "Liberman et al. Cancer [year from memory: 2000]",
    "MOC07": "Myositis ossificans circumscripta. J Radiol 2007;88:663, 10.1016/s0221-0363(07)89873-8",
    "Muhlenbruch05": "Mühlenbruch G et al. 2005, PMID 16230901",
    "Nakazato09": "Nakazato R et al. J Cardiovasc Comput Tomogr 2009;3(6)",
    "PeterMac": "Peter MacCallum Cancer Centre, sarcoma referral pathway page",
    "RadReview": "radiologyreview, teaching page on parosteal osteosarcoma",
    "Sarcoma22": "Sarcoma 2022:7700365",
    "Sato25": "Sato et al. Cureus 2025, 10.7759/cureus.93983 (8 hips, 6 patients, non-traumatic, neurological)",
    "Shirkhoda95": "Shirkhoda A et al. J Magn Reson Imaging 1995",
    "Svajdler19": "Švajdler M et al. Hum Pathol 2019;88:39, 10.1016/j.humpath.2019.02.009",
    "Treece10": "Treece GM et al. Med Image Anal 2010;14:276, 10.1016/j.media.2010.01.003",
    "Tyler10": "Tyler P, Saifuddin A. Semin Musculoskelet Radiol 2010;14:201, 10.1055/s-0030-1253161 [week limits "
    "from memory]",
    "UKSTS24": "UK guidelines for soft tissue sarcomas, table 2, 10.1038/s41416-024-02674-y",
    "WangH18": "Wang H et al. BioMed Res Int 2018:4186324, 10.1155/2018/4186324",
    "WangX24": "Extraskeletal osteosarcoma, 11 with CT. BMC Cancer 2024",
    "Yamashita17": "MDM2 in extraskeletal osteosarcoma, 18 cases, PMID 28235629 [author from memory: Yamashita 2017]",
    "Youk11": "Youk JH et al. Korean J Radiol 2011;12:232, 10.3348/kjr.2011.12.2.232 [category names from memory]",
    "Zeanah82": "Zeanah et al. 1982, PMID 6286203 [authors from memory]",
    "Zubler20": "Zubler V et al. Skeletal Radiol 2020 [journal and year from memory]",
    "teaching": "Teaching consensus, from memory; no published cut-off was found",
    "practice": "Common practice, no source",
    "memory": "From memory, no source at hand",
    "definition": "Definition of this program, no source",
}


def cite(*keys: str) -> tuple[str, ...]:
    """Full citations of source keys, in the order given, each once. KeyError for an unknown key."""
    return tuple(_TABLE[key] for key in dict.fromkeys(keys))


def all_sources() -> dict[str, str]:
    """Every citation by its key (a copy)."""
    return dict(_TABLE)


FIGURES: dict[str, tuple[str, ...]] = {
    "relation.cleft": ("definition",),
    "relation.limits": ("Jelinek96",),
    "zoning.none.limits": ("WangH18", "Crombe23"),
    "zoning.difference": ("definition",),
    "zoning.limits": ("Hudson85",),
    "zoning-course.limits": ("definition",),
    "rim.none": ("definition",),
    "rim.limits": ("definition", "Treece10"),
    "centre.fat": ("definition",),
    "centre.fluid": ("definition",),
    "centre.soft": ("definition",),
    "centre.between": ("definition",),
    "centre.haze": ("definition",),
    "centre.mineral": ("definition",),
    "muscle.limits": ("Crombe23", "Zubler20"),
    "fitted.limits": ("definition",),
    "late.partly": ("teaching",),
    "late.none": ("teaching",),
    "beyond.limits": ("Jelinek96",),
    "maturity.literature.none": ("Sato25", "CambMurray"),
    "maturity.literature.incomplete": ("JAOCR-case", "BennettElKhoury13"),
    "maturity.literature.shell": ("KSMR356", "BennettElKhoury13"),
    "maturity.literature.fatty": ("Sato25", "CambMurray"),
    "compare.kvp": ("definition",),
    "compare.voltages": ("definition",),
    "compare.slice": ("Muhlenbruch05",),
    "biopsy.ball": ("definition",),
    "biopsy.carried": ("definition",),
    "biopsy.carried.outside": ("definition",),
    "biopsy.like.core": ("Svajdler19",),
    "biopsy.departs.mineral": ("Crombe23",),
    "biopsy.departs.attached": ("Jelinek96", "Hudson85"),
    "biopsy.open": ("Svajdler19", "Crombe23"),
}
"""Sentences that hold a figure, by their key, and where it comes from; ``definition`` and ``teaching`` say so."""
