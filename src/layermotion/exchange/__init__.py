"""One clip in open standards: DICOM SR and SEG, FHIR."""

__all__ = (
    "export",
    "request",
)
