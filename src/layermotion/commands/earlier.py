"""Owns whether signed results of an earlier visit still hold, as the record of this place says."""

from pathlib import Path

from layermotion.errors import InputError
from layermotion.record.entries import AMENDMENT
from layermotion.record.store import Record
from layermotion.session.against import Earlier

NOT_HELD = (
    "Whether the earlier visit was withdrawn or amended since it was signed was not checked: the "
    "record here does not hold it; name the record that does by --record."
)


def check_still_holds(folder: Path, earlier: Earlier, record: Path) -> tuple[str, ...]:
    """Give the cautions of a comparison with results that were signed; drafts have none.

    Parameters
    ----------
    folder
        Of the earlier results.

    Raises
    ------
    InputError
        If the visit was withdrawn, or amended after these results were written.
    """
    signed = earlier.signature
    if signed is None:
        return ()
    if not record.is_file():
        return (NOT_HELD,)
    with Record.open(record) as opened:
        visit = opened.signed_as(signed.mark)
        if visit is None:
            return (NOT_HELD,)
        events = opened.events(visit.visit_id)
    if visit.is_withdrawn:
        raise InputError(
            f"{folder} is of a visit that was withdrawn by {visit.withdrawn_by}, so nothing of it "
            f"counts; give --against another visit."
        )
    amendments = sum(event.kind == AMENDMENT for event in events)
    if amendments > signed.amendments:
        raise InputError(
            f"{folder} is of a visit that was amended since; give --against its newest results, "
            f"in the folder {visit.folder_of(amendments)}."
        )
    return ()
