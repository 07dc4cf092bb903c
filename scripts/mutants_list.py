"""Small changes that the tests must notice, by the stage of the code they change."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Mutant:
    """One change.

    Parameters
    ----------
    name
        What goes wrong, after the stage.
    file
        Below ``src/layermotion``.
    old, new
        Text that stands in the file exactly once, and what takes its place.
    tests
        Files below ``tests``, or tests in them, of which one must fail.
    """

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]


WALL, BLADDER, FILES = (f"test_assembly_{part}.py" for part in ("wall", "bladder", "files"))
FIRST_REST = f"{WALL}::test_the_first_rest_is_the_zero_of_what_moves"
CONFIDENCE = f"{WALL}::test_low_confidence_widens_the_interval_as_the_weights_say"

CLIP = (
    Mutant(
        "clip-rows-for-columns",
        "clip/source.py",
        "row_mm, column_mm = values[0], values[-1]",
        "row_mm, column_mm = values[-1], values[0]",
        ("test_clip_stills.py::test_pixel_size_is_read_as_written",),
    ),
    Mutant(
        "clip-pair-order",
        "clip/pair.py",
        "        cuts.reverse()\n",
        "        pass\n",
        ("test_session_pairs.py::test_split_screen_gives_both_images_in_the_stated_order",),
    ),
    Mutant(
        "clip-marks-not-covered",
        "clip/source.py",
        "read=find_marks(reading.samples, area).over(reading.read),",
        "read=reading.read,",
        ("test_marks.py::test_every_way_in_covers_what_names_a_person",),
    ),
    Mutant(
        "clip-marks-not-covered-in-pairs",
        "clip/pair.py",
        "pixels = cover.hide(pixels)",
        "pass",
        ("test_marks.py::test_every_way_in_covers_what_names_a_person",),
    ),
    Mutant(
        "clip-marks-not-covered-live",
        "live/taking.py",
        "for frame in self._screen.frames():",
        "for frame in self._read_on():",
        ("test_marks.py::test_every_way_in_covers_what_names_a_person",),
    ),
    Mutant(
        "clip-marks-of-tissue",
        "clip/marks.py",
        "if beside.size and abs(np.median(beside) - ground) <= GROUND_LEVELS:",
        "if True:",
        ("test_marks.py::test_what_covers_marks_takes_no_tissue_of_generated_pictures",),
    ),
)

NETWORK = (
    Mutant(
        "network-checksum-not-compared",
        "network/segmenter.py",
        "if found != card.sha256:",
        "if False:",
        ("test_lab_registry.py::test_altered_weights_are_refused_and_listed_as_such",),
    ),
    Mutant(
        "network-view-taken-from-none",
        "network/look.py",
        "LEAST_RECOGNISED, LEAST_STATED = 0.8, 0.1",
        "LEAST_RECOGNISED, LEAST_STATED = 0.0, 0.1",
        ("test_measure_command.py::test_picture_of_something_else_is_refused",),
    ),
    Mutant(
        "network-error-does-not-grow",
        "network/segmenter.py",
        "return level * math.exp(growth * (1 - confidence))",
        "return level",
        ("test_error.py",),
    ),
)

EDGES = (
    Mutant(
        "edges-confidence-always-1",
        "edges/boundaries.py",
        "np.where(unusable, 0, np.exp(-doubt_px / DOUBT_ROWS))",
        "np.where(unusable, 0, 1.0)",
        (CONFIDENCE,),
    ),
    Mutant(
        "edges-out-of-order",
        "edges/boundaries.py",
        "*in_order(placed[:, 0], placed[:, 1]), confidence, miscounted",
        "placed[:, 0], placed[:, 1], confidence, miscounted",
        ("test_boundaries.py::test_order_holds_whatever_the_network_says",),
    ),
    Mutant(
        "edges-cut-by-a-sector-count",
        "edges/boundaries.py",
        "if lowest is not None:",
        "if False:",
        ("test_boundaries.py::test_a_structure_cut_by_the_lower_border_of_a_sector_is_absent",),
    ),
    Mutant(
        "edges-lateral-from-one-frame",
        "edges/lateral.py",
        "abs(balance) >= END_OFTEN * len(signs)",
        "abs(balance) >= 0",
        ("test_lateral.py::test_lateral_side_needs_the_end_in_many_frames",),
    ),
    Mutant(
        "edges-not-refined",
        "edges/frame.py",
        "return refine_edges(edges, frame.pixels, grid)",
        "return edges",
        (f"{WALL}::test_edges_follow_the_borders_in_the_picture",),
    ),
    Mutant(
        "edges-recording-mixes-up-edges",
        "edges/recording.py",
        "block[0], block[1], block[2]",
        "block[1], block[0], block[2]",
        ("test_boundaries.py::test_recording_gives_every_frame_back_in_any_order",),
    ),
    Mutant(
        "edges-junction-on-the-wrong-side",
        "edges/site.py",
        "end + side * self.distance_mm",
        "end - side * self.distance_mm",
        ("test_measures.py::test_junction_is_left_laterally_by_its_distance",),
    ),
)

TISSUE = (
    Mutant(
        "tissue-lost-counts-as-still",
        "tissue/tracker.py",
        "if not confidence or np.isnan(row):\n            return LOST",
        "if not confidence or np.isnan(row):\n            return Shift(0.0, 0.0, 1.0)",
        ("test_motion.py::test_lost_texture_is_missing_and_comes_back",),
    ),
    Mutant(
        "tissue-turn-the-other-way",
        "tissue/tracker.py",
        "column - turn * down, row + turn * across",
        "column + turn * down, row - turn * across",
        ("test_motion.py::test_layers_that_the_probe_turns_are_told_as_turned",),
    ),
)

SERIES = (
    Mutant(
        "series-slide-keeps-the-turn",
        "series/slide.py",
        "(across * spacing.column_mm + turned)",
        "(across * spacing.column_mm)",
        ("test_motion.py::test_slide_is_freed_from_the_turn_of_the_probe",),
    ),
    Mutant(
        "series-thickness-not-perpendicular",
        "series/thickness.py",
        "vertical / np.hypot(1.0, (slopes[0] + slopes[1]) / 2)",
        "vertical",
        ("test_series.py::test_slab_at_any_angle_has_its_perpendicular_thickness",),
    ),
    Mutant(
        "series-unsure-thickness-given",
        "series/thickness.py",
        " & (confidence >= GIVEN_CONFIDENCE)",
        "",
        ("test_series.py::test_value_of_low_confidence_is_withheld",),
    ),
    Mutant(
        "series-torn-slide-kept",
        "series/withhold.py",
        "return withhold_torn(withhold_noise(slide, SLIDE_SCATTER_MM), time_s)",
        "return withhold_noise(slide, SLIDE_SCATTER_MM)",
        ("test_continuity.py::test_a_lost_slide_is_withheld_however_it_was_lost",),
    ),
    Mutant(
        "series-shaking-slide-kept",
        "series/withhold.py",
        "return withhold_torn(withhold_noise(slide, SLIDE_SCATTER_MM), time_s)",
        "return withhold_torn(slide, time_s)",
        (f"{WALL}::test_slide_of_texture_that_shakes_is_withheld",),
    ),
    Mutant(
        "series-hidden-base-given",
        "series/base.py",
        "if not even_hidden and _is_lowest_hidden(wall):",
        "if False:",
        ("test_series.py::test_base_below_the_picture_withholds_the_frame",),
    ),
    Mutant(
        "series-base-points-down",
        "series/base.py",
        "np.nanmedian(depth[:, inner], axis=0) - depth[:, inner]",
        "depth[:, inner] - np.nanmedian(depth[:, inner], axis=0)",
        (f"{BLADDER}::test_a_lift_is_positive_and_a_descent_negative",),
    ),
    Mutant(
        "series-medial-edge-keeps-the-probe",
        "series/medial_edge.py",
        "value = (moved_px - near)",
        "value = (moved_px)",
        ("test_medial.py::test_motion_of_the_probe_is_removed",),
    ),
    Mutant(
        "series-any-two-looks-agree",
        "series/disputed.py",
        "(apart[compared] > most_apart)",
        "(apart[compared] > 99.0)",
        ("test_second_look.py::test_values_near_a_disputed_look_are_withheld_and_the_others_kept",),
    ),
)

EFFORTS = (
    Mutant(
        "efforts-last-rest-is-the-zero",
        "efforts/windows.py",
        'if window.state == "rest"][:1]',
        'if window.state == "rest"][-1:]',
        (FIRST_REST,),
    ),
    Mutant(
        "efforts-rest-of-any-length",
        "efforts/windows.py",
        "own[np.abs(self.time_s[own] - self.time_s[own[:1]]) <= REST_WINDOW_S]",
        "own",
        ("test_events.py::test_every_repeat_has_its_window_whatever_its_height_and_way",),
    ),
    Mutant(
        "efforts-short-rest-between-coughs",
        "efforts/windows.py",
        ">= SHORTEST_REST_S:",
        ">= 0.0:",
        ("test_events.py::test_coughs_keep_their_peak_at_25_hz_and_share_the_rest_before_them",),
    ),
    Mutant(
        "efforts-dip-measured-from-rest-alone",
        "efforts/windows.py",
        "        if span.on_lift is not None:\n            parts",
        "        if False:\n            parts",
        ("test_stated_task.py::test_each_cough_upon_a_lift_is_measured_by_itself",),
    ),
    Mutant(
        "efforts-still-clip-held",
        "efforts/decode.py",
        "if (path == path[0]).all():",
        "if False:",
        (f"{WALL}::test_low_confidence_widens_the_interval_as_the_weights_say",),
    ),
    Mutant(
        "efforts-doubt-ignored",
        "efforts/decode.py",
        "odds = SURE_ODDS - DOUBT_ODDS * doubt",
        "odds = SURE_ODDS",
        (
            "test_effort_model.py::test_a_lone_frame_is_no_effort_and_doubt_makes_the_number_less_likely",
        ),
    ),
    Mutant(
        "efforts-changes-cost-nothing",
        "efforts/decode.py",
        "step[state, other] = -DIP_COST if is_quick else -CHANGE_COST",
        "step[state, other] = 0.0",
        (
            "test_effort_model.py::test_a_lone_frame_is_no_effort_and_doubt_makes_the_number_less_likely",
        ),
    ),
    Mutant(
        "efforts-task-not-seen",
        "efforts/parts.py",
        "asked[TASKS.index(task)] = is_shown",
        "asked[0] = is_shown",
        ("test_effort_model.py::test_what_is_not_measured_is_marked_and_time_is_the_models",),
    ),
    Mutant(
        "efforts-count-is-never-doubtful",
        "efforts/count.py",
        "if self.is_sure:",
        "if True:",
        (f"{WALL}::test_doubt_about_the_number_of_efforts_is_said",),
    ),
    Mutant(
        "efforts-sure-where-little-is-measured",
        "efforts/efforts.py",
        "reason = why_unsure(rate_hz, float(signals.is_measured.mean()))",
        "reason = why_unsure(rate_hz, 1.0)",
        ("test_effort_model.py::test_where_too_little_of_a_muscle_is_measured_no_number_is_sure",),
    ),
    Mutant(
        "efforts-missed-effort-not-said",
        "efforts/efforts.py",
        "        if self.is_missed:\n",
        "        if False:\n",
        ("test_effort_model.py::test_breathing_alone_is_no_effort",),
    ),
    Mutant(
        "efforts-first-signal-times",
        "efforts/efforts.py",
        "_, _, name = max(own or every)",
        "_, _, name = (own or every)[0]",
        ("test_effort_model.py::test_the_clearest_signal_times_the_efforts",),
    ),
    Mutant(
        "efforts-onset-and-end-exchanged",
        "efforts/course.py",
        "Course(window.repeat, onset_s, full_s, release_s, end_s, rise, fall)",
        "Course(window.repeat, end_s, full_s, release_s, onset_s, rise, fall)",
        ("test_events.py::test_onset_and_hold_are_exact_without_noise_and_spread_grows_with_it",),
    ),
    Mutant(
        "efforts-rest-not-moved-to-a-breath-out",
        "efforts/breathing.py",
        "moved = rest_after_breath_out(signal, spells, windows, smallest)",
        "moved = windows",
        ("test_breathing.py::test_clip_with_breathing_is_measured_at_the_end_of_a_breath_out",),
    ),
)

MEASURES = (
    Mutant(
        "measures-always-sure",
        "measures/error.py",
        "return float(np.median(sure)) if sure.size else 1.0",
        "return 1.0",
        (CONFIDENCE,),
    ),
    Mutant(
        "measures-error-in-pixels",
        "measures/error.py",
        "unit = grid.row_size",
        "unit = 1.0",
        (f"{WALL}::test_interval_grows_with_the_pixel",),
    ),
    Mutant(
        "measures-half-the-interval",
        "measures/measure.py",
        "high=value + Z95 * spread,",
        "high=value + Z95 * spread / 2,",
        ("test_measures.py::test_interval_holds_both_the_weights_error_and_the_spread",),
    ),
    Mutant(
        "measures-one-frame-is-enough",
        "measures/measure.py",
        "if known.size == 0 or known.size < FEWEST_SHARE * values.size:",
        "if known.size == 0:",
        ("test_measures.py::test_window_needs_half_its_frames",),
    ),
    Mutant(
        "measures-pushed-probe-not-said",
        "measures/bladder.py",
        "_largest(probe, levels) > PROBE_LIMIT_MM:",
        "False:",
        (f"{BLADDER}::test_a_probe_pushed_too_far_is_said_and_nothing_is_measured",),
    ),
    Mutant(
        "measures-lost-probe-not-said",
        "measures/bladder.py",
        "if probe is not None and None in levels_of(probe, levels):",
        "if False:",
        ("test_movement.py::test_displacement_with_an_unknown_probe_needs_a_person",),
    ),
    Mutant(
        "measures-effort-hidden-half-the-time",
        "measures/bladder.py",
        "MOST_HIDDEN = 0.1",
        "MOST_HIDDEN = 0.9",
        ("test_movement.py::test_effort_whose_height_may_be_hidden_is_withheld",),
    ),
    Mutant(
        "measures-change-over-the-contracted",
        "measures/thickness.py",
        "share = change / rest.value",
        "share = change / full.value",
        ("test_measures.py::test_ratios_agree_with_the_published_arithmetic",),
    ),
    Mutant(
        "measures-useless-thickness-given",
        "measures/thickness.py",
        "return Z95 * float(np.hypot(error, level.spread)) <= MOST_UNSURE * level.value",
        "return True",
        ("test_measures.py::test_a_thickness_that_may_be_half_wrong_is_left_to_a_person",),
    ),
    Mutant(
        "measures-slide-without-its-rest",
        "measures/slide.py",
        "slide = full.value - rest.value",
        "slide = full.value",
        ("test_movement.py::test_slide_is_relative_to_the_rest_of_its_own_effort",),
    ),
    Mutant(
        "measures-repeats-agree-by-chance",
        "measures/repeats.py",
        "Certainty.of(values, float(np.mean(halves)))",
        "Certainty.of(values, 0.0)",
        ("test_measures.py::test_mean_of_repeats_is_as_unsure_as_its_parts_and_their_spread",),
    ),
    Mutant(
        "measures-mean-of-onsets",
        "measures/repeats.py",
        "if name == NO_MEAN:",
        "if False:",
        ("test_movement.py::test_three_times_have_a_mean_and_two_have_none",),
    ),
    Mutant(
        "measures-hold-from-the-onset",
        "measures/timing.py",
        '("hold_time", course.full_s, course.release_s, (rise, back)),',
        '("hold_time", course.onset_s, course.release_s, (rise, back)),',
        ("test_movement.py::test_times_are_differences_of_the_course",),
    ),
    Mutant(
        "measures-far-end-is-as-sure",
        "measures/medial_edge.py",
        "own = np.hypot(ERROR_MM, ERROR_SHARE * edge.distance_mm)",
        "own = ERROR_MM",
        ("test_medial.py::test_an_end_far_from_the_site_is_less_sure",),
    ),
)

ANALYSIS = (
    Mutant(
        "wall-jumps-kept",
        "analysis/wall.py",
        "tuple(withhold_jumps(quantity, time_s, seen.scale) for quantity in fixed)",
        "fixed",
        (f"{WALL}::test_thickness_that_jumps_is_withheld_and_the_rest_kept",),
    ),
    Mutant(
        "wall-side-always-right",
        "analysis/wall.py",
        "side = lateral_side(spread(seen.edges))",
        "side = 1",
        (f"{WALL}::test_slide_is_positive_towards_lateral_on_either_side_of_the_picture",),
    ),
    Mutant(
        "wall-slide-from-the-key-frame",
        "analysis/wall.py",
        "(from_rest(slide, efforts.windows) for slide in slides if",
        "(slide for slide in slides if",
        (FIRST_REST,),
    ),
    Mutant(
        "wall-medial-edge-from-the-key-frame",
        "analysis/wall.py",
        "from_rest(medial_edge.quantity, efforts.windows)",
        "medial_edge.quantity",
        (FIRST_REST,),
    ),
    Mutant(
        "wall-unknown-lateral-not-said",
        "analysis/wall.py",
        "*(() if is_lateral_known else (LATERAL_UNKNOWN,))",
        "*()",
        (f"{WALL}::test_unknown_lateral_is_said",),
    ),
    Mutant(
        "wall-lateral-always-known",
        "analysis/wall.py",
        "is_lateral_known = bool(side) or not slides",
        "is_lateral_known = True",
        (f"{FILES}::test_files_tell_whether_lateral_is_known",),
    ),
    Mutant(
        "wall-lost-slide-kept",
        "analysis/wall.py",
        "slides.append(withhold_lost(slide, seen.time_s))",
        "slides.append(slide)",
        (f"{WALL}::test_slide_of_texture_that_shakes_is_withheld",),
    ),
    Mutant(
        "wall-disputes-not-said",
        "analysis/wall.py",
        "        *disputes,\n",
        "",
        (f"{WALL}::test_thickness_that_two_looks_dispute_is_withheld_and_said",),
    ),
    Mutant(
        "wall-disputed-thickness-kept",
        "analysis/wall.py",
        "seen.edges, seen.again, site_px, seen.scale, seen.grid, seen.by_hand.placed",
        "seen.edges, {}, site_px, seen.scale, seen.grid, seen.by_hand.placed",
        (f"{WALL}::test_thickness_that_two_looks_dispute_is_withheld_and_said",),
    ),
    Mutant(
        "wall-medial-edge-not-measured",
        "analysis/wall.py",
        "    if medial_edge:\n",
        "    if False:\n",
        (f"{WALL}::test_slide_is_positive_towards_lateral_on_either_side_of_the_picture",),
    ),
    Mutant(
        "bladder-probe-not-removed",
        "analysis/bladder.py",
        "without_probe(seen.motions, clip.spacing, clip.area)",
        "without_probe((), clip.spacing, clip.area)",
        (f"{BLADDER}::test_motion_of_the_probe_is_removed_from_the_base",),
    ),
    Mutant(
        "bladder-base-keeps-the-probe",
        "analysis/bladder.py",
        "base, base_px = base_series(edges, scale, time_s, settle)",
        "base, base_px = base_series(edges, scale, time_s)",
        (f"{BLADDER}::test_motion_of_the_probe_is_removed_from_the_base",),
    ),
    Mutant(
        "bladder-unknown-push-not-said",
        "analysis/bladder.py",
        "cautions = () if settle or clip.is_still else (PUSH_UNKNOWN,)",
        "cautions = ()",
        (f"{BLADDER}::test_a_probe_whose_motion_is_unknown_is_said",),
    ),
    Mutant(
        "bladder-noise-kept",
        "analysis/bladder.py",
        "base = withhold_noise(base, BASE_SCATTER_MM * unit)",
        "pass",
        (f"{BLADDER}::test_a_base_that_shakes_is_withheld",),
    ),
    Mutant(
        "bladder-zero-at-the-start",
        "analysis/bladder.py",
        "    base = from_rest(base, efforts.windows)\n",
        "",
        (f"{BLADDER}::test_the_rest_before_the_effort_is_the_zero_of_the_base",),
    ),
    Mutant(
        "bladder-wall-beside-a-hidden-base-ignored",
        "analysis/bladder.py",
        'known = {"base": base.value / unit, "base beside": beside.value / unit}',
        'known = {"base": base.value / unit}',
        ("test_bladder_clip.py::test_wall_beside_a_hidden_base_tells_when_the_effort_was",),
    ),
    Mutant(
        "analysis-count-not-said",
        "analysis/analysis.py",
        "(*efforts.cautions, *_range_cautions",
        "(*(), *_range_cautions",
        (f"{WALL}::test_doubt_about_the_number_of_efforts_is_said",),
    ),
    Mutant(
        "analysis-scale-not-said",
        "analysis/analysis.py",
        ", *_range_cautions(segmenter, seen.grid))",
        ",)",
        (f"{WALL}::test_scale_outside_training_is_said",),
    ),
    Mutant(
        "analysis-unjudged-weights-measure",
        "analysis/analysis.py",
        "    check_judged(segmenter)\n",
        "",
        ("test_measure_command.py::test_weights_of_unknown_error_are_refused_before_any_frame",),
    ),
    Mutant(
        "analysis-site-not-sought-late",
        "analysis/footage.py",
        "if is_wall and site_px is None:",
        "if False:",
        ("test_measure_command.py::test_site_is_found_late_when_no_tra_is_seen_first",),
    ),
    Mutant(
        "analysis-a-lift-that-is-not-seen-is-not-said",
        "analysis/bladder.py",
        "not is_still and unlifted:",
        "is_still and unlifted:",
        ("test_stated_task.py",),
    ),
    Mutant(
        "analysis-second-look-only-once",
        "analysis/footage.py",
        "again[len(recording)] = other",
        "again[0] = other",
        (f"{WALL}::test_thickness_that_two_looks_dispute_is_withheld_and_said",),
    ),
    Mutant(
        "pair-probe-not-said",
        "analysis/pair.py",
        "        cautions = (PROBE_UNKNOWN,)\n",
        "",
        (
            "test_session_pairs.py::test_bladder_stills_give_the_displacement_and_say_what_is_unknown",
        ),
    ),
)

REPORT = (
    Mutant(
        "report-missing-value-is-a-number",
        "report/tables.py",
        'yield "", "0"',
        'yield "nan", "0"',
        ("test_report.py::test_missing_value_is_empty_with_confidence_zero",),
    ),
    Mutant(
        "report-cautions-of-the-analysis-left-out",
        "report/page.py",
        "(*clip.cautions, *content.analysis.cautions)",
        "(*clip.cautions,)",
        (f"{FILES}::test_files_tell_whether_lateral_is_known",),
    ),
    Mutant(
        "report-headline-claims-what-may-be-none",
        "report/page.py",
        "    if holds_zero(main):\n",
        "    if False:\n",
        ("test_report.py::test_headline_states_a_change_only_beyond_its_interval",),
    ),
    Mutant(
        "report-missing-reasons-left-out",
        "report/page.py",
        "if measure.status is Status.NEEDS_MANUAL:",
        "if False:",
        ("test_report.py::test_page_says_what_could_not_be_measured",),
    ),
    Mutant(
        "report-quiet-by-the-value-alone",
        "report/patterns.py",
        "and max(abs(low), abs(high)) <= QUIET_PERCENT",
        "and min(abs(low), abs(high)) <= QUIET_PERCENT",
        ("test_session_numbers.py::test_quiet_needs_the_whole_interval_within_the_tolerance",),
    ),
    Mutant(
        "report-overlay-with-another-frames-words",
        "report/overlay.py",
        "caption = caption_of(self._series, self._windows, frame.index)",
        "caption = caption_of(self._series, self._windows, 0)",
        ("test_overlay.py::test_video_shows_the_words_of_each_frame",),
    ),
    Mutant(
        "report-overlay-of-even-times",
        "report/overlay.py",
        "picture.pts = round((frame.time_s - self._first_s) / TIME_BASE)",
        "picture.pts = frame.index * 3000",
        ("test_overlay.py::test_video_decodes_with_every_frame_at_its_time",),
    ),
    Mutant(
        "report-screen-around-the-image-shown",
        "report/key_frames.py",
        "Frame(frame.index, frame.time_s, frame.pixels[area.slices])",
        "Frame(frame.index, frame.time_s, frame.pixels)",
        ("test_measure_command.py::test_screen_around_the_image_stays_out_of_every_picture",),
    ),
)

EXCHANGE = (
    Mutant(
        "exchange-upper-and-lower-exchanged",
        "exchange/sr.py",
        "upper_measurement_uncertainty=round(measure.high - measure.value, 4),\n"
        "            lower_measurement_uncertainty=round(measure.value - measure.low, 4),",
        "upper_measurement_uncertainty=round(measure.value - measure.low, 4),\n"
        "            lower_measurement_uncertainty=round(measure.high - measure.value, 4),",
        (f"{FILES}::test_report_tells_upper_and_lower_uncertainty_apart",),
    ),
    Mutant(
        "exchange-frames-counted-from-0",
        "exchange/sr.py",
        "[k + 1 for k in frames]",
        "[k for k in frames]",
        ("test_exchange.py::test_exports_stand_beside_the_other_files",),
    ),
    Mutant(
        "exchange-identity-kept",
        "exchange/reference.py",
        "kept = whole.get(keyword) if keep_identifiers else None",
        "kept = whole.get(keyword)",
        ("test_exchange.py::test_identity_passes_only_when_kept",),
    ),
    Mutant(
        "exchange-fhir-is-final",
        "exchange/fhir.py",
        'Status.DRAFT: "preliminary",',
        'Status.DRAFT: "final",',
        ("test_exchange.py::test_observations_are_preliminary_and_keep_units",),
    ),
    Mutant(
        "exchange-fhir-ends-exchanged",
        "exchange/fhir.py",
        '(("low", measure.low), ("high", measure.high))',
        '(("low", measure.high), ("high", measure.low))',
        ("test_exchange.py::test_observations_are_preliminary_and_keep_units",),
    ),
    Mutant(
        "exchange-outlines-of-the-next-frame",
        "exchange/seg.py",
        "source.ReferencedFrameNumber = index + 1",
        "source.ReferencedFrameNumber = index + 2",
        ("test_exchange.py::test_segmentation_outlines_every_frame_as_it_was_drawn",),
    ),
)

SESSION = (
    Mutant(
        "session-a-way-that-is-unknown-is-told",
        "session/results.py",
        "return self.reason == LATERAL_UNKNOWN",
        "return False",
        ("test_record.py",),
    ),
    Mutant(
        "session-two-times-have-a-mean",
        "session/results.py",
        "if is_too_few(mean.unit, certainty.count):",
        "if False:",
        ("test_session.py::test_onset_within_a_clip_has_no_mean",),
    ),
    Mutant(
        "session-table-in-the-folder-is-not-read",
        "session/plan.py",
        "if (source / TABLE).is_file():",
        "if False:",
        ("test_plan_table.py::test_a_folder_holds_what_the_table_in_it_says",),
    ),
    Mutant(
        "session-right-minus-left",
        "session/results.py",
        "_difference(row, other), side=BETWEEN_SIDES",
        "_difference(other, row), side=BETWEEN_SIDES",
        ("test_session_signs.py::test_sides_are_left_minus_right_with_the_errors_of_both",),
    ),
    Mutant(
        "session-plain-minus-lifted",
        "session/results.py",
        "_difference(row, other),\n                        task=",
        "_difference(other, row),\n                        task=",
        (
            "test_session_signs.py::test_effect_is_lifted_minus_plain_so_that_less_descent_is_positive",
        ),
    ),
    Mutant(
        "session-slides-of-unknown-side-compared",
        "session/results.py",
        "means = [row for row in means if row.is_comparable and row.value is not None]",
        "means = [row for row in means if row.value is not None]",
        ("test_session_numbers.py::test_slide_whose_direction_is_unknown_is_not_compared",),
    ),
    Mutant(
        "session-difference-of-one-error",
        "session/results.py",
        "half = half_of_difference(first.certainty, second.certainty)",
        "half = first.certainty.half",
        ("test_session_signs.py::test_sides_are_left_minus_right_with_the_errors_of_both",),
    ),
    Mutant(
        "session-change-within-error-is-larger",
        "session/against.py",
        "LARGER if abs(change) > half else UNSURE",
        "LARGER",
        ("test_session_numbers.py::test_verdict_needs_more_than_both_errors",),
    ),
    Mutant(
        "session-change-the-other-way",
        "session/against.py",
        "change = row.value - other.value",
        "change = other.value - row.value",
        ("test_session_signs.py::test_change_is_now_minus_earlier",),
    ),
    Mutant(
        "session-more-repeats-than-known",
        "session/detectable.py",
        "            and change.repeats <= repeats\n",
        "",
        ("test_agreement_reliability.py::test_more_repeats_than_known_never_count_as_better",),
    ),
    Mutant(
        "session-sides-said-within-error",
        "session/sentences.py",
        "if is_new and row.excludes_zero and row.parts is not None:",
        "if is_new and row.parts is not None:",
        ("test_session_numbers.py::test_differences_are_said_only_beyond_their_interval_and_once",),
    ),
    Mutant(
        "session-other-weights-not-said",
        "session/visit.py",
        'for name in ("weights", "site"):',
        'for name in ("site",):',
        ("test_session_signs.py::test_visits_measured_in_another_way_are_said_to_be",),
    ),
)

AGREEMENT = (
    Mutant(
        "agreement-limits-at-one-sd",
        "agreement/limits.py",
        "lower=Estimate(bias - multiplier * sd, bias - far, bias - near),",
        "lower=Estimate(bias - sd, bias - far, bias - near),",
        ("test_agreement_limits.py::test_peak_flow_gives_published_bias_and_limits",),
    ),
    Mutant(
        "agreement-interval-of-the-bias",
        "agreement/limits.py",
        "half = t_quantile(count - 1) * sd / math.sqrt(count)",
        "half = t_quantile(count - 1) * sd",
        ("test_agreement_limits.py::test_interval_of_the_bias_is_that_of_a_t_test",),
    ),
    Mutant(
        "agreement-icc-without-raters",
        "agreement/icc.py",
        "own.between + (k - 1) * own.residual + k * (own.judges - own.residual) / n,",
        "own.between + (k - 1) * own.residual,",
        ("test_agreement_icc.py::test_shrout_and_fleiss_table",),
    ),
    Mutant(
        "agreement-icc-of-one-for-the-mean",
        "agreement/icc.py",
        "return _ratio(k * coefficient, 1 + (k - 1) * coefficient)",
        "return coefficient",
        ("test_agreement_icc.py::test_shrout_and_fleiss_table",),
    ),
    Mutant(
        "agreement-two-raters-stand-for-all",
        "agreement/icc.py",
        "if own.raters < FEWEST_RATERS:",
        "if False:",
        ("test_agreement_icc.py::test_two_raters_give_no_error_of_any_rater",),
    ),
    Mutant(
        "agreement-offsets-of-raters-forgotten",
        "agreement/icc.py",
        "offset = raters * (judges - residual) / targets",
        "offset = 0.0 * judges",
        ("test_agreement_plan.py::test_interval_of_a_simulated_study_is_as_wide_as_planned",),
    ),
    Mutant(
        "agreement-slope-of-minus-one-kept",
        "agreement/regression.py",
        "counts = ~np.isnan(own) & (np.abs(right + up) > nearest_x + nearest_y)",
        "counts = ~np.isnan(own) & (own != -1)",
        ("test_agreement_regression.py::test_passing_bablok_does_not_depend_on_the_unit",),
    ),
    Mutant(
        "agreement-manual-minus-auto",
        "agreement/study.py",
        "difference=first - second",
        "difference=second - first",
        ("test_agreement_command.py::test_figures_are_those_of_the_data",),
    ),
    Mutant(
        "agreement-units-not-checked",
        "agreement/units.py",
        "if _is_slip(np.array([middle, 1 / middle]), factor).any():",
        "if False:",
        ("test_agreement_table.py::test_unusable_row_is_named",),
    ),
)

LAB = (
    Mutant(
        "lab-one-uid-kept",
        "lab/deidentify.py",
        '"SynchronizationFrameOfReferenceUID": Action.REPLACE_UID,',
        '"SynchronizationFrameOfReferenceUID": Action.KEEP,',
        (f"{FILES}::test_every_uid_of_the_source_is_replaced_or_gone",),
    ),
    Mutant(
        "lab-uids-as-they-were",
        "lab/deidentify.py",
        "setattr(cleaned, keyword, secret.replaced_uid(str(element.value)))",
        "setattr(cleaned, keyword, element.value)",
        (f"{FILES}::test_every_uid_of_the_source_is_replaced_or_gone",),
    ),
    Mutant(
        "lab-a-tag-missing-from-the-profile",
        "lab/deidentify.py",
        '    "StudyTime": Action.EMPTY,\n',
        "",
        ("test_lab_import.py::test_header_follows_the_profile",),
    ),
    Mutant(
        "lab-hidden-text-kept",
        "lab/deidentify.py",
        "        return element.VR in NUMBERS\n",
        "        return True\n",
        ("test_lab_import.py::test_text_hidden_under_another_representation_goes",),
    ),
    Mutant(
        "lab-screen-around-the-image-kept",
        "lab/storing.py",
        "masked = np.zeros_like(frame.pixels)",
        "masked = frame.pixels.copy()",
        ("test_lab_import.py::test_pixels_are_kept_inside_the_image_and_black_around",),
    ),
    Mutant(
        "lab-consent-never-ends",
        "consent/ledger.py",
        "if e.expiry is None or on <= e.expiry)",
        ")",
        ("test_lab_consent.py::test_consent_holds_from_its_first_to_its_last_day",),
    ),
    Mutant(
        "lab-consent-from-the-beginning",
        "consent/ledger.py",
        "begun = [entry for entry in entries if entry.day <= on]",
        "begun = [entry for entry in entries]",
        ("test_lab_consent.py::test_consent_holds_from_its_first_to_its_last_day",),
    ),
    Mutant(
        "lab-consent-not-asked",
        "lab/importing.py",
        "if consents.get(subject):",
        "if True:",
        ("test_lab_import.py::test_subjects_without_valid_consent_stay_out",),
    ),
    Mutant(
        "lab-secret-for-everyone",
        "lab/secret.py",
        'if os.name == "posix" and mode & OTHERS:',
        "if False:",
        ("test_lab_consent.py::test_secret_is_the_owners_alone",),
    ),
    Mutant(
        "lab-nothing-found-is-left-out",
        "lab/metrics.py",
        'return MaskScore(0.0, float("nan"), float("nan"))',
        'return MaskScore(float("nan"), float("nan"), float("nan"))',
        ("test_lab_metrics.py::test_finding_nothing_is_not_perfect",),
    ),
)

MODELS = (
    Mutant(
        "models-altered-weights-promoted",
        "models/registry.py",
        "sha256 = self.checked(name)\n        judged",
        "sha256 = self.card_sum(name)\n        judged",
        ("test_lab_registry.py::test_altered_weights_are_refused_and_listed_as_such",),
    ),
    Mutant(
        "models-worse-weights-promoted",
        "models/registry.py",
        "if judged.judgement.objections:\n            raise",
        "if False:\n            raise",
        ("test_lab_registry.py::test_unjudged_and_worse_weights_are_refused",),
    ),
    Mutant(
        "models-judgement-of-other-weights",
        "models/registry.py",
        "return result if (result.before, result.after) == (before, after) else None",
        "return result",
        ("test_lab_registry.py::test_a_judgement_counts_for_its_two_weights_alone",),
    ),
    Mutant(
        "models-forgetting-is-no-objection",
        "models/judging.py",
        "if grown > FORGETTING_PERCENT / 100:",
        "if False:",
        ("test_lab_judging.py::test_forgetting_is_an_objection",),
    ),
    Mutant(
        "models-higher-dice-is-a-loss",
        "models/judging.py",
        "sign = -1 if row.metric is Metric.DICE else 1",
        "sign = 1",
        ("test_lab_judging.py::test_worse_weights_meet_objections",),
    ),
)

COMMANDS = (
    Mutant(
        "commands-demo-names-what-cannot-be-typed",
        "commands/demo.py",
        "{command_here()} review",
        "layermotion review",
        ("test_demo.py::test_it_leaves_what_the_next_command_opens",),
    ),
    Mutant(
        "commands-demo-leaves-no-scale",
        "commands/demo.py",
        'spacing or "",',
        '"",',
        ("test_demo.py::test_it_leaves_what_the_next_command_opens",),
    ),
    Mutant(
        "commands-calibrate-without-further-bladders",
        "commands/lab_learn.py",
        "numbers = calibration_numbers(count)",
        "numbers = calibration_numbers(0)",
        ("test_lab_life.py",),
    ),
    Mutant(
        "commands-finished-under-other-settings",
        "commands/session.py",
        'isinstance(document, dict) and document.get("settings") == settings',
        "isinstance(document, dict)",
        ("test_session_again.py",),
    ),
    Mutant(
        "commands-settings-not-in-the-fingerprint",
        "commands/session.py",
        "repr((*parts, measured))",
        "repr(parts)",
        ("test_session_again.py",),
    ),
    Mutant(
        "commands-names-in-failures",
        "commands/session.py",
        "reason = words if options.keep_identifiers else _without_names(words, item)",
        "reason = words",
        ("test_session.py::test_names_of_files_and_people_stay_out_of_the_visit",),
    ),
    Mutant(
        "commands-same-pictures-twice",
        "commands/session.py",
        "        if other.clip == clip.clip_id:\n",
        "        if False:\n",
        ("test_session.py::test_failed_recordings_are_named_and_the_others_written",),
    ),
    Mutant(
        "commands-lateral-not-written",
        "commands/results.py",
        '"known" if analysis.is_lateral_known else "unknown"',
        '"known"',
        (f"{FILES}::test_files_tell_whether_lateral_is_known",),
    ),
    Mutant(
        "commands-failures-are-code-0",
        "commands/measure.py",
        "return 1 if failures else 0",
        "return 0",
        ("test_measure_command.py::test_one_broken_source_does_not_stop_the_others",),
    ),
)

REST = (
    Mutant(
        "files-written-in-place",
        "files.py",
        "        os.replace(temporary, target)\n",
        "        target.write_bytes(temporary.read_bytes())\n",
        (f"{FILES}::test_a_reader_of_the_old_file_keeps_it_whole",),
    ),
    Mutant(
        "files-temporary-left-behind",
        "files.py",
        "        temporary.unlink(missing_ok=True)\n",
        "        pass\n",
        ("test_files.py::test_writer_that_raises_leaves_nothing",),
    ),
    Mutant(
        "files-temporary-elsewhere",
        "files.py",
        ", dir=target.parent\n",
        ",\n",
        (f"{FILES}::test_a_file_is_replaced_in_one_step_within_its_folder",),
    ),
)

# What is said of a visit and its recordings, and what is withheld with it.
SAID = (
    Mutant(
        "withheld-shown-all-the-same",
        "measures/withheld.py",
        "return quantity.without(np.flatnonzero(hidden[nearest]))",
        "return quantity",
        ("test_withheld.py",),
    ),
    Mutant(
        "withheld-of-any-structure",
        "measures/withheld.py",
        "if structure == quantity.structure",
        "if structure",
        ("test_withheld.py",),
    ),
    Mutant(
        "causes-jumps-called-disputed",
        "series/causes.py",
        "causes[jumped] = Cause.JUMPED",
        "causes[jumped] = Cause.DISPUTED",
        ("test_reasons.py",),
    ),
    Mutant(
        "causes-ends-and-unclear-exchanged",
        "series/causes.py",
        "Cause.ENDS: confidence >= GIVEN_CONFIDENCE * near.sum(axis=1),",
        "Cause.ENDS: confidence < GIVEN_CONFIDENCE * near.sum(axis=1),",
        ("test_reasons.py",),
    ),
    Mutant(
        "identity-other-birth-is-one-person",
        "session/identity.py",
        'for p in ("number", "issuer", "birth"))',
        'for p in ("number", "issuer"))',
        ("test_identity.py::test_what_both_state_decides",),
    ),
    Mutant(
        "identity-other-day-not-asked",
        "session/identity.py",
        "bool(self.days and other.days) and not self.days & other.days",
        "False",
        ("test_identity.py::test_different_days_stop_where_nobody_can_be_asked",),
    ),
    Mutant(
        "identity-earlier-person-not-compared",
        "session/identity.py",
        "        raise InputError(OTHER_PERSON)\n",
        "        pass\n",
        ("test_identity.py::test_an_earlier_visit_of_another_person_stops",),
    ),
    Mutant(
        "record-tasks-in-another-order",
        "session/record.py",
        "list(Side).index(Side(side)), tasks.index(task)",
        "list(Side).index(Side(side)), -tasks.index(task)",
        ("test_record.py",),
    ),
    Mutant(
        "page-appendix-on-the-record",
        "session/visit.html.j2",
        ".appendix { break-before: page; }",
        "",
        ("test_printed.py",),
    ),
    Mutant(
        "rest-effort-not-said",
        "efforts/efforts.py",
        "at_rest = count.number if task is Task.REST else 0",
        "at_rest = 0",
        ("test_stated_task.py",),
    ),
    Mutant(
        "rest-shortest-kept",
        "efforts/windows.py",
        "key=lambda span: span[0] - span[1])[:1]",
        "key=lambda span: span[1] - span[0])[:1]",
        ("test_events.py::test_the_longest_rest_of_a_recording_of_rest_is_kept",),
    ),
    Mutant(
        "rest-sought-in-a-held-lift",
        "efforts/breathing.py",
        "is_other = ~spells.is_rest",
        "is_other = np.zeros(spells.time_s.size, bool)",
        ("test_stated_task.py",),
    ),
    Mutant(
        "lift-in-a-strain-not-said",
        "analysis/bladder.py",
        "    if task not in DESCENDING:\n",
        "    if True:\n",
        ("test_stated_task.py",),
    ),
    Mutant(
        "drop-upside-down",
        "measures/bladder.py",
        'sign = -1 if part == "lift_drop" else 1',
        "sign = 1",
        ("test_stated_task.py",),
    ),
    Mutant(
        "mean-of-opposite-ways",
        "measures/repeats.py",
        "if is_opposite or agreement is Agreement.NOT_ONE:",
        "if agreement is Agreement.NOT_ONE:",
        ("test_measures.py::test_efforts_that_went_opposite_ways_have_no_mean",),
    ),
    Mutant(
        "change-of-another-part-given",
        "measures/thickness.py",
        "return abs(full / rest - own_full / own_rest) > OTHER_SHARE",
        "return False",
        ("test_measures.py::test_a_change_of_another_part_of_the_muscle_is_withheld",),
    ),
    Mutant(
        "wall-tissue-not-compared",
        "analysis/wall.py",
        "series, efforts.windows, seen.task, error, method, unseen, tissue",
        "series, efforts.windows, seen.task, error, method, unseen",
        (f"{WALL}::test_a_taper_that_slides_past_the_site_is_said",),
    ),
    Mutant(
        "site-anywhere-along-the-muscle",
        "edges/site.py",
        "reach + int(cost.argmin())",
        "reach + int(np.flatnonzero(is_tra)[0])",
        ("test_measures.py::test_the_most_even_site_lies_where_no_muscle_tapers",),
    ),
    Mutant(
        "arrows-against-the-picture",
        "report/arrows.py",
        "site_px + before.column_px + carried[1].column_px - carried[0].column_px,",
        "site_px + before.column_px,",
        ("test_arrows.py::test_arrows_are_against_the_eo_as_the_numbers_are",),
    ),
)

DESK_TESTS = ("test_review_corrections.py",)
DESK = (
    Mutant(
        "desk-edge-in-one-frame-alone",
        "review/applying.py",
        "range(own[0].first, own[0].last + 1) if own else range(frame, frame + 1)",
        "range(frame, frame + 1)",
        DESK_TESTS,
    ),
    Mutant(
        "desk-edge-stays-while-tissue-moves",
        "review/applying.py",
        "return (0.0, 0.0) if np.isnan(column + row) else (column, row)",
        "return 0.0, 0.0",
        DESK_TESTS,
    ),
    Mutant(
        "desk-neighbours-stand-in-the-way",
        "review/applying.py",
        "give_way = np.minimum if which < mine else np.maximum",
        "give_way = np.maximum if which < mine else np.minimum",
        DESK_TESTS,
    ),
    Mutant(
        "desk-placed-edge-disputed",
        "series/disputed.py",
        "disputed &= ~placed",
        "disputed &= True",
        DESK_TESTS,
    ),
    Mutant(
        "desk-placed-edge-withheld-as-a-jump",
        "analysis/wall.py",
        "thickness = settled(smooth, fixed, seen.by_hand)",
        "thickness = smooth",
        DESK_TESTS,
    ),
    Mutant(
        "desk-change-of-what-was-measured-withheld-as-a-taper",
        "analysis/wall.py",
        "tissue = tuple(each for each in tissue if each.structure not in seen.by_hand.layers)",
        "tissue = tuple(tissue)",
        DESK_TESTS,
    ),
    Mutant(
        "desk-calliper-columns-as-rows",
        "review/applying.py",
        "(calliper.end[1] - calliper.start[1]) * scale.column,",
        "(calliper.end[1] - calliper.start[1]) * scale.row,",
        DESK_TESTS,
    ),
    Mutant(
        "desk-rest-lost-with-its-repeat",
        "review/applying.py",
        "kept.append(replace(window, repeat=later[0]))",
        "pass",
        DESK_TESTS,
    ),
    Mutant(
        "desk-changed-value-stays-confirmed",
        "review/confirming.py",
        "if not is_same(measure.value, confirmed.get(key)):",
        "if key not in confirmed:",
        DESK_TESTS,
    ),
    Mutant(
        "desk-corrected-passes-for-confirmed",
        "review/confirming.py",
        "return Status.CONFIRMED if is_automatic else Status.CORRECTED",
        "return Status.CONFIRMED",
        DESK_TESTS,
    ),
    Mutant(
        "desk-derived-confirmed-before-its-sources",
        "review/confirming.py",
        "if own and Status.DRAFT not in own:",
        "if own:",
        DESK_TESTS,
    ),
    Mutant(
        "desk-efforts-sought-again",
        "analysis/analysis.py",
        "found = measure(seen, segmenter, settled)",
        "found = measure(seen, segmenter)",
        DESK_TESTS,
    ),
    Mutant(
        "efforts-steps-not-followed",
        "efforts/efforts.py",
        "if full_s - course.full_s > STEP_S:",
        "if False:",
        ("test_effort_model.py::test_an_effort_that_rises_in_steps_is_full_at_the_last_of_them",),
    ),
)

STORE_TESTS, CHAIN_TESTS, COPY_TESTS, CHART_TESTS = (
    "test_store.py", "test_store_chain.py", "test_store_copies.py", "test_chart.py",
)  # fmt: skip
RECORD = (
    Mutant(
        "record-deleted-text-not-overwritten",
        "record/database.py",
        '"secure_delete = ON"',
        '"secure_delete = OFF"',
        (f"{COPY_TESTS}::test_a_deletion_stopped_before_its_end_is_finished_when_opened_again",),
    ),
    Mutant(
        "record-file-not-written-anew",
        "record/database.py",
        'self._connection.execute("VACUUM")',
        'self._connection.execute("SELECT 1")',
        (f"{COPY_TESTS}::test_nothing_of_a_deleted_patient_is_left_in_any_byte",),
    ),
    Mutant(
        "record-stopped-deletion-left",
        "record/erasure.py",
        "    if last > cleared:",
        "    if last > cleared + 999:",
        (f"{COPY_TESTS}::test_a_deletion_stopped_before_its_end_is_finished_when_opened_again",),
    ),
    Mutant(
        "record-unfinished-copy-left",
        "record/erasure.py",
        "    remove_unfinished(database.path)\n",
        "",
        (f"{COPY_TESTS}::test_restoring_killed_before_its_end_leaves_the_record_as_it_was",),
    ),
    Mutant(
        "record-deleted-patient-restored",
        "record/copies.py",
        "                    if deletions:\n                        erase(copy, deletions)",
        "                    if not deletions:\n                        erase(copy, [])",
        (f"{COPY_TESTS}::test_a_back_up_from_before_does_not_bring_a_deleted_patient_back",),
    ),
    Mutant(
        "record-restored-unchecked",
        "record/copies.py",
        "            check_all(copy)\n            current",
        "            current",
        (f"{COPY_TESTS}::test_a_record_in_use_and_a_bad_back_up_are_not_put_in_place",),
    ),
    Mutant(
        "record-restored-under-a-program",
        "record/copies.py",
        "                    current.take()\n",
        "",
        (f"{COPY_TESTS}::test_a_record_in_use_and_a_bad_back_up_are_not_put_in_place",),
    ),
    Mutant(
        "record-text-put-back",
        "record/log.py",
        "wrong = missing ^ erased",
        "wrong = missing - erased",
        (f"{CHAIN_TESTS}::test_a_deleted_text_put_back_as_it_was_is_found",),
    ),
    Mutant(
        "record-silent-removal",
        "record/log.py",
        "wrong = missing ^ erased",
        "wrong = erased - missing",
        (f"{CHAIN_TESTS}::test_the_first_event_that_does_not_fit_is_named",),
    ),
    Mutant(
        "record-end-cut-off",
        "record/log.py",
        "        wrong.add(number + 1)",
        "        wrong.discard(number + 1)",
        (f"{CHAIN_TESTS}::test_events_taken_off_the_end_are_found",),
    ),
    Mutant(
        "record-chain-made-otherwise",
        "record/chain.py",
        'previous + number.to_bytes(8, "big") + digest',
        "previous + digest + bytes(8)",
        (f"{STORE_TESTS}::test_a_file_of_version_1_opens",),
    ),
    Mutant(
        "record-two-writers-one-number",
        "record/database.py",
        'self._connection.execute("BEGIN IMMEDIATE")',
        'self._connection.execute("BEGIN")',
        (f"{STORE_TESTS}::test_two_processes_write_into_one_record_and_no_event_is_lost",),
    ),
    Mutant(
        "record-foreign-trigger",
        "record/database.py",
        "            self._check_tables()\n",
        "",
        (f"{STORE_TESTS}::test_tables_that_are_not_ours_are_refused",),
    ),
    Mutant(
        "record-rights-of-others",
        "record/database.py",
        "            os.chmod(path, 0o600)\n",
        "",
        (f"{STORE_TESTS}::test_only_its_owner_may_read_it",),
    ),
    Mutant(
        "record-signed-visit-corrected",
        "record/store.py",
        "                refuse_signed(visit)\n            elif",
        "                pass\n            elif",
        (f"{STORE_TESTS}::test_a_signed_visit_takes_amendments_alone",),
    ),
    Mutant(
        "record-name-as-code",
        "record/codes.py",
        " or NAME_LIKE.search(code)",
        "",
        (f"{STORE_TESTS}::test_a_code_that_may_give_a_person_away_is_refused_and_not_repeated",),
    ),
    Mutant(
        "record-detectable-of-more-repeats",
        "record/chart.py",
        "min(row.repeats, first.repeats)",
        "max(row.repeats, first.repeats)",
        (
            f"{CHART_TESTS}::test_the_clinics_own_change_goes_by_the_fewer_repeats_and_the_words_by_direction",
        ),
    ),
    Mutant(
        "record-slide-of-unknown-side",
        "record/chart.py",
        'clip.facts.get("lateral") != "unknown"',
        'clip.facts.get("lateral") != "unclear"',
        (f"{CHART_TESTS}::test_a_slide_of_unknown_direction_takes_no_part",),
    ),
    Mutant(
        "record-visits-swapped",
        "record/chart.py",
        "key=lambda each: each.visit.day)",
        "key=lambda each: -each.visit.day.toordinal())",
        (f"{CHART_TESTS}::test_two_visits_are_compared_in_whichever_order_they_come",),
    ),
)

MUTANTS = (
    *CLIP, *NETWORK, *EDGES, *TISSUE, *SERIES, *EFFORTS, *MEASURES, *ANALYSIS, *REPORT, *EXCHANGE,
    *SESSION, *SAID, *AGREEMENT, *LAB, *MODELS, *COMMANDS, *REST, *DESK, *RECORD,
)  # fmt: skip
