"""Owns the codes of exports: standard ones where their entry is known, else our own scheme.

Our own scheme is ``99LAYERMOTION``: a measure's code is its name in ``measures.csv``, and
``eo``, ``io`` and ``tra`` are the muscles, for which no entry was found in the tables of DICOM.
"""

from dataclasses import dataclass

from layermotion.labels import FULL_NAMES, Structure
from layermotion.report.words import measure_words, sign_words

SCHEME, SCHEME_NAME = "99LAYERMOTION", "layermotion: names of measures.csv"
# SNOMED CT, LOINC, UCUM and DICOM as they are named in DICOM, and their addresses in FHIR.
SYSTEMS = {
    "SCT": "http://snomed.info/sct",
    "LN": "http://loinc.org",
    "UCUM": "http://unitsofmeasure.org",
    "DCM": "http://dicom.nema.org/resources/ontology/DCM",
    SCHEME: f"urn:layermotion:{SCHEME.lower()}",
}


@dataclass(frozen=True)
class Coded:
    """One concept: value, scheme as DICOM names it, and meaning."""

    value: str
    scheme: str
    meaning: str


# SNOMED CT entries as the tables of DICOM PS3.16 list them.
SITES = {
    Structure.FAT: Coded("71966008", "SCT", "Subcutaneous tissue"),
    Structure.BLADDER: Coded("89837001", "SCT", "Bladder"),
}
SIDES = {
    "left": Coded("7771000", "SCT", "Left"),
    "right": Coded("24028007", "SCT", "Right"),
}
TISSUE = Coded("85756007", "SCT", "Tissue")
ANATOMY = Coded("123037004", "SCT", "Body structure")
PROCEDURE = Coded("16310003", "SCT", "Diagnostic ultrasonography")
# DICOM PS3.16 CID 7182.
DISPLACEMENT = Coded("110856", "DCM", "Linear Displacement")
UNITS = {
    "mm": Coded("mm", "UCUM", "mm"),
    "%": Coded("%", "UCUM", "%"),
    "ratio": Coded("{ratio}", "UCUM", "ratio"),
    "s": Coded("s", "UCUM", "s"),
    "mm/s": Coded("mm/s", "UCUM", "mm/s"),
    "1/s": Coded("/s", "UCUM", "per second"),
    "count": Coded("{count}", "UCUM", "count"),
}
# A part of the template TID 1500 for what is no number (PS3.16; the code from memory).
EVALUATIONS = Coded("C0034375", "UMLS", "Qualitative Evaluations")
BY_HAND = Coded("needs_manual", SCHEME, "To be measured by hand")


def site_code(structure: str) -> Coded:
    """Code of what was measured; our own for the muscles and the image itself."""
    if structure in SITES:
        return SITES[Structure(structure)]
    known = structure in FULL_NAMES
    return Coded(structure, SCHEME, FULL_NAMES[Structure(structure)] if known else structure)


def measure_code(name: str) -> Coded:
    """Code of a measure.

    Examples
    --------
    >>> measure_code("contraction_ratio")
    Coded(value='contraction_ratio', scheme='99LAYERMOTION', meaning='contraction ratio')
    """
    if name == "base_displacement":
        return DISPLACEMENT
    return Coded(name, SCHEME, measure_words(name))


def sign_code(name: str, *, is_lateral_known: bool) -> Coded | None:
    """Code of what a positive value of a measure means; None where its sign is no direction.

    Examples
    --------
    >>> sign_code("base_displacement", is_lateral_known=True)
    Coded(value='positive_lift', scheme='99LAYERMOTION', meaning='+ is lift')
    """
    words = sign_words(name, is_lateral_known=is_lateral_known)
    way = words.rpartition(" ")[2]
    return Coded(f"positive_{way}", SCHEME, words[words.index("+") :]) if words else None


def unit_code(unit: str) -> Coded:
    """UCUM code of a unit; any other becomes an annotation, which UCUM allows for counts."""
    return UNITS.get(unit, Coded(f"{{{unit}}}", "UCUM", unit))
