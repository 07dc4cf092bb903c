"""Owns the session command: measures what a visit holds, then writes what it says together."""

import csv
import hashlib
import json
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, fields, replace
from pathlib import Path

from layermotion import __version__
from layermotion.analysis.analysis import analyse
from layermotion.analysis.pair import analyse_pair
from layermotion.analysis.result import Analysis
from layermotion.caution import CAUTION, SHORT_CAUTION, Signature
from layermotion.clip import Clip
from layermotion.clip.acquired import acquired_at
from layermotion.clip.pair import SPLIT, Shows, open_recording
from layermotion.clip.patient import read_patient
from layermotion.clip.source import SourceOptions
from layermotion.commands.earlier import check_still_holds
from layermotion.commands.identity import check_identity
from layermotion.commands.measure import MeasureOptions
from layermotion.commands.progress import Telling, telling
from layermotion.commands.results import KEY_PICTURE, Output, check_folder, record
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.errors import InputError, failure_of, plain
from layermotion.exchange.export import check_exportable
from layermotion.exchange.request import Export, ExportRequest
from layermotion.files import atomic_path, write_text
from layermotion.labels import Task
from layermotion.models.registry import load_in_use
from layermotion.network.segmenter import Segmenter
from layermotion.report.tables import CAUTION_COLUMN, DECIMALS, caution_of
from layermotion.report.tables import SCHEMA_VERSION as MEASURES_VERSION
from layermotion.session.against import (
    SCHEMA_VERSION,
    VISIT,
    Change,
    read_visit,
)
from layermotion.session.detectable import read_detectable_changes
from layermotion.session.index import Entry, add_to_index, read_index
from layermotion.session.order import in_order
from layermotion.session.plan import Item, read_plan
from layermotion.session.recorded import Recorded, read_recorded
from layermotion.session.results import Row
from layermotion.session.visit import Failure, Visit, assemble

# Columns of visit.csv in their order; those before the caution say what a value rests on.
COLUMNS = (
    "side",
    "task",
    "repeat",
    "structure",
    "measure",
    "value",
    "low",
    "high",
    "unit",
    "status",
    "reason",
    "clip",
    "repeats",
    "method",
    CAUTION_COLUMN,
)
# Files of the visit as a whole.
PAGE, TABLE, CHANGES = "visit.html", "visit.csv", "changes.csv"


def run_session(
    source: Path,
    out: Path,
    options: MeasureOptions,
    against: Path | None = None,
    detectable: Path | None = None,
    *,
    several_days: bool = False,
    held: Path,
) -> int:
    """Measure a whole visit into ``out``; what an earlier run finished is not measured again.

    Parameters
    ----------
    held
        File of the record, which knows whether the earlier visit still counts.

    Returns
    -------
    int
        0 if all was measured, 1 if some recordings failed (the others are written).

    Raises
    ------
    LayermotionError
        If the arguments are unusable, or nothing could be measured.
    """
    options.of_source()
    parse_site(options.site)
    check_folder(out)
    plan = read_plan(source, out)
    items = in_order(plan.items, {i.sources[0]: acquired_at(i.sources[0]) for i in plan.items})
    if options.index:
        read_index(out)
    if detectable is not None and against is None:
        raise InputError("Smallest detectable changes judge two visits; give --against as well.")
    if against is not None and against.resolve() == out.resolve():
        raise InputError(f"{out} holds the earlier visit; give --out another folder for this one.")
    own = read_detectable_changes(detectable) if detectable else None
    earlier = read_visit(against) if against else None
    unsure = check_still_holds(against, earlier, held) if against and earlier else ()
    files = [(item.name, item.sources) for item in items]
    identity = check_identity(files, several_days=several_days, earlier=against)
    segmenter = load_in_use()
    with telling(len(items)) as tell:
        if plan.left_out:
            tell.warn(f"Left out, since they are no recordings: {', '.join(plan.left_out)}.")
        recorded, failures = _measure_all(items, out, segmenter, options, tell)
        others = _others(out, items)
        if others:
            tell.warn(
                f"{out} also holds results that are not of this visit: {', '.join(others)}; remove "
                f"them, since other commands would read them too."
            )
    if not recorded:
        raise InputError(f"None of the {len(items)} recordings could be measured; see above.")
    again = [one.item.name for one in recorded if earlier and one.clip in earlier.clips]
    if again:
        raise InputError(
            f"{', '.join(again)} has the same pictures as a recording of the earlier visit; give "
            f"each visit its own recordings."
        )
    visit = assemble(tuple(recorded), tuple(failures), earlier, own)
    visit = replace(visit, cautions=(*visit.cautions, *identity.cautions, *unsure))
    identity.write(out)
    print(write_visit(out, visit, _patient(items) if options.keep_identifiers else {}))
    return 1 if failures else 0


def _measure_all(
    items: Sequence[Item], out: Path, segmenter: Segmenter, options: MeasureOptions, tell: Telling
) -> tuple[list[Recorded], list[Failure]]:
    """Measure the recordings one after the other; the index names the source of each."""
    recorded: list[Recorded] = []
    failures: list[Failure] = []
    for item in items:
        started_s, what = time.monotonic(), "finished"
        tell.begin(item.name)
        try:
            recorded.append(_measure(item, out, segmenter, options, recorded))
            if options.index:
                clip = recorded[-1].clip
                add_to_index(out, [Entry(clip, item.name, path.name) for path in item.sources])
        except Exception as error:
            what = "failed"
            words = str(failure_of(item.sources[0].name, error))
            reason = words if options.keep_identifiers else _without_names(words, item)
            failures.append(Failure(item.name, reason))
            tell.warn(words)
        tell.finish(item.name, time.monotonic() - started_s, what)
    return recorded, failures


def _others(out: Path, items: Sequence[Item]) -> list[str]:
    """Folders of results that are none of the visit's recordings."""
    names = {item.name for item in items}
    found = (path.parent.name for path in out.glob("*/measures.json"))
    return sorted(name for name in found if name not in names)


def _without_names(sentence: str, item: Item) -> str:
    """Put the recording's name in place of its files' names, which may name a person."""
    within = [file for path in item.sources if path.is_dir() for file in path.iterdir()]
    names = [plain(text) for path in (*item.sources, *within) for text in (str(path), path.name)]
    # The longest first, since one name may be part of another.
    for name in sorted(names, key=len, reverse=True):
        sentence = sentence.replace(name, item.name)
    return sentence


def _measure(
    item: Item,
    out: Path,
    segmenter: Segmenter,
    options: MeasureOptions,
    before: Sequence[Recorded],
) -> Recorded:
    """Measure one recording, unless it was finished with the same settings."""
    settings = item.settings
    own = replace(
        options,
        task=item.task,
        view=settings.view or options.view,
        frame_rate_hz=settings.frame_rate_hz or options.frame_rate_hz,
        site=settings.site or options.site,
    )
    # A scale in the table replaces the file's; that of the visit is for files without one.
    visits = own
    own = replace(own, mm_per_pixel=settings.mm_per_pixel, depth_mm=settings.depth_mm)
    check_exportable(item.sources, options.exports)
    check_split(item.sources[0], item.shows, options.exports)
    clip = _open(item, own.of_source())
    if clip.spacing is None and (visits.mm_per_pixel or visits.depth_mm is not None):
        own = visits
        clip = _open(item, own.of_source())
    for other in before:
        if other.clip == clip.clip_id:
            raise InputError(
                f"{clip.source_name} ({item.name}) holds the same pictures as "
                f"{other.item.name}; give each recording once."
            )
    folder = out / item.name
    path = folder / "measures.json"
    facts = {"side": str(item.side), "recording": str(item.repeat), "site": own.site}
    facts["settings"] = _fingerprint(clip, segmenter, facts, own)
    if not _is_finished(folder, facts["settings"]):
        if path.exists():
            # What an earlier run says of the visit is of values that go now.
            for name in (PAGE, VISIT, TABLE, CHANGES):
                (out / name).unlink(missing_ok=True)
        site = parse_site(own.site)

        def measure(recording: Recording) -> Analysis:
            if clip.is_pair:
                return analyse_pair(clip, segmenter, site, recording)
            return analyse(clip, segmenter, site, recording)

        request = ExportRequest(options.exports, item.sources, item.side, options.keep_identifiers)
        output = Output(overlay=options.overlay, picture=True, request=request, facts=facts)
        record(folder, clip, measure, segmenter, output)
    return read_recorded(item, path)


def check_split(source: Path, shows: Shows | None, exports: Sequence[Export]) -> None:
    """Refuse a segmentation of a split screen, whose images are no frames of the file."""
    if shows in SPLIT and Export.SEG in exports:
        raise InputError(
            f"{source.name} is a split screen, of which no segmentation can be written; "
            f"give its images as two files, or leave seg out of --export."
        )


def _open(item: Item, options: SourceOptions) -> Clip:
    clip = open_recording(item.sources, item.shows, options)
    if clip.is_still and not clip.is_pair and item.task is not Task.REST:
        raise InputError(
            f"{item.sources[0].name} is a single image of a task; say what it shows: two stills "
            f"({Shows.REST}, {Shows.CONTRACTED}) or a split screen ({Shows.REST_CONTRACTED})."
        )
    return clip


def _fingerprint(
    clip: Clip, segmenter: Segmenter, facts: Mapping[str, str], options: MeasureOptions
) -> str:
    """Stands for all that the results of a recording depend on."""
    versions = (__version__, MEASURES_VERSION, segmenter.sha256)
    parts = (*versions, clip.clip_id, clip.spacing, sorted(facts.items()))
    # Whether file names are noted changes no result.
    measured = replace(options, index=True)
    return hashlib.sha256(repr((*parts, measured)).encode()).hexdigest()[:16]


def _is_finished(folder: Path, settings: str) -> bool:
    """Tell whether ``measures.json``, which is written last, is there and of these settings."""
    if not (folder / KEY_PICTURE).exists():
        return False
    try:
        document = json.loads((folder / "measures.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(document, dict) and document.get("settings") == settings


def _patient(items: Iterable[Item]) -> dict[str, str]:
    """Read patient and day from the first file that states any of them."""
    stated = (read_patient(path) for item in items for path in item.sources)
    return next((found for found in stated if found), {})


def write_visit(
    out: Path, visit: Visit, patient: Mapping[str, str], signature: Signature | None = None
) -> Path:
    """Write the visit's files, the page last, and return its path."""
    from layermotion.session.page import build_visit_page

    page = out / PAGE
    page.unlink(missing_ok=True)
    rows = ({**_record(row), CAUTION_COLUMN: caution_of(row.status)} for row in visit.rows)
    _write_csv(out / TABLE, COLUMNS, rows)
    document = {
        "caution": signature.words if signature else CAUTION,
        "schema_version": SCHEMA_VERSION,
        "provenance": dict(visit.provenance),
        "recordings": [
            {"name": one.item.name, "clip": one.clip, "cautions": list(one.cautions)}
            for one in visit.recorded
        ],
        "failures": [asdict(failure) for failure in visit.failures],
        "cautions": list(visit.cautions),
        "rows": [_record(row) for row in visit.rows],
    }
    if signature is not None:
        amendments = len(signature.amendments)
        document["signature"] = {"mark": signature.mark, "amendments": amendments}
    if visit.changes is not None:
        changes = [_record(change) for change in visit.changes]
        document["changes"] = changes
        names = (*(field.name for field in fields(Change)), CAUTION_COLUMN)
        cautious = ({**change, CAUTION_COLUMN: SHORT_CAUTION} for change in changes)
        _write_csv(out / CHANGES, names, cautious)
    else:
        (out / CHANGES).unlink(missing_ok=True)
    text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
    write_text(out / VISIT, text + "\n")
    write_text(page, build_visit_page(visit, _pictures(out, visit), patient, signature))
    return page


def _pictures(out: Path, visit: Visit) -> dict[str, bytes]:
    """Key frames of one recording of each task on each side, by the recording's name.

    It is the first that shows an effort, where there is one.
    """
    first: dict[tuple[str, str], str] = {}
    for one in sorted(visit.recorded, key=lambda one: not one.shows_effort):
        first.setdefault((one.item.side, one.item.task), one.item.name)
    return {name: (out / name / KEY_PICTURE).read_bytes() for name in first.values()}


def _record(line: Row | Change) -> dict[str, object]:
    return {
        name: round(value, DECIMALS) + 0.0 if isinstance(value, float) else value
        for name, value in asdict(line).items()
    }


def _write_csv(target: Path, columns: Sequence[str], records: Iterable[dict[str, object]]) -> None:
    with (
        atomic_path(target) as temporary,
        temporary.open("w", encoding="utf-8", newline="") as stream,
    ):
        writer = csv.DictWriter(stream, columns, lineterminator="\n", extrasaction="ignore")
        writer.writeheader()
        writer.writerows(records)
