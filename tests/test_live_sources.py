"""Where live frames come from and go to: players, devices, folders, memory, recordings."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import count
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from screens import linear_screen
from standin import (
    SPACING,
    analysed,
    draw_frames,
    draw_texture,
    make_clip,
    truth_segmenter,
    wall_with_end,
    write_dicom,
    write_video,
)
from starlette.applications import Starlette
from starlette.routing import WebSocketRoute
from starlette.testclient import TestClient

import layermotion.live.arrivals as arriving
import layermotion.live.taking as taking_from
from layermotion.clip import Frame
from layermotion.clip.source import SourceOptions, open_clip
from layermotion.commands.live import Measuring, is_watched
from layermotion.commands.measure import MeasureOptions
from layermotion.edges.site import parse_site
from layermotion.errors import InputError, MeasurementError
from layermotion.labels import View
from layermotion.live.arrivals import Arrivals
from layermotion.live.live import Live, State
from layermotion.live.memory import KEPT_S, MOST_BYTES, Memory
from layermotion.live.messages import patient_message, picture_message, state_message
from layermotion.live.newest import Newest
from layermotion.live.outcome import Outcome
from layermotion.live.practice import Phase, Target
from layermotion.live.quantity import Rest
from layermotion.live.recorder import Recorder
from layermotion.live.server import _stream
from layermotion.live.taking import Device, Player, Taken, cut_to_image, open_source

NO_OPTIONS = SourceOptions()


def taken(count: int, rate_hz: float = 10.0) -> list[Taken]:
    frames = make_clip([draw_texture()] * count, rate_hz=rate_hz).frames()
    return [Taken(frame, 1000.0 + frame.time_s) for frame in frames]


def test_a_clip_is_played_at_its_own_speed_and_again_with_times_that_go_on() -> None:
    player = Player(make_clip([draw_texture()] * 6, rate_hz=20.0))
    started_s = time.monotonic()
    first = list(player.taken(threading.Event()))
    assert 0.25 <= time.monotonic() - started_s < 2.0
    again = list(player.taken(threading.Event()))
    times = [one.frame.time_s for one in (*first, *again)]
    assert [one.frame.index for one in (*first, *again)] == list(range(12))
    assert (np.diff(times) > 0).all()
    np.testing.assert_allclose(np.diff(times[:6]), 0.05, atol=1e-6)
    assert abs(time.time() - again[-1].at_s) < 1.0


def test_a_player_ends_at_once_when_it_is_told_to() -> None:
    stop = threading.Event()
    stop.set()
    assert list(Player(make_clip([draw_texture()] * 6, rate_hz=1.0)).taken(stop)) == []


def test_a_single_image_cannot_be_played(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "rest.png"), draw_texture())
    with pytest.raises(InputError, match=r"rest.png is a single image, and cannot be played"):
        open_source(str(tmp_path / "rest.png"), NO_OPTIONS)


def test_a_device_that_is_not_there_is_said() -> None:
    with pytest.raises(InputError, match="The capture device 97 cannot be opened"):
        open_source("97", NO_OPTIONS)


def test_a_device_gives_its_image_area_until_it_gives_no_picture(tmp_path: Path) -> None:
    pictures = [draw_texture(seed=number) for number in range(50)]
    screen = [np.pad(picture, ((40, 40), (60, 100))) for picture in pictures]
    # OpenCV reads a file as it reads a device.
    device = Device(str(write_video(tmp_path / "device.mp4", screen)), SourceOptions(depth_mm=60))
    area = device.clip.area
    assert (area.top, area.left) == (0, 0)
    assert abs(area.height - 320) <= 8 and abs(area.width - 240) <= 8
    assert device.clip.spacing is not None
    assert device.clip.spacing.row_mm == pytest.approx(60 / area.height)
    frames = device.taken(threading.Event())
    first, second = next(frames), next(frames)
    assert first.frame.pixels.shape == (area.height, area.width)
    assert second.frame.time_s > first.frame.time_s
    assert first.frame.pixels.std() > 10
    later = [second]
    with pytest.raises(InputError, match="gives no picture; check the cable"):
        later.extend(frames)
    # It gives pictures again, at times and with numbers that go on.
    assert device._capture.set(cv2.CAP_PROP_POS_FRAMES, 0)
    again = next(device.taken(threading.Event()))
    assert again.frame.time_s > later[-1].frame.time_s
    assert again.frame.index > later[-1].frame.index


@pytest.fixture
def device_showing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[[Sequence[float], SourceOptions], Device]:
    """Open a device whose pictures show so large a part of an image 400 rows high; the last stays.

    An image of which nothing is shown leaves the screen around it.
    """

    def screen(part: float, seed: int) -> NDArray[np.uint8]:
        shown, area = linear_screen(seed)
        shown[area.slices][round(part * area.height) :] = 0
        return shown

    def opened(parts: Sequence[float], options: SourceOptions) -> Device:
        drawn = {part: [screen(part, seed) for seed in range(3)] for part in set(parts)}
        coming = iter(parts)

        class Capture:
            def isOpened(self) -> bool:  # noqa: N802
                return True

            def set(self, *_: object) -> None: ...

            def read(self) -> tuple[bool, NDArray[np.uint8]]:
                part = next(coming, parts[-1])
                drawn[part].append(drawn[part].pop(0))
                return True, cv2.cvtColor(drawn[part][0], cv2.COLOR_GRAY2BGR)

        monkeypatch.setattr(taking_from, "device_path", lambda _: tmp_path)
        monkeypatch.setattr(taking_from.cv2, "VideoCapture", lambda *_: Capture())
        return Device(0, options)

    return opened


@pytest.mark.parametrize("before", [0.0, 0.2])
def test_a_scale_by_depth_waits_for_an_image_instead_of_resting_on_what_else_is_shown(
    device_showing: Callable[[Sequence[float], SourceOptions], Device], before: float
) -> None:
    device = device_showing([before] * 100 + [1.0], SourceOptions(depth_mm=60))
    assert device.clip.area.height == pytest.approx(400, abs=8)
    assert device.clip.spacing is not None
    assert device.clip.spacing.row_mm == pytest.approx(60 / 400, rel=0.02)


def test_an_image_that_is_higher_or_lower_than_at_the_start_leaves_no_scale_by_depth(
    device_showing: Callable[[Sequence[float], SourceOptions], Device],
) -> None:
    by_depth, by_size = SourceOptions(depth_mm=60), SourceOptions(mm_per_pixel=(0.08, 0.11))
    # Pictures at the start are 41, and an image that is lower may be so for 600.
    for before, more_before, after, options, is_known in (
        (0.75, 0, 0.75, by_depth, [True, True, True]),
        (0.75, 100, 1.0, by_depth, [True, False, False]),
        (0.75, 100, 1.0, by_size, [True, True, True]),
        (1.0, 100, 0.75, by_depth, [True, True, False]),
        (1.0, 100, 0.0, by_depth, [True, True, False]),
    ):
        device = device_showing([before] * (41 + more_before) + [after], options)
        pictures = device.taken(threading.Event())
        found = []
        for more in (60, 120, 600):
            for _ in range(more):
                next(pictures)
            found.append(device.is_scale_known)
        assert found == is_known, (before, after)


@pytest.mark.parametrize("number", [20, 60])
def test_pictures_of_another_size_are_refused(
    device_showing: Callable[[Sequence[float], SourceOptions], Device],
    monkeypatch: pytest.MonkeyPatch,
    number: int,
) -> None:
    numbers, to_grey = count(), cv2.cvtColor

    def cut(picture: NDArray[np.uint8], code: int) -> NDArray[np.uint8]:
        grey = to_grey(picture, code)
        return grey[:-20] if code == cv2.COLOR_BGR2GRAY and next(numbers) >= number else grey

    monkeypatch.setattr(cv2, "cvtColor", cut)
    with pytest.raises(InputError, match="capture device 0 changed the size of its pictures"):
        list(device_showing([1.0], NO_OPTIONS).taken(threading.Event()))


def test_while_the_scale_is_not_known_there_is_no_value_and_nothing_is_measured(
    tmp_path: Path,
) -> None:
    source = Breaking(np.full(100, 45.0))
    live = source.live(tmp_path)
    with live.running():
        give(live, source, 12)
        live.take_rest()
        assert not np.isnan(give(live, source, 22).seen.value.change)
        source.is_scale_known = False
        state = give(live, source, 6)
        assert state.seen.value.reason == "no_scale"
        assert np.isnan([state.number, state.seen.value.now, state.seen.value.change]).all()
        with pytest.raises(MeasurementError, match="not as high as when live was started"):
            live.freeze()
        live.go_on()
        with pytest.raises(MeasurementError, match="not as high as when live was started"):
            live.record(consented=True)
        assert not live.recorder.is_recording
        source.is_scale_known = True
        assert not np.isnan(give(live, source, 2).seen.value.change)
        give(live, source, 10)
        live.freeze()


def test_memory_keeps_the_last_seconds_and_no_more_bytes_than_it_may() -> None:
    memory = Memory()
    for one in taken(int(10 * KEPT_S) + 30):
        memory.add(one)
    clip = memory.clip(cut_to_image(make_clip([draw_texture()])))
    frames = list(clip.frames())
    assert clip.frame_count == len(frames) == 10 * KEPT_S + 1
    assert frames[0].time_s == 0.0 and frames[-1].time_s == pytest.approx(KEPT_S)
    assert [frame.index for frame in frames] == list(range(len(frames)))
    large = np.zeros((5000, 5000), np.uint8)
    for index in range(12):
        memory.add(Taken(Frame(index, 100 + index / 30, large), 0.0))
    with pytest.raises(MeasurementError, match="hardly any pictures"):
        memory.clip(clip)  # so few of these fit
    assert 6 * large.nbytes <= MOST_BYTES < 7 * large.nbytes


def test_clips_of_other_pictures_have_other_names() -> None:
    memory, other = Memory(), Memory()
    for one in taken(12):
        memory.add(one)
        other.add(Taken(Frame(one.frame.index, one.frame.time_s, 255 - one.frame.pixels), 0.0))
    like = cut_to_image(make_clip([draw_texture()]))
    assert memory.clip(like).clip_id == memory.clip(like).clip_id != other.clip(like).clip_id


@contextmanager
def feeding(pictures: "Newest[Taken]", count: int = 12) -> Iterator[None]:
    """Put pictures one after the other, and wait until the last was there for a while."""
    for one in taken(count):
        pictures.put(one)
        time.sleep(0.02)
    yield


def test_without_consent_or_a_folder_nothing_is_recorded(tmp_path: Path) -> None:
    clip = cut_to_image(make_clip([draw_texture()]))
    with pytest.raises(InputError, match="Nothing is recorded without consent"):
        Recorder(tmp_path, Newest(), clip).begin(consented=False)
    with pytest.raises(InputError, match="start again with --out DIR"):
        Recorder(None, Newest(), clip).begin(consented=True)
    assert list(tmp_path.iterdir()) == []


def test_a_recording_is_a_clip_of_its_owner_alone_with_its_scale(tmp_path: Path) -> None:
    pictures: Newest[Taken] = Newest()
    recorder = Recorder(tmp_path / "kept", pictures, cut_to_image(make_clip([draw_texture()])))
    recorder.begin(consented=True)
    with feeding(pictures):
        assert recorder.is_recording
        assert list(tmp_path.glob("kept/recording-*")) == []  # not before it is whole
        saved = recorder.end()
    assert saved is not None and saved.stat().st_mode & 0o777 == 0o600
    assert list(tmp_path.glob("kept/*")) == [saved]
    clip = open_clip(saved, SourceOptions(mm_per_pixel=(SPACING.row_mm, SPACING.column_mm)))
    frames = list(clip.frames())
    assert 3 <= len(frames) <= 12
    assert np.abs(frames[-1].pixels.astype(int) - draw_texture()).mean() < 6
    assert b"consent ticked" in saved.read_bytes() and b"0.080000,0.110000" in saved.read_bytes()


def test_a_recording_of_nothing_leaves_no_file(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path, Newest(), cut_to_image(make_clip([draw_texture()])))
    recorder.begin(consented=True)
    assert recorder.end() is None
    assert recorder.failed and list(tmp_path.iterdir()) == []
    assert recorder.end() is None


def outcome_of(path: Path) -> Outcome:
    """Open a clip as measuring would, and give an outcome without numbers."""
    clip = open_clip(path, NO_OPTIONS)
    return Outcome(clip.clip_id, (), None, (), None, is_lateral_known=True)


def test_a_clip_is_measured_once_it_is_whole_and_a_bad_one_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(arriving, "LOOK_S", 0.02)
    write_dicom(tmp_path / "old.dcm", draw_frames(2))
    found = Arrivals(tmp_path, outcome_of)
    stop = threading.Event()
    thread = threading.Thread(target=found.watch, args=(stop,))
    thread.start()
    try:
        whole = write_dicom(tmp_path / ".whole", draw_frames(3)).read_bytes()
        with (tmp_path / "new.dcm").open("wb") as stream:
            for part in range(8):
                stream.write(whole[part * len(whole) // 8 : (part + 1) * len(whole) // 8])
                stream.flush()
                time.sleep(0.03)
                assert found.newest.after(1, 0.0) is None
        (tmp_path / "notes.txt").write_text("no recording")
        (tmp_path / "broken.dcm").write_bytes(b"")
        number, arrivals = 1, ()
        while len([one for one in arrivals if one.outcome or one.failed]) < 2:
            number, arrivals = found.newest.after(number, 5.0) or pytest.fail("nothing arrived")
    finally:
        stop.set()
        thread.join()
    said = {one.name: (one.outcome is not None, one.failed) for one in arrivals}
    assert said.keys() == {"new.dcm", "broken.dcm"}
    assert said["new.dcm"] == (True, "")
    assert said["broken.dcm"] == (False, "broken.dcm is empty (0 bytes); copy or export it again.")


def test_a_clip_that_changes_after_it_was_measured_is_measured_again_in_its_own_row(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(arriving, "LOOK_S", 0.02)
    whole = [write_dicom(tmp_path / ".part", draw_frames(n)).read_bytes() for n in (2, 3, 4)]
    old, stalled, folder = (tmp_path / name for name in ("old.dcm", "stalled.dcm", "stills"))
    old.write_bytes(whole[0])
    measured: list[tuple[str, int]] = []

    def measure(path: Path) -> Outcome:
        parts = list(path.iterdir()) if path.is_dir() else [path]
        measured.append((path.name, sum(part.stat().st_size for part in parts)))
        return Outcome(f"clip-{len(measured)}", (), None, (), None, is_lateral_known=True)

    found, stop = Arrivals(tmp_path, measure), threading.Event()

    def rows() -> list[tuple[str, str | None]]:
        latest = found.newest.after(0, 0.0)
        assert latest is not None
        return [(one.name, one.outcome and one.outcome.clip_id) for one in latest[1]]

    thread = threading.Thread(target=found.watch, args=(stop,))
    thread.start()
    try:
        stalled.write_bytes(whole[1][:500])
        until(lambda: rows() == [("stalled.dcm", "clip-1")])
        with stalled.open("ab") as stream:
            stream.write(whole[1][500:])
        until(lambda: rows() == [("stalled.dcm", "clip-2")])
        old.write_bytes(whole[2])
        until(lambda: rows() == [("old.dcm", "clip-3"), ("stalled.dcm", "clip-2")])
        folder.mkdir()
        cv2.imwrite(str(folder / "1.png"), draw_texture())
        until(lambda: rows()[0] == ("stills", "clip-4"))
        cv2.imwrite(str(folder / "2.png"), draw_texture())
        until(lambda: rows()[0] == ("stills", "clip-5"))
        os.utime(stalled, (1e9, 1e9))  # another clip of the same length
        until(lambda: rows()[0] == ("stalled.dcm", "clip-6"))
        time.sleep(0.2)
    finally:
        stop.set()
        thread.join()
    assert [name for name, _ in rows()] == ["stalled.dcm", "stills", "old.dcm"]
    assert measured[:3] == [
        ("stalled.dcm", 500), ("stalled.dcm", len(whole[1])), ("old.dcm", len(whole[2])),
    ]  # fmt: skip
    assert len(measured) == 6


def test_a_folder_that_vanishes_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(arriving, "LOOK_S", 0.02)
    folder = tmp_path / "scanner"
    folder.mkdir()
    found, stop = Arrivals(folder, outcome_of), threading.Event()
    folder.rmdir()
    thread = threading.Thread(target=found.watch, args=(stop,))
    thread.start()
    end_s = time.monotonic() + 5
    while not found.error and time.monotonic() < end_s:
        time.sleep(0.02)
    stop.set()
    thread.join()
    assert "scanner cannot be read" in found.error


def test_a_folder_of_images_alone_is_a_clip_and_any_other_is_watched(tmp_path: Path) -> None:
    assert is_watched(tmp_path)
    cv2.imwrite(str(tmp_path / "1.png"), draw_texture())
    assert not is_watched(tmp_path) and not is_watched(tmp_path / "1.png")


def test_what_is_frozen_is_measured_and_written_as_any_clip(
    tmp_path: Path, plain_reports: None
) -> None:
    rows = np.where((np.arange(24) >= 8) & (np.arange(24) < 16), 67.0, 45.0)
    segmenter = truth_segmenter(wall_with_end, rows, View.ABDOMINAL_WALL)
    clip = make_clip([draw_texture()] * 24, rate_hz=6.0)
    options = MeasureOptions(site="muscle-centre", overlay=False)
    live = Live(
        Player(clip), segmenter, parse_site("muscle-centre"),  # type: ignore[arg-type]
        Measuring(segmenter, tmp_path, options).clip, tmp_path,  # type: ignore[arg-type]
    )  # fmt: skip
    with live.running():
        state = live.states.after(0, 10.0)
        assert state is not None
        assert_messages(live)
        while not live.has_ended:
            time.sleep(0.05)
        outcome = live.freeze()
    assert outcome.measures == analysed(clip, segmenter).measures
    assert outcome.chief is not None and outcome.chief.name == "thickness_change"
    assert outcome.report == tmp_path / f"clip-{outcome.clip_id}" / "report.html"
    assert (outcome.report.parent / "measures.json").exists()
    assert outcome.clip_id in (tmp_path / "index.csv").read_text()
    assert str(tmp_path) not in str(outcome.shown("en"))


class Breaking:
    """Gives as many pictures of a wall as a test asks for, and breaks off when it is told to."""

    def __init__(self, rows: np.ndarray) -> None:  # type: ignore[type-arg]
        pictures = make_clip([draw_texture()] * len(rows), rate_hz=10.0)
        self.clip = cut_to_image(pictures)
        self.segmenter = truth_segmenter(wall_with_end, rows, View.ABDOMINAL_WALL)
        self.frames = pictures.frames()
        self.given, self.most, self.is_scale_known = 0, 0, True

    def taken(self, stop: threading.Event) -> Iterator[Taken]:
        """Give as many as are asked for, until it is to break off."""
        while not stop.wait(0.01):
            if self.most < 0:
                self.most = self.given
                raise InputError("The capture device 0 gives no picture; check the cable.")
            if self.given < self.most:
                yield Taken(next(self.frames), time.time())
                self.given += 1

    def skip(self, count: int) -> None:
        """Let time pass without a picture."""
        for _ in range(count):
            next(self.frames)

    def live(self, recordings: Path | None = None) -> Live:
        """Look at its pictures."""
        return Live(
            self, self.segmenter, parse_site("muscle-centre"), lambda clip: clip, recordings,  # type: ignore[arg-type,return-value]
        )  # fmt: skip


def until(is_so: Callable[[], bool]) -> None:
    """Wait until something is so."""
    end_s = time.monotonic() + 10
    while not is_so():
        assert time.monotonic() < end_s
        time.sleep(0.005)


def give(live: Live, source: Breaking, count: int) -> State:
    """Give so many pictures more, one after the other, and wait until each was looked at."""
    for _ in range(count):
        number = (live.states.after(0, 0.0) or (0,))[0]
        source.most += 1
        found = live.states.after(number, 10.0)
        assert found is not None
    return found[1]


def test_a_rest_and_a_hold_do_not_go_on_over_a_freeze_nor_does_what_is_frozen_next() -> None:
    source = Breaking(np.where(np.arange(200) < 42, 45.0, 57.0))
    live = source.live()
    with live.running():
        give(live, source, 8)
        live.take_rest()
        assert give(live, source, 8).seen.rest is Rest.TAKING
        live.freeze()
        source.most += 2  # what is taken while it is frozen is left out
        until(lambda: source.given == source.most)
        live.go_on()
        assert give(live, source, 2).seen.rest is Rest.FAILED
        live.take_rest()
        assert give(live, source, 24).seen.rest is Rest.TAKEN  # at 40; the effort begins at 42
        live.ask_for(Target(15, 60, hold_s=5, repeats=3, count_s=0, pause_s=0))
        live.start()
        assert 1.0 < give(live, source, 16).held_s < 2.0
        live.freeze()
        source.most += 50
        until(lambda: source.given == source.most)
        live.go_on()
        state = give(live, source, 12)
        assert state.phase is Phase.EFFORT and state.done == 0
        assert 0.9 < state.held_s < 1.2
        frozen = [frame.time_s for frame in live.freeze().frames()]  # type: ignore[attr-defined]
        assert len(frozen) == 12 and np.diff(frozen).max() < 0.11


def test_a_source_that_broke_off_goes_on_without_what_was_before() -> None:
    source = Breaking(np.full(100, 45.0))
    live = source.live()
    with live.running():
        give(live, source, 6)
        live.take_rest()
        give(live, source, 6)
        source.most = -1
        until(lambda: live.has_ended)
        assert "gives no picture" in live.error
        source.skip(30)
        live.go_on()
        state = give(live, source, 11)
        assert live.error == "" and not live.has_ended
        assert state.seen.rest is Rest.FAILED
        frozen = [frame.time_s for frame in live.freeze().frames()]  # type: ignore[attr-defined]
        assert len(frozen) == 11 and np.diff(frozen).max() < 0.11


def test_pictures_that_stay_away_for_seconds_interrupt_too() -> None:
    source = Breaking(np.full(100, 45.0))
    live = source.live()
    with live.running():
        give(live, source, 12)
        source.skip(30)
        give(live, source, 11)
        frozen = [frame.time_s for frame in live.freeze().frames()]  # type: ignore[attr-defined]
        assert len(frozen) == 11


def test_a_picture_that_cannot_be_looked_at_is_said_and_the_next_is_seen() -> None:
    plain = truth_segmenter(wall_with_end, np.full(12, 45.0), View.ABDOMINAL_WALL)
    said: list[str] = []

    class Failing:
        """Fails once, and lets be seen what was said of it at the next picture."""

        size_px, runs = plain.size_px, 0

        def run(self, images: np.ndarray) -> object:  # type: ignore[type-arg]
            self.runs += 1
            if self.runs == 2:
                raise FloatingPointError
            said.append(live.unseen)
            return plain.run(images)

    player = Player(make_clip([draw_texture()] * 12, rate_hz=10.0))
    live = Live(player, Failing(), parse_site("muscle-centre"), outcome_of, None)  # type: ignore[arg-type]
    with live.running():
        while not live.has_ended:
            time.sleep(0.02)
    assert said[0] == "" and "FloatingPointError" in said[1]
    assert live.unseen == "" and live.states.after(1, 0.0) is not None


def assert_messages(live: Live) -> None:
    """Check what goes over the sockets: sizes, and nothing measured on the patient's."""
    found, picture = live.states.after(0, 5.0), live.pictures.after(0, 5.0)
    assert found is not None and picture is not None
    state = found[1]
    packed = state_message(live, state, "en")
    columns = state.seen.edges.column_px.size
    length = int.from_bytes(packed[:4], "little")
    assert len(packed) == 4 + length + 4 * 11 * columns
    assert packed[4 + int.from_bytes(packed[:4], "little") :][:4] == (
        state.seen.edges.column_px[:1].astype("<f4").tobytes()
    )
    jpeg = picture_message(picture[1])
    assert jpeg[4 + int.from_bytes(jpeg[:4], "little") :][:2] == b"\xff\xd8"
    assert not {"now", "change", "number", "restNow"} & patient_message(live, state).keys()


def test_the_command_prints_a_link_and_ends_with_ctrl_c(tmp_path: Path) -> None:
    clip = write_dicom(tmp_path / "clip.dcm", draw_frames(4))
    # Where tests run in the background Ctrl-C is ignored, and what they start ignores it too.
    heed = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
    command = [sys.executable, "-c", f"{heed}; from layermotion.cli import main; main()"]
    command += ["live", str(clip), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            assert process.stdout.readline().startswith("The page: http://127.0.0.1:")
            process.send_signal(signal.SIGINT)
            assert process.wait(timeout=30) == 0
            assert "The page has ended." in process.stdout.read()
        finally:
            process.kill()


def test_the_command_says_what_a_scale_by_depth_waits_for(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from layermotion.cli import main

    said = "Looking for the ultrasound image of the capture device; put the probe in place.\n"
    for arguments, words in ((["97", "--depth-mm", "60"], said), (["97"], "")):
        with pytest.raises(SystemExit):
            main(["live", *arguments])
        assert capsys.readouterr().out == words


def test_the_command_refuses_what_cannot_be_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from layermotion.cli import main

    clip = write_dicom(tmp_path / "clip.dcm", draw_frames(4))
    for arguments, words in (
        ([str(tmp_path / "none.mp4")], "does not exist"),
        (["97"], "The capture device 97 cannot be opened"),
        ([str(clip), "--host", "192.0.2.7"], "the page needs TLS there"),
        ([str(clip), "--certificate", str(clip)], "give both --certificate and --key"),
        ([str(clip), "--out", str(clip)], "is a file"),
    ):
        with pytest.raises(SystemExit) as ended:
            main(["live", *arguments])
        assert ended.value.code == 2
        said = capsys.readouterr().err
        assert words in said and "WARN" not in said


def test_a_picture_is_sent_while_the_one_before_is_drawn_and_no_third_one() -> None:
    newest: Newest[int] = Newest()
    route = WebSocketRoute("/pictures", _stream(newest, lambda n, _: {"number": n}, under_way=2))
    with TestClient(Starlette(routes=[route])).websocket_connect("/pictures") as socket:

        def next_number() -> int:
            """Give the number of the next picture; that nothing new came is answered."""
            while not (sent := socket.receive_json()):
                socket.send_text("drawn")
            return int(sent["number"])

        newest.put(1)
        assert next_number() == 1
        newest.put(2)
        assert next_number() == 2, "the first is not drawn yet"
        newest.put(3)
        newest.put(4)
        socket.send_text("drawn")
        assert next_number() == 4, "what came meanwhile is dropped, not queued"
