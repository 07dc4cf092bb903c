"""Write the model card of the shipped weights from what was stored with them.

python scripts/model_card.py            writes it
python scripts/model_card.py --check    fails if the card in the repository differs
"""

import argparse
import sys
from typing import Any

from layermotion.files import write_text
from layermotion.labels import WALL_LAYERS
from layermotion.network.segmenter import WEIGHTS_FOLDER, read_card, weights_names

INTENDED = """\
Segments subcutaneous fat, external oblique (EO), internal oblique (IO), transversus abdominis
(TrA) and the bladder in grey ultrasound pictures of the lateral abdominal wall and of the bladder
seen from above the pubis, as the first step of measuring thickness and displacement. Every number
that comes of it is a draft until a licensed clinician has compared it with the picture.

Not for: diagnosis, other organs, other views (perineal, midline), children, pregnancy, mesh or
scars, or any use without a person looking at the outlines. It is not a medical device."""

LIMITS = """\
- Trained on synthetic pictures only, and all intervals are calibrated on synthetic clips. No figure
  here was measured on a real scanner's pictures.
- The synthetic clips of the evaluation come from the same generator as the training pictures, with
  other seeds; pictures made otherwise may be measured worse, as those of the other simulation are.
- A bright sheet in the fat or inside a muscle can be taken for a border, and every layer below it
  for the next one.
- The upper edge of the fat is unsure where skin and fat look alike.
- Muscle hidden by shadow or lost contact is left out, not guessed."""


def card_text(card: dict[str, Any]) -> str:
    """Text of the model card, from the JSON card alone."""
    result = card["evaluation"]
    low, high = card["spacing_range_mm"]
    lines = [
        f"# {card['name']}",
        "",
        "## Use",
        INTENDED,
        "",
        "## Weights",
        f"- SHA-256 `{card['sha256']}`, made {card['date']}",
        f"- Input: {card['input']}; {card['normalisation']}",
        f"- Output: probability of {', '.join(card['classes'])}; and of the view "
        f"({', '.join(card['views'])})",
        f"- Scale of the training pictures: {low:.3f} to {high:.3f} mm per pixel",
        f"- Network: U-Net, encoder `{card['settings']['encoder']}`, decoder "
        f"{tuple(card['settings']['decoder_channels'])}; weights and features in eight bits, which "
        f"moves a probability by {card['eight_bit_difference']:.4f} on average",
        f"- Training: {card['training_steps']} steps, {card['examples_seen']} pictures shown, "
        f"each drawn picture shown {card['settings']['reuse']} times with other augmentation; "
        f"settings in the JSON card; before that: {card.get('earlier_training', 'none')}",
        f"- Pictures from: {', '.join(card['image_sources'])}",
        "- Licence: Apache-2.0, as the project; no third-party pictures or weights were used",
        "",
        "## Figures",
        f"`{result['command']}` prints them: {result['clips']} fresh synthetic clips (half wall, "
        "half bladder), written as H.264 video and measured as a user would. "
        f"{len(result['not_measured'])} clips were refused.",
        "",
        "Single frames, thickness at the site (base displacement for the bladder), mm. A person "
        "could measure those whose borders are legible (`layermotion_synthetic/legible.py` decides "
        "that from picture and truth); of these a value was given in the share under accepted "
        f"(goal {result['accepted_limit']:g} %):",
        "",
        "| structure | values | withheld | legible | accepted | mean absolute error | median "
        "| bias | 95 % within | goal |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for row in result["frames"]:
        mae, limit = row["mean_absolute_error_mm"], row["limit_mm"]
        accepted = row["accepted_percent"]
        enough = "met" if accepted >= result["accepted_limit"] else "**missed**"
        lines.append(
            f"| {row['structure']} | {row['values']} | {row['withheld_percent']:.1f} % "
            f"| {row['legible_percent']:.1f} % | {accepted:.1f} % {enough} "
            f"| {mae:.3f} | {row['median_absolute_error_mm']:.3f} | {row['bias_mm']:+.3f} "
            f"| {row['error_95_mm']:.3f} | {limit:.2f} {'met' if mae <= limit else '**missed**'} |"
        )
    lines += [
        "",
        "Measures of one repeat (the width of the intervals was set by `layermotion models "
        f"calibrate` on {card['calibration']['clips']} other clips of the same generator):",
        "",
        "| measure | values | mean absolute error | median | truth inside the 95 % interval |",
        "|---|---|---|---|---|",
    ]
    for row in result["measures"]:
        name = f"{row['structure']} {row['measure'].replace('_', ' ')}, {row['unit']}"
        lines.append(
            f"| {name} | {row['values']} | {row['mean_absolute_error']:.3f} "
            f"| {row['median_absolute_error']:.3f} | {row['inside_interval_percent']:.0f} % |"
        )
    lines += ["", f"Dice of the labels (goal {result['dice_limit']:.2f}):", ""]
    for structure, value in result["dice"].items():
        verdict = "met" if value >= result["dice_limit"] else "**missed**"
        lines.append(f"- {structure}: {value:.3f}, {verdict}")
    lines += ["", *motion_lines(card["motion"]), "", *edge_lines(card["edges"])]
    lines += ["", *second_lines(card["second_simulation"])]
    lines += ["", *unusual_lines(card["unusual_walls"])]
    lines += ["", "## Variants of the network", *variant_lines(card["ablation"])]
    lines += ["", "## Limits", LIMITS, ""]
    return "\n".join(lines)


def motion_lines(result: dict[str, Any]) -> list[str]:
    """Table of what ``scripts/motion.py`` found."""
    lines = [
        f"Motion and time, `{result['command']}`: {result['clips']} clips with everything moving, "
        f"{len(result['not_measured'])} of them refused:",
        "",
        "| figure | value | goal | values | clips |",
        "|---|---|---|---|---|",
    ]
    for row in result["figures"]:
        verdict = {True: "met", False: "**missed**", None: ""}[row["is_met"]]
        limit = "" if row["limit"] is None else f"{row['limit']:g} {verdict}"
        lines.append(
            f"| {row['figure']} | {row['value']:.3f} {row['unit']} | {limit} "
            f"| {row['values']} | {row['clips']} |"
        )
    return lines


def edge_lines(result: dict[str, Any]) -> list[str]:
    """Table of what ``scripts/edges.py`` found."""
    layers = [name for name in result["rows"][0] if name != "way"]
    lines = [
        f"Ways of placing edges, `{result['command']}`: mean and median absolute error of "
        "thickness on single pictures, over the values that every way gives, doubtful ones "
        "withheld, mm:",
        "",
        f"| edges | {' | '.join(layers)} |",
        f"|---|{'---|' * len(layers)}",
    ]
    for row in result["rows"]:
        cells = " | ".join(f"{row[layer][0]:.3f}, {row[layer][1]:.3f}" for layer in layers)
        lines.append(f"| {row['way']} | {cells} |")
    return lines


def second_lines(result: dict[str, Any]) -> list[str]:
    """Table of what ``scripts/second_simulation.py`` found."""
    views = ", ".join(f"{k} {v:.0f} %" for k, v in result["view_right_percent"].items())
    lines = [
        f"Another simulation, `{result['command']}`: {result['stills']} stills made from the "
        "echoes of points at an array of elements, with no code or anatomy of the pictures "
        "trained on. "
        f"View recognised: {views}.",
        "",
        "| structure | values | refused | named wrongly | withheld | over 1 mm off (base "
        "3 mm) | mean absolute error | median | bias | truth inside the 95 % interval |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for row in result["structures"]:
        inside = row["inside_interval_percent"]
        held = "" if inside is None else f"{inside:.0f} %"
        lines.append(
            f"| {row['structure']}, {row['what']} | {row['values']} "
            f"| {row['refused_percent']:.0f} % | {row['named_wrongly_percent']:.1f} % "
            f"| {row['withheld_percent']:.0f} % | {row['gross']} "
            f"| {_mm(row['mean_absolute_error_mm'])} | {_mm(row['median_absolute_error_mm'])} "
            f"| {_mm(row['bias_mm'])} | {held} |"
        )
    return lines


def unusual_lines(result: dict[str, Any]) -> list[str]:
    """Table of what ``scripts/unusual_walls.py`` found."""
    lines = [
        f"Names of layers in walls that look unlike those trained on, `{result['command']}`: share "
        "of pictures in which a layer bears its own name.",
        "",
        f"| look | stills | {' | '.join(WALL_LAYERS)} | all |",
        "|---|---|" + "---|" * (len(WALL_LAYERS) + 1),
    ]
    for row in result["rows"]:
        look = f"{row['look']}: {row['range']}" if row["range"] else row["look"]
        cells = " | ".join(f"{row[f'{layer}_right_percent']:.1f} %" for layer in WALL_LAYERS)
        lines.append(f"| {look} | {row['stills']} | {cells} | {row['all_right_percent']:.1f} % |")
    return lines


def variant_lines(result: dict[str, Any]) -> list[str]:
    """Table of what ``scripts/ablation.py`` found."""
    first = result["rows"][0]
    lines = [
        f"`{result['command']}` trains each variant from chance on the same {first['pictures']} "
        f"pictures, drawn beforehand and changed by augmentation alone, for {first['steps']} steps "
        "of 128. That is far less than the shipped weights saw, so the figures tell variants "
        "apart and are not those of the weights; the first two rows differ by chance alone. Mean "
        "Dice is over the five structures; the height of a layer is its rows in a column, counted "
        "by probability; the time is that of one picture on one core in torch.",
        "",
        "| variant | changes | Dice TrA | mean Dice | error of height TrA | IO | time |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in result["rows"]:
        changes = f"`{row['change']}`" if row["change"] else ""
        lines.append(
            f"| {row['variant']} | {changes} | {row['dice_tra']:.3f} | {row['dice_mean']:.3f} "
            f"| {_mm(row['height_tra_mm'])} | {_mm(row['height_io_mm'])} | {row['cpu_ms']:.0f} ms |"
        )
    return lines


def _mm(value: float | None) -> str:
    return "" if value is None else f"{value:.2f} mm"


def main() -> None:
    """Write or check the card of the newest weights."""
    parser = argparse.ArgumentParser(description="Write the model card of the shipped weights.")
    parser.add_argument("--check", action="store_true", help="compare instead of writing")
    options = parser.parse_args()
    name = weights_names()[-1]
    path = WEIGHTS_FOLDER / f"{name}.md"
    text = card_text(read_card(name))
    if not options.check:
        write_text(path, text)
        print(path.name)
    elif not path.exists() or path.read_text(encoding="utf-8") != text:
        sys.exit(f"{path.name} does not say what {name}.json holds; run scripts/model_card.py.")


if __name__ == "__main__":
    main()
