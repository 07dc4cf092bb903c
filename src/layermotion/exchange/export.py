"""Owns writing the further files of a clip that were asked for."""

import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from layermotion.clip.signature import looks_like_dicom
from layermotion.errors import InputError
from layermotion.exchange.request import OF_DICOM, Export, ExportRequest

if TYPE_CHECKING:
    from layermotion.report.content import ReportContent


def check_exportable(sources: Sequence[Path], exports: Sequence[Export]) -> None:
    """Refuse, before any work, an export that the source cannot give."""
    wanted = [export for export in exports if export in OF_DICOM]
    for source in sources if wanted else ():
        head = b""
        if source.is_file():
            with source.open("rb") as file:
                head = file.read(132)
        if not looks_like_dicom(head):
            raise InputError(
                f"{source.name} is not a DICOM file, so {' and '.join(wanted)} cannot refer to "
                f"it; give the DICOM file, or leave {','.join(wanted)} out of --export."
            )
        from layermotion.exchange.reference import read_reference

        read_reference(source, keep_identifiers=False)


def write_exports(folder: Path, content: "ReportContent", request: ExportRequest) -> None:
    """Write the files that were asked for, each under its fixed name.

    Of a clip without measures, since a person left it out, there are no files of measures.
    """
    for export in request.exports:
        if export is not Export.SEG and not content.analysis.measures:
            continue
        if export is Export.FHIR:
            from layermotion.exchange.fhir import write_observations

            write_observations(folder, content, request.side)
        else:
            from layermotion.exchange.seg import write_segmentations
            from layermotion.exchange.sr import write_report

            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # they may quote values of the file
                if export is Export.SR:
                    write_report(folder, content, request)
                else:
                    write_segmentations(folder, content, request)
