"""Owns what the page shows of a clip and of a visit, with its sentences in one language."""

from collections.abc import Iterable, Mapping
from typing import Any

from layermotion.serving.sentences import Sentences, refuse_in, say_in, sentences_of


def clip_in_language(told: Mapping[str, Any], language: str) -> dict[str, Any]:
    """Give what the page shows of a clip, with its reasons and cautions in a language."""
    own = sentences_of(language)
    if own is None:
        return dict(told)
    shown = told["shown"]
    measures = [
        {**m, "reason": own.say(m["reason"]) if m["reason"] else ""} for m in shown["measures"]
    ]
    return {**told, "shown": {**shown, "measures": measures, "cautions": _once(own, shown)}}


def day_in_language(state: Mapping[str, Any], language: str) -> dict[str, Any]:
    """Give the state of a visit, with what is wrong with its clips and results in a language."""
    clips = [{**clip, "problem": refuse_in(language, clip["problem"])} for clip in state["clips"]]
    return {
        **state,
        "clips": clips,
        "no_means": [say_in(language, sentence) for sentence in state["no_means"]],
        "not_written": refuse_in(language, state["not_written"]),
    }


def _once(own: Sentences, shown: Mapping[str, Iterable[str]]) -> list[str]:
    """Give each caution once: several without a translation are one sentence."""
    return list(dict.fromkeys(own.say(caution) for caution in shown["cautions"]))
