"""Owns the review command: serves the page of a visit, writes the final results of a signed one."""

import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from layermotion.caution import Amendment, Signature
from layermotion.clip.acquired import acquired_at
from layermotion.clip.source import SourceOptions
from layermotion.commands.identity import VisitIdentity, check_identity
from layermotion.commands.live import Served
from layermotion.commands.results import Output, check_folder, write_results
from layermotion.commands.session import check_split, write_visit
from layermotion.edges.site import parse_site
from layermotion.errors import InputError
from layermotion.exchange.export import check_exportable
from layermotion.exchange.request import FILES, Export, ExportRequest
from layermotion.labels import Task
from layermotion.models.registry import load_in_use
from layermotion.network.segmenter import Segmenter
from layermotion.record.entries import AMENDMENT, SIGNED, Event, SignedValue
from layermotion.record.store import MARK_DIGITS, Record
from layermotion.review.amending import amended_words
from layermotion.review.confirming import is_same
from layermotion.review.handing import Laboratory
from layermotion.review.place import Place, signed_values
from layermotion.review.server import routes_of
from layermotion.review.sources import Listed, find_sources, with_scale
from layermotion.review.visit import Review
from layermotion.serving.run import serve
from layermotion.session.detectable import read_detectable_changes
from layermotion.session.plan import Item, Settings, Side
from layermotion.session.recorded import read_recorded
from layermotion.session.visit import assemble

# Written last of all files of a clip.
RESULTS = "measures.json"


@dataclass(frozen=True)
class Final:
    """Where the final results go, and what they hold beside the pages and tables."""

    out: Path
    exports: tuple[Export, ...]
    segmenter: Segmenter
    identity: VisitIdentity | None = None

    def write(self, review: Review) -> Path:
        """Write the results of a signed visit: each clip, and the page of all that have a task.

        What is there already, and whole, stays as it is.

        Returns
        -------
        Path
            The page of the visit, or the report of the first clip where no task was stated.

        Raises
        ------
        LayermotionError
            If a file cannot be written, or the values are not those that were signed.
        """
        visit = review.visit
        if visit is None or not visit.is_signed:
            raise InputError("The visit is not signed, so nothing of it is final; sign it first.")
        events = review.record.events(visit.visit_id)
        signed = next(event for event in events if event.kind == SIGNED)
        amendments = tuple(_amendment(event, review) for event in events if event.kind == AMENDMENT)
        signature = Signature(
            visit.signed_by, visit.signed_at[:10], signed.hash[:MARK_DIGITS], amendments
        )
        # What was written before an amendment stays as it is.
        folder = self.out / visit.folder_of(len(amendments))
        reports = [folder / _name(p) / "report.html" for p in review.places if p.desk is not None]
        has_task = any(place.listed.task is not None for place in review.places)
        page = folder / "visit.html" if has_task or not reports else reports[0]
        wanted = (RESULTS, *(FILES[export] for export in self.exports))
        if page.exists() and all(any(r.parent.glob(name)) for r in reports for name in wanted):
            return page
        if not _are_signed(review.record.values(visit.visit_id), signed_values(review.places)):
            raise InputError(
                "The final results were not written, and the values of these clips are no longer "
                "the signed ones; open them with the version and the weights they were signed with."
            )
        recorded = []
        for place in review.places:
            if place.desk is None:
                continue
            report = self._clip(folder, place, signature)
            item = _item(place.listed)
            if item is not None:
                found = read_recorded(item, report.with_name(RESULTS))
                # Not rounded, as the record holds them, so that both give the same means.
                recorded.append(replace(found, measures=place.opened.analysis.measures))
        if not recorded:
            return page
        whole = assemble(tuple(recorded), (), None, None)
        if self.identity is not None:
            whole = replace(whole, cautions=(*whole.cautions, *self.identity.cautions))
            self.identity.write(folder)
        known = {"Number": review.code, "Date": visit.day.isoformat()}
        return write_visit(folder, whole, known, signature)

    def _clip(self, folder: Path, place: Place, signature: Signature) -> Path:
        """Write the results of one clip, and return its report."""
        listed, analysis = place.listed, place.opened.analysis
        facts = {"side": str(listed.side), "recording": str(listed.repeat), "site": place.site}
        request = ExportRequest(self.exports, listed.sources, listed.side, False)
        output = Output(
            overlay=False, picture=True, request=request, facts=facts, signature=signature
        )
        return write_results(folder / _name(place), analysis, self.segmenter, output)


@dataclass(frozen=True)
class ReviewOptions:
    """What the user states.

    Parameters
    ----------
    record
        File of the record over time.
    out
        Folder of the final results.
    task, side, site, source
        For clips of which nothing else states it.
    exports
        Further files to write of each clip.
    detectable
        File with the clinic's own smallest detectable changes.
    lab, secret
        Folder of a laboratory that takes corrected frames, and the file of its secret.
    several_days
        Whether clips of different days are meant.
    """

    record: Path
    out: Path
    task: Task | None
    side: Side | None
    site: str
    source: SourceOptions
    exports: tuple[Export, ...]
    detectable: Path | None
    lab: Path | None
    secret: Path | None
    several_days: bool


def run_review(paths: Sequence[Path], options: ReviewOptions, served: Served) -> None:
    """Serve the page of the clips until it is ended.

    Raises
    ------
    LayermotionError
        If there is no clip, or the record, the options or the address cannot be used.
    """
    parse_site(options.site)
    found = find_sources(paths, options.task, options.site, options.side)
    listed = [with_scale(one, options.source) for one in found]
    check_folder(options.out)
    check_exportable([path for one in listed for path in one.sources], options.exports)
    for one in listed:
        check_split(one.path, one.shows, options.exports)
    own = read_detectable_changes(options.detectable) if options.detectable else None
    laboratory = Laboratory(options.lab, options.secret) if options.lab else None
    files = [(_spoken(number, one), one.sources) for number, one in enumerate(listed, start=1)]
    identity = check_identity(files, several_days=options.several_days)
    segmenter = load_in_use()
    final = Final(options.out, options.exports, segmenter, identity)
    with Record.open(options.record) as opened:
        day = day_of(listed)
        review = Review(listed, segmenter, opened, day, final.write, identity.document)
        threading.Thread(target=review.measure_all, name="measuring", daemon=True).start()
        serve(
            routes_of(review, own, laboratory),
            host=served.host,
            port=served.port,
            tls=served.tls,
            open_browser=served.open_browser,
        )


def day_of(listed: Sequence[Listed]) -> date:
    """Day of the recordings where the first file states it, else today."""
    stated = acquired_at(listed[0].path) or ""
    try:
        return min(date.fromisoformat(stated[:8]), date.today())
    except ValueError:
        return date.today()


def _are_signed(signed: Sequence[SignedValue], now: Sequence[SignedValue]) -> bool:
    """Whether values are those that were signed, and no other."""
    was = {value.key: value.value for value in signed}
    own = {value.key: value.value for value in now}
    return was.keys() == own.keys() and all(is_same(was[key], own[key]) for key in was)


def _name(place: Place) -> str:
    """Name of the folder of a clip's results."""
    item = _item(place.listed)
    return item.name if item is not None else f"clip-{place.clip_id}"


def _amendment(event: Event, review: Review) -> Amendment:
    """Say an amendment as reports do, each clip by its name in the visit."""
    names = {place.clip_id: _name(place) for place in review.places}
    return Amendment(event.who, event.when[:10], event.why, amended_words(event.payload, names))


def _spoken(number: int, listed: Listed) -> str:
    """Name a clip without what its file may give away."""
    item = _item(listed)
    return item.name if item is not None else f"clip {number}"


def _item(listed: Listed) -> Item | None:
    """Name a clip as a recording of the visit; None where its task was not stated."""
    if listed.task is None:
        return None
    return Item(listed.side, listed.task, listed.repeat, listed.sources, listed.shows, Settings())
