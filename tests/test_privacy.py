"""Nothing that a header, a file's name or the screen says of a person reaches any output."""

import base64
import re
from collections.abc import Iterator
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from pydicom import dcmread
from pydicom.datadict import DicomDictionary
from standin import ROWS, draw_frames, write_dicom
from visits import DrawnVisit

from layermotion.cli import main

# Stands in every header attribute that takes text, and on the screen beside the image.
WORD, NUMBER, DAY, BIRTH = "ZQXJANE", "847113", "20190817", "19560321"
SECRETS = (WORD, NUMBER, DAY, BIRTH, "2019-08-17", "1956-03-21", "17.08.2019")
TEXTS = {
    "LO": WORD, "SH": WORD, "LT": WORD, "ST": WORD, "UT": WORD, "UC": WORD, "PN": f"{WORD}^Ann",
    "AE": WORD, "DA": DAY, "DT": f"{DAY}101112", "AS": "063Y", "UR": f"http://{WORD}/",
    "CS": WORD, "IS": NUMBER,
}  # fmt: skip
# What the pixels, times and calibration need; all else is poisoned.
NEEDED = frozenset(
    """
    SOPClassUID SOPInstanceUID StudyInstanceUID SeriesInstanceUID PhotometricInterpretation
    NumberOfFrames FrameTime SequenceOfUltrasoundRegions SpecificCharacterSet PixelAspectRatio
    CineRate RecommendedDisplayFrameRate FrameIncrementPointer ModalityLUTSequence
    PixelPresentation RescaleType LossyImageCompressionRatio
    """.split()
)
# Width of the screen beside the image, px, and what is burned in there.
BESIDE, TEXT_AT = 260, (8, 60)


def poison(path: Path) -> None:
    """Put secrets into every attribute that the standard has and that takes text."""
    data = dcmread(path)
    for tag, (representation, _, _, retired, keyword) in DicomDictionary.items():
        is_of_data_set = 0x0008 <= tag >> 16 <= 0x4FFF and tag not in data
        if keyword in NEEDED or retired or representation not in TEXTS or not is_of_data_set:
            continue
        data.add_new(tag, representation, TEXTS[representation])
    data.PatientID, data.Modality, data.PatientBirthDate = NUMBER, "US", BIRTH
    block = data.private_block(0x0009, WORD, create=True)
    block.add_new(0x01, "LO", WORD)
    data.save_as(path)
    assert len(data) > 1000


def with_text(frames: list[NDArray[np.uint8]]) -> list[NDArray[np.uint8]]:
    """Burn the secrets into the screen beside the image."""
    screens = [np.pad(frame, ((0, 0), (0, BESIDE))) for frame in frames]
    for screen in screens:
        at = (screen.shape[1] - BESIDE + TEXT_AT[0], TEXT_AT[1])
        cv2.putText(screen, f"{WORD} {NUMBER}", at, cv2.FONT_HERSHEY_SIMPLEX, 0.8, 255, 2)
    return screens


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code


def forms(secret: str) -> Iterator[bytes]:
    """Give a secret as it may stand in a file: in two encodings, and within base64."""
    yield from (secret.encode(), secret.lower().encode(), secret.encode("utf-16-le"))
    for lead in range(3):
        coded = base64.b64encode(b"_" * lead + secret.encode() + b"__")
        yield coded[4 if lead else 0 : 4 * ((lead + len(secret)) // 3)]


def pictures(path: Path) -> Iterator[NDArray[np.uint8]]:
    """Every picture of an output, grey: frames of a video, images, and those inside a page."""
    if path.suffix == ".mp4":
        with av.open(str(path)) as container:
            yield from (frame.to_ndarray(format="gray") for frame in container.decode(video=0))
    coded = [path.read_bytes()] if path.suffix in (".png", ".jpg") else []
    if path.suffix == ".html":
        found = re.findall(rb"data:image/(?:png|jpeg);base64,([A-Za-z0-9+/=]+)", path.read_bytes())
        coded = [base64.b64decode(text) for text in found]
    for content in coded:
        picture = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_GRAYSCALE)
        assert picture is not None
        yield np.asarray(picture, np.uint8)


def likeness(picture: NDArray[np.uint8], text: NDArray[np.uint8]) -> float:
    """How well the best place of a picture fits a text, 1 for the same."""
    if picture.shape[0] < text.shape[0] or picture.shape[1] < text.shape[1]:
        return 0.0
    return float(cv2.matchTemplate(picture, text, cv2.TM_CCOEFF_NORMED).max())


@pytest.fixture
def visit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> DrawnVisit:
    """Draw a visit of a poisoned recording, with text beside the image."""
    drawn = DrawnVisit(tmp_path / "visit")
    path = drawn.wall("left_draw_in_1.dcm", 22)
    frames = with_text(list(dcmread(path).pixel_array))
    write_dicom(path, frames, FrameTime=125, StudyInstanceUID="1.2.3", SeriesInstanceUID="1.2.4")
    poison(path)
    for place in ("session", "measure", "listing"):
        monkeypatch.setattr(f"layermotion.commands.{place}.load_in_use", lambda: drawn.segmenter())
    return drawn


def test_no_output_holds_what_a_header_or_the_screen_says(
    visit: DrawnVisit, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    out, plan = tmp_path / "out", tmp_path / "plan.csv"
    (source,) = visit.folder.iterdir()
    assert run("session", visit.folder, "--out", out, "--export", "sr,seg,fhir") == 0
    assert run("session", visit.folder, "--plan", plan) == 0
    # A damaged one, whose reader has most to complain of.
    broken = visit.folder / "right_draw_in_1.dcm"
    broken.write_bytes(source.read_bytes()[:-5000])
    assert run("measure", broken, "--out", tmp_path / "none") == 2
    said = "".join(capfd.readouterr())
    files = [path for path in out.rglob("*") if path.is_file()]
    assert {".html", ".json", ".csv", ".mp4", ".jpg", ".dcm"} <= {path.suffix for path in files}
    texts = {str(path): path.read_bytes() for path in [*files, plan]} | {"said": said.encode()}
    for name, content in texts.items():
        for secret in SECRETS:
            for form in forms(secret):
                assert form not in content, (name, secret)
            assert secret not in name
    # The same search finds it where it is.
    assert WORD.encode() in source.read_bytes()
    screen = dcmread(source).pixel_array[0]
    left = screen.shape[1] - BESIDE + TEXT_AT[0]
    text = np.ascontiguousarray(screen[TEXT_AT[1] - 20 : TEXT_AT[1] + 6, left : left + 120])
    assert likeness(screen, text) > 0.99
    shown = [(path, picture) for path in files for picture in pictures(path)]
    assert len(shown) > 30
    for path, picture in shown:
        assert likeness(picture, text) < 0.6, path


def test_the_search_would_find_a_secret(tmp_path: Path) -> None:
    frame = with_text(draw_frames(1))[0]
    page = tmp_path / "page.html"
    coded = base64.b64encode(cv2.imencode(".png", frame)[1].tobytes()).decode()
    page.write_text(f'<img src="data:image/png;base64,{coded}">')
    (picture,) = pictures(page)
    text = frame[TEXT_AT[1] - 20 : TEXT_AT[1] + 6, -BESIDE + TEXT_AT[0] :][:, :120]
    assert picture.shape[0] == ROWS and likeness(picture, np.ascontiguousarray(text)) > 0.99
    for lead in range(3):
        hidden = base64.b64encode(b"x" * lead + f"{WORD} was here".encode())
        assert any(form in hidden for form in forms(WORD))
