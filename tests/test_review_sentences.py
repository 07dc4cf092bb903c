"""Reasons and cautions on the page in another language: none stays English."""

import ast
import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from layermotion.review.sentences import clip_in_language
from layermotion.serving.sentences import sentences_of

SOURCE = Path(__file__).parent.parent / "src" / "layermotion"
# Where the sentences that a page may show of a clip are made.
MODULES = (
    "measures/bladder.py", "measures/measure.py", "measures/repeats.py", "measures/slide.py",
    "measures/thickness.py", "measures/timing.py", "measures/unseen.py", "series/disputed.py",
    "series/medial_edge.py", "analysis/analysis.py", "analysis/bladder.py", "analysis/pair.py",
    "analysis/wall.py", "clip/dicom.py", "clip/pair.py", "clip/regions.py", "clip/source.py",
    "clip/survey.py", "clip/video.py", "edges/site.py", "efforts/count.py", "efforts/efforts.py",
)  # fmt: skip
# How a value was measured and where is said in reports, not on the page.
ELSEWHERE = re.compile(
    "^(Mean of the repeats|Displacement along|From the course|Depth of the|Thickness from|"
    "Rest and contraction are one|Shift of the|Site: |Site of the|The site )"
)
# What stands in the place of each expression, where that is no number.
EXAMPLES = {
    "layer": "external oblique (EO)", "name": "subcutaneous fat", "again": "record again",
    "where": "in 3 of 9 frames at rest", "when": "at the effort",
    "names": "TrA at rest, EO at rest",
    "shown": "1, 2 and 3", "unit": "mm", "moved": " before it descended", "left": "rest",
    "right": "contracted", "DESCENDING[task]": "a cough",
    "'frames' if frames.size > 1 else 'frame'": "frames",
    "'s were' if self.at_rest > 1 else ' was'": " was",
    "'them' if self.at_rest > 1 else 'it'": "it",
    "REMEDY": "what is missing is not measured, so copy it again from the scanner",
    "same": "one scale", "stated[1]": "Frame Time",
}  # fmt: skip


def sentences_in(path: Path, examples: Mapping[str, str] = EXAMPLES) -> Iterator[str]:
    """Give every sentence that a module holds, with examples in its places."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    passed: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Raise):
            passed |= {id(part) for part in ast.walk(node)}
        body = getattr(node, "body", None)
        if isinstance(body, list) and body and isinstance(body[0], ast.Expr):
            passed.add(id(body[0].value))
    for node in ast.walk(tree):
        if id(node) in passed:
            continue
        text = ""
        if isinstance(node, ast.JoinedStr):
            passed |= {id(part) for part in node.values}
            for part in node.values:
                if isinstance(part, ast.FormattedValue):
                    text += examples.get(ast.unparse(part.value), "5")
                else:
                    text += str(ast.literal_eval(part))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = re.sub(r"\{(\w+)[^}]*\}", lambda m: examples.get(m[1], "5"), node.value)
        if text.endswith(".") and " " in text and not ELSEWHERE.match(text):
            yield text


@pytest.mark.parametrize("module", MODULES)
def test_every_reason_has_a_translation(module: str) -> None:
    german = sentences_of("de")
    assert german is not None
    found = list(sentences_in(SOURCE / module))
    assert found, "the module holds sentences"
    assert [text for text in found if german.say(text) == german.other] == []


def test_a_sentence_holds_its_numbers_and_phrases() -> None:
    german = sentences_of("de")
    assert german is not None
    english = (
        "The borders of the external oblique (EO) jumped from one place to another in 3 of 20 "
        "frames at rest; record again with the probe held still, or measure it by hand."
    )
    assert german.say(english) == (
        "Die Grenzen der Schicht Obliquus externus (EO) sprangen in 3 von 20 Bildern in Ruhe von "
        "einer Stelle zur anderen. Nehmen Sie neu auf, mit ruhigem Schallkopf, oder messen Sie sie "
        "von Hand."
    )
    settled = german.say("Settled by a person: deep edge of TrA; repeat 2 left out (moved).")
    assert settled == (
        "Von Hand festgelegt: tiefer Rand von TrA; Wiederholung 2 weggelassen (moved)."
    )


def test_no_english_reason_reaches_the_german_page() -> None:
    unknown = "Something that nobody has put into German yet; do this."
    told = {"shown": {"measures": [{"reason": unknown}, {"reason": ""}],
                      "cautions": [unknown, "Another one."]}}  # fmt: skip
    german = sentences_of("de")
    assert german is not None
    shown = clip_in_language(told, "de")["shown"]
    assert [m["reason"] for m in shown["measures"]] == [german.other, ""]
    assert shown["cautions"] == [german.other]
    assert clip_in_language(told, "en") == told
