"""Owns the commands of the lab: options and help; the work itself is done elsewhere.

Every command imports what it needs when it runs, so that help stays quick.
"""

import importlib.util
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from layermotion.caution import CAUTION, epilog
from layermotion.errors import InputError
from layermotion.labels import View
from layermotion.places import default_models, default_secret

EXIT_SOME_FAILED, EXIT_INTERRUPTED = 1, 130
DAY_FORMATS = ["%Y-%m-%d"]


class ScopeChoice(StrEnum):
    """What a subject agrees to."""

    TRAINING = "training"
    EVALUATION = "evaluation"


def need_train_packages(*packages: str) -> None:
    """Refuse in one sentence where the train extra is missing."""
    for package in packages:
        if importlib.util.find_spec(package) is None:
            raise InputError(
                f"This command needs {package}, which is not installed; "
                f"run: pip install 'layermotion[train]'."
            )


def _app(text: str) -> typer.Typer:
    return typer.Typer(
        help=text,
        epilog=CAUTION,
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )


lab_app = _app("Local data: consent, import, labels, builds and judging; nothing leaves the place.")
consent_app = _app("Consents: who agreed to what, until when. The history only grows.")
lab_app.add_typer(consent_app, name="consent")

LabFolder = Annotated[
    Path, typer.Argument(metavar="LAB", help="Folder of the laboratory, made by lab init.")
]
SecretFile = Annotated[
    Path,
    typer.Option(
        "--secret",
        metavar="FILE",
        dir_okay=False,
        default_factory=default_secret,
        show_default="in your settings folder",
        help="File with the secret of the pseudonyms; keep it apart from the data.",
    ),
]
ModelsFolder = Annotated[
    Path,
    typer.Option(
        "--models",
        metavar="DIR",
        file_okay=False,
        default_factory=default_models,
        show_default="in your settings folder",
        help="Folder of local weights and their history.",
    ),
]
By = Annotated[str, typer.Option("--by", metavar="WHO", help="Who records this.")]
Subject = Annotated[
    str,
    typer.Option(
        "--subject",
        metavar="ID",
        prompt="Local identifier of the subject",
        hide_input=True,
        help="Local identifier, such as the Patient ID; asked for if left out, so that it does "
        "not stay in the history of the command line.",
    ),
]
Clips = Annotated[
    list[str] | None,
    typer.Argument(metavar="CLIP", help="Names of clips; every pending one if left out."),
]


def _day(value: datetime | None) -> date:
    return value.date() if value else date.today()


@lab_app.command(epilog=epilog("layermotion lab init our-lab --secret keys/lab-secret"))
def init(lab: LabFolder, secret: SecretFile) -> None:
    """Make the folder of a laboratory, and its secret where there is none yet.

    Without the secret no new pseudonym fits the old ones: keep a copy in a safe place, never
    beside the data.
    """
    from layermotion.lab.folder import create_lab

    create_lab(lab, secret)
    typer.echo(f"{lab} is ready. Its secret is {secret}; keep a copy apart from the data.")


@consent_app.command(
    epilog=epilog(
        "layermotion lab consent record our-lab --scope training --expiry 2030-12-31 --by nurse-2"
    )
)
def record(
    lab: LabFolder,
    secret: SecretFile,
    subject: Subject,
    by: By,
    scope: Annotated[
        list[ScopeChoice] | None,
        typer.Option(
            help="What the subject agrees to: training of weights, or evaluation only; give it "
            "twice for both, or leave it out for both."
        ),
    ] = None,
    day: Annotated[
        datetime | None, typer.Option(formats=DAY_FORMATS, help="First day; today if left out.")
    ] = None,
    expiry: Annotated[
        datetime | None,
        typer.Option(formats=DAY_FORMATS, help="Last day; no end if left out."),
    ] = None,
) -> None:
    """Record that a subject agreed."""
    from layermotion.lab.consent import Consent, Scope
    from layermotion.lab.folder import open_lab, open_secret

    opened = open_lab(lab)
    pseudonym = open_secret(opened, secret).pseudonym(subject)
    scopes = tuple(Scope(choice) for choice in scope or ScopeChoice)
    consent = Consent(pseudonym, scopes, _day(day), expiry.date() if expiry else None)
    opened.ledger.record([consent], by)
    typer.echo(f"Recorded for {pseudonym}: {', '.join(scopes)}.")


@consent_app.command(
    epilog=epilog("layermotion lab consent load our-lab consents.csv --by nurse-2")
)
def load(
    lab: LabFolder,
    table: Annotated[
        Path,
        typer.Argument(
            metavar="TABLE",
            exists=True,
            dir_okay=False,
            help="CSV with the columns subject, scope (training, evaluation or both), day, expiry "
            "(may be empty); days as 2024-03-01.",
        ),
    ],
    secret: SecretFile,
    by: By,
) -> None:
    """Record many consents from a table: all of them, or none if a row cannot be used."""
    from layermotion.lab.consent import read_consents
    from layermotion.lab.folder import open_lab, open_secret

    opened = open_lab(lab)
    consents = read_consents(table, open_secret(opened, secret))
    opened.ledger.record(consents, by)
    typer.echo(f"Recorded {len(consents)} consents.")


@consent_app.command("list", epilog=epilog("layermotion lab consent list our-lab --on 2024-06-01"))
def list_consents(
    lab: LabFolder,
    on: Annotated[
        datetime | None, typer.Option(formats=DAY_FORMATS, help="Day; today if left out.")
    ] = None,
) -> None:
    """List every subject, by pseudonym, with what the consent covers on a day."""
    from layermotion.lab.folder import open_lab

    for subject, scopes in sorted(open_lab(lab).ledger.subjects(_day(on)).items()):
        typer.echo(f"{subject}  {', '.join(sorted(scopes)) or 'nothing'}")


@consent_app.command(epilog=epilog("layermotion lab consent history our-lab"))
def history(lab: LabFolder) -> None:
    """Show the whole history: every consent and withdrawal, and who recorded it."""
    from layermotion.lab.folder import open_lab

    for entry in open_lab(lab).ledger.history():
        until = f" until {entry.expiry}" if entry.expiry else ""
        typer.echo(
            f"{entry.number:5}  {entry.subject}  {entry.event} {entry.scope} from {entry.day}"
            f"{until}, recorded by {entry.recorded_by} at {entry.recorded_at}"
        )


@lab_app.command(epilog=epilog("layermotion lab withdraw our-lab --by nurse-2"))
def withdraw(
    lab: LabFolder,
    secret: SecretFile,
    models: ModelsFolder,
    subject: Subject,
    by: By,
    day: Annotated[
        datetime | None,
        typer.Option(formats=DAY_FORMATS, help="Day of the withdrawal; today if left out."),
    ] = None,
) -> None:
    """Record that a subject withdrew, and list the builds and weights that hold it.

    The next build leaves the subject out, and builds that hold it can no longer be used. What
    happens to weights trained on it is the laboratory's to decide; they are listed for that.
    """
    need_train_packages("pycocotools")
    from layermotion.lab.builds import builds_with
    from layermotion.lab.folder import open_lab, open_secret
    from layermotion.lab.registry import Registry

    opened = open_lab(lab)
    pseudonym = open_secret(opened, secret).pseudonym(subject)
    opened.ledger.withdraw(pseudonym, _day(day), by)
    builds = builds_with(opened, pseudonym)
    weights = Registry(models).trained_on(set(builds.values())) if builds else ()
    typer.echo(f"{pseudonym} withdrew.")
    typer.echo(f"Builds that hold it: {', '.join(builds) or 'none'}.")
    typer.echo(f"Weights trained on these builds: {', '.join(weights) or 'none'}.")


@lab_app.command("import", epilog=epilog("layermotion lab import our-lab scans --site clinic-a"))
def import_scans(
    lab: LabFolder,
    source: Annotated[
        Path,
        typer.Argument(
            metavar="SOURCE",
            help="Folder of DICOM files; or of one folder for each subject, named by its local "
            "identifier, with videos and pictures in it.",
        ),
    ],
    secret: SecretFile,
    site: Annotated[str, typer.Option(metavar="WORD", help="Your word for the place.")],
    scanner: Annotated[
        str | None,
        typer.Option(metavar="WORD", help="Make of the scanner, for files that do not state it."),
    ] = None,
    view: Annotated[View | None, typer.Option(help="What all clips of the folder show.")] = None,
    mm_per_pixel: Annotated[
        str | None,
        typer.Option(
            metavar="MM|ROW,COLUMN", help="Pixel size in mm, for files that do not state it."
        ),
    ] = None,
    depth_mm: Annotated[
        float | None, typer.Option(metavar="MM", help="Depth of view, instead of a pixel size.")
    ] = None,
    fps: Annotated[
        float | None, typer.Option(metavar="HZ", help="Frames per second, where not stated.")
    ] = None,
) -> None:
    """Import clips of consenting subjects, without identity and with burned-in text masked.

    Files of subjects without a valid consent are refused; the report names them by pseudonym
    alone. Headers follow the basic profile of DICOM PS3.15 Annex E, and all but the image area is
    black. A contact sheet of each clip is written to review/: look for text inside the picture,
    mask it with lab mask, then accept or reject the clips. Exit code 1: something was refused.
    """
    from layermotion.clip.source import SourceOptions, parse_mm_per_pixel
    from layermotion.lab.folder import open_lab, open_secret
    from layermotion.lab.importing import ImportOptions, import_folder
    from layermotion.lab.review import write_sheets

    opened = open_lab(lab)
    options = ImportOptions(
        site,
        scanner,
        SourceOptions(
            mm_per_pixel=parse_mm_per_pixel(mm_per_pixel) if mm_per_pixel else None,
            depth_mm=depth_mm,
            frame_rate_hz=fps,
            view=view,
        ),
    )
    today = date.today()
    report = import_folder(opened, open_secret(opened, secret), source, options, today)
    typer.echo(f"Imported {len(report.imported)} clips; {report.known} were here already.")
    for subject in report.refused:
        typer.echo(f"Refused, no valid consent: {subject}")
    for sentence in report.failed:
        typer.echo(sentence)
    stamp = datetime.now().strftime("%Y%m%d-%H%M%S")
    for sheet in write_sheets(opened, report.imported, f"import-{stamp}"):
        typer.echo(f"Look through {sheet}")
    if report.refused or report.failed:
        raise typer.Exit(EXIT_SOME_FAILED)


@lab_app.command(epilog=epilog("layermotion lab clips our-lab"))
def clips(lab: LabFolder) -> None:
    """List every clip: subject, site, scanner, frames, scale, review, labelled frames."""
    from layermotion.lab.folder import open_lab

    opened = open_lab(lab)
    for name, record in opened.clips().items():
        labelled = len(list((opened.root / "labels").glob(f"{name}-*.png")))
        spacing = record.spacing
        scale = f"{spacing.row_mm:.4g} x {spacing.column_mm:.4g} mm" if spacing else "no scale"
        typer.echo(
            f"{name}  {record.subject}  {record.site}  {record.scanner}  {record.frames} frames, "
            f"{scale}, {record.review}, {labelled} labelled"
        )


def _pending(lab: Path, names: list[str] | None) -> tuple[str, ...]:
    from layermotion.lab.folder import Review, open_lab

    if names:
        return tuple(names)
    found = [n for n, r in open_lab(lab).clips().items() if r.review is Review.PENDING]
    if not found:
        raise InputError("No clip waits for review; name the clips.")
    return tuple(found)


@lab_app.command(epilog=epilog("layermotion lab accept our-lab c-0123456789ab"))
def accept(lab: LabFolder, names: Clips = None) -> None:
    """State that you looked at clips and no identity is left in the picture."""
    from layermotion.lab.folder import Review, open_lab
    from layermotion.lab.review import judge as judge_clips

    chosen = _pending(lab, names)
    judge_clips(open_lab(lab), chosen, Review.ACCEPTED)
    typer.echo(f"Accepted {len(chosen)} clips.")


@lab_app.command(epilog=epilog("layermotion lab reject our-lab c-0123456789ab"))
def reject(
    lab: LabFolder,
    names: Annotated[list[str], typer.Argument(metavar="CLIP", help="Names of clips.")],
) -> None:
    """Keep clips out of proposals and builds."""
    from layermotion.lab.folder import Review, open_lab
    from layermotion.lab.review import judge as judge_clips

    judge_clips(open_lab(lab), tuple(names), Review.REJECTED)
    typer.echo(f"Rejected {len(names)} clips.")


@lab_app.command(epilog=epilog("layermotion lab mask our-lab c-0123456789ab --box 52,80,20,90"))
def mask(
    lab: LabFolder,
    name: Annotated[str, typer.Argument(metavar="CLIP", help="Name of the clip.")],
    box: Annotated[
        str, typer.Option(metavar="TOP,LEFT,HEIGHT,WIDTH", help="Box in pixels of the frame.")
    ],
) -> None:
    """Blacken a box in every frame of a clip, for text that was left; it then waits for review."""
    from layermotion.lab.folder import open_lab
    from layermotion.lab.review import mask_box

    parts = box.split(",")
    if len(parts) != 4 or not all(part.strip().isdecimal() for part in parts):
        raise InputError(f"{box!r} is no box; give TOP,LEFT,HEIGHT,WIDTH such as 52,80,20,90.")
    top, left, height, width = (int(part) for part in parts)
    mask_box(open_lab(lab), name, (top, left, height, width))
    typer.echo(f"Masked; {name} waits for review.")


@lab_app.command(epilog=epilog("layermotion lab sheets our-lab"))
def sheets(lab: LabFolder, names: Clips = None) -> None:
    """Write contact sheets again, such as after masking."""
    from layermotion.lab.folder import open_lab
    from layermotion.lab.review import write_sheets

    opened = open_lab(lab)
    records = tuple(opened.clip(name) for name in _pending(lab, names))
    stamp = datetime.now().strftime("%Y%m%d-%H%M%S")
    for sheet in write_sheets(opened, records, f"again-{stamp}"):
        typer.echo(f"Look through {sheet}")


@lab_app.command(epilog=epilog("layermotion lab propose our-lab --count 20 --out to-label"))
def propose(
    lab: LabFolder,
    models: ModelsFolder,
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", file_okay=False, help="Folder to write to.")
    ],
    count: Annotated[int, typer.Option(min=1, metavar="N", help="Number of frames.")] = 20,
) -> None:
    """Choose frames worth labelling and write them with proposed labels.

    Frames are uncertain to the weights in use and unlike each other. images/, labels/ (mask
    values 0 to 5) and annotations.json (COCO) open in any general editor; correct either the
    masks or the COCO file, keep the names, and bring it back with lab label.
    """
    need_train_packages("pycocotools")
    from layermotion.lab.folder import open_lab
    from layermotion.lab.proposals import propose as write_proposals
    from layermotion.lab.registry import Registry
    from layermotion.segment import load_segmenter

    registry = Registry(models)
    name = registry.in_use()
    segmenter = load_segmenter(name, folder=registry.place(name))
    choices = write_proposals(open_lab(lab), segmenter, count, out, date.today())
    typer.echo(f"Wrote {len(choices)} frames with labels proposed by {name} to {out}.")


LabelSource = Annotated[
    Path,
    typer.Argument(
        metavar="LABELS",
        exists=True,
        help="COCO JSON, a label-mask PNG, a DICOM segmentation, or a folder of the latter two.",
    ),
]
SegmentationSecret = Annotated[
    Path | None,
    typer.Option(
        "--secret",
        metavar="FILE",
        dir_okay=False,
        help="Secret of the pseudonyms, for segmentations that refer to the scanner's own files.",
    ),
]


@lab_app.command(epilog=epilog("layermotion lab check our-lab to-label/annotations.json"))
def check(lab: LabFolder, labels: LabelSource, secret: SegmentationSecret = None) -> None:
    """Check labels without storing them: one sentence for each fault. Exit code 1: faults."""
    _labels(lab, labels, secret, store=False)


@lab_app.command(epilog=epilog("layermotion lab label our-lab to-label/labels"))
def label(lab: LabFolder, labels: LabelSource, secret: SegmentationSecret = None) -> None:
    """Store the labels of frames without a fault, and say what is wrong with the others."""
    _labels(lab, labels, secret, store=True)


def _labels(lab: Path, labels: Path, secret: Path | None, store: bool) -> None:
    need_train_packages("pycocotools")
    from layermotion.lab.folder import open_lab, open_secret
    from layermotion.lab.labelling import check_labels, read_labels, store_labels

    opened = open_lab(lab)
    frames = read_labels(opened, labels, open_secret(opened, secret) if secret else None)
    report = (store_labels if store else check_labels)(opened, frames)
    for fault in report.faults:
        typer.echo(fault.sentence)
    done = "stored" if store else "sound"
    typer.echo(f"{len(report.sound)} of {len(frames)} frames {done}.")
    if report.faults:
        raise typer.Exit(EXIT_SOME_FAILED)


@lab_app.command(epilog=epilog("layermotion lab build our-lab spring --held-out 0.25"))
def build(
    lab: LabFolder,
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the new build.")],
    held_out: Annotated[
        float,
        typer.Option(min=0.0, max=1.0, metavar="SHARE", help="Part of each site's subjects."),
    ] = 0.25,
    held_out_site: Annotated[
        list[str] | None,
        typer.Option(metavar="WORD", help="Site of which every subject is held out."),
    ] = None,
) -> None:
    """Freeze a version of the data set: labelled, sound, accepted and consented to today.

    All frames of a subject are in one split, and subjects keep theirs in later builds. The same
    picture in both splits stops the build.
    """
    need_train_packages("pycocotools")
    from layermotion.lab.builds import Split, make_build
    from layermotion.lab.folder import open_lab

    report = make_build(open_lab(lab), name, held_out, tuple(held_out_site or ()), date.today())
    for split in Split:
        frames, subjects = report.build.of(split), report.build.subjects(split)
        typer.echo(f"{split}: {len(frames)} frames of {len(subjects)} subjects")
    for subject in report.without_consent:
        typer.echo(f"Left out, no valid consent: {subject}")
    for reason, number in sorted(report.left_out.items()):
        typer.echo(f"Left out, {reason}: {number} frames")
    typer.echo(f"Fingerprint {report.build.fingerprint}")


@lab_app.command(
    epilog=epilog(
        "layermotion lab train our-lab spring --out runs/spring steps=500 batch_size=8 "
        "learning_rate=0.0005"
    )
)
def train(
    lab: LabFolder,
    build_name: Annotated[str, typer.Argument(metavar="BUILD", help="Name of the build.")],
    models: ModelsFolder,
    out: Annotated[
        Path, typer.Option("--out", metavar="RUN", file_okay=False, help="Folder of the run.")
    ],
    overrides: Annotated[
        list[str] | None,
        typer.Argument(metavar="OVERRIDE", help="Settings to change, as name=value."),
    ] = None,
    synthetic_share: Annotated[
        float,
        typer.Option(
            min=0.0,
            max=1.0,
            metavar="SHARE",
            help="Part of the examples that the generator makes, against forgetting.",
        ),
    ] = 0.75,
    config: Annotated[
        str, typer.Option(metavar="NAME", help="Name of the settings file in configs.")
    ] = "fine-tune",
) -> None:
    """Train the weights in use further on a build, mixed with synthetic pictures.

    Stopped with Ctrl-C, it saves its state and exits with code 130; the same command goes on from
    there. Then: layermotion models add RUN NAME, and layermotion lab judge.
    """
    need_train_packages(
        "torch", "hydra", "segmentation_models_pytorch", "albumentations", "onnx", "pycocotools"
    )
    from layermotion.lab.folder import open_lab
    from layermotion.lab.registry import Registry
    from layermotion.lab.tuning import fine_tune
    from layermotion.training.settings import load_settings

    settings = load_settings(config, overrides)
    result = fine_tune(
        open_lab(lab), build_name, Registry(models), settings, synthetic_share, out, date.today()
    )
    if not result.is_finished:
        raise typer.Exit(EXIT_INTERRUPTED)


@lab_app.command(epilog=epilog("layermotion lab judge our-lab spring local-001"))
def judge(
    lab: LabFolder,
    build_name: Annotated[str, typer.Argument(metavar="BUILD", help="Name of the build.")],
    after: Annotated[str, typer.Argument(metavar="WEIGHTS", help="Weights to judge.")],
    models: ModelsFolder,
    before: Annotated[
        str | None,
        typer.Option(metavar="WEIGHTS", help="Weights to compare with; those in use if left out."),
    ] = None,
    scenes: Annotated[
        int, typer.Option(min=1, metavar="N", help="Scenes of the synthetic benchmark.")
    ] = 200,
) -> None:
    """Judge weights against those in use: held-out subjects, and the synthetic benchmark.

    Dice, Hausdorff 95 and mean surface distance for each structure and scanner, before and
    after, with 95 % intervals over subjects. The result is kept; models promote asks for it.
    """
    need_train_packages("pycocotools", "scipy")
    from layermotion.lab.builds import open_build
    from layermotion.lab.folder import open_lab
    from layermotion.lab.registry import Registry, judgement_text
    from layermotion.lab.scoring import judge_weights

    registry = Registry(models)
    opened = open_build(open_lab(lab), build_name, date.today())
    judged = judge_weights(registry, opened, before or registry.in_use(), after, scenes)
    typer.echo(judgement_text(judged))
