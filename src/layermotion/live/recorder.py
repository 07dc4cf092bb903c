"""Owns recording the live picture to a video, only with a consent that was ticked."""

import secrets
import threading
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from layermotion.clip import Clip
from layermotion.errors import InputError
from layermotion.files import atomic_path
from layermotion.live.newest import Newest
from layermotion.live.taking import Taken

# Ticks per second of the stored times (our choice: finer than any frame time).
TIME_BASE = Fraction(1, 90_000)
# Near enough to the picture that measuring it gives the same (as clips of the generator are
# stored).
OPTIONS = {"preset": "veryfast", "crf": "18"}
# How long the encoder waits for a picture before it looks whether the recording was ended, s.
WAIT_S = 0.1

NO_CONSENT = "Nothing is recorded without consent; ask the patient, and tick that you did."
NO_PLACE = "There is no folder for recordings; start again with --out DIR."


@dataclass
class Recorder:
    """Writes one video at a time; it appears under its name when it is ended.

    Parameters
    ----------
    folder
        Where recordings go; None where there is no such place.
    pictures
        Where pictures come from; those that come too fast are left out.
    clip
        How they lie, and their scale.
    """

    folder: Path | None
    pictures: Newest[Taken]
    clip: Clip

    def __post_init__(self) -> None:
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None
        self._saved: Path | None = None
        self.failed = ""

    @property
    def is_recording(self) -> bool:
        """Whether a recording is under way."""
        return self._thread is not None and self._thread.is_alive()

    def begin(self, *, consented: bool) -> None:
        """Begin a recording.

        Raises
        ------
        InputError
            Without consent, or without a folder.
        """
        if not consented:
            raise InputError(NO_CONSENT)
        if self.folder is None:
            raise InputError(NO_PLACE)
        if self.is_recording:
            return
        now = datetime.now(UTC)
        name = f"recording-{now:%Y%m%d-%H%M%S}-{secrets.token_hex(3)}.mp4"
        self.failed, self._saved = "", None
        self._ending.clear()
        self._thread = threading.Thread(
            target=self._record, args=(self.folder / name, now), name="recorder", daemon=True
        )
        self._thread.start()

    def end(self) -> Path | None:
        """End the recording and give its path; None where there was none, or nothing came."""
        if self._thread is None:
            return None
        self._ending.set()
        self._thread.join()
        self._thread = None
        return self._saved

    def _record(self, target: Path, consented_at: datetime) -> None:
        try:
            if self._write(target, consented_at):
                self._saved = target
        except (OSError, InputError, av.error.FFmpegError) as error:
            self.failed = (
                f"{target.name} was not written ({error}); check the disk of {self.folder}."
            )

    def _write(self, target: Path, consented_at: datetime) -> bool:
        """Encode until the end; the file is left out where nothing came."""
        number, first_s = 0, None
        with atomic_path(target) as temporary:
            with av.open(str(temporary), "w", format="mp4") as container:
                container.metadata["comment"] = self._facts(consented_at)
                stream = container.add_stream("libx264", options=dict(OPTIONS))
                stream.height, stream.width = (side - side % 2 for side in self.clip.frame_shape)
                stream.pix_fmt = "yuv420p"
                stream.codec_context.time_base = TIME_BASE
                while not self._ending.is_set():
                    found = self.pictures.after(number, WAIT_S)
                    if found is None:
                        continue
                    number, taken = found
                    frame = taken.frame
                    first_s = frame.time_s if first_s is None else first_s
                    even = np.ascontiguousarray(frame.pixels[: stream.height, : stream.width])
                    picture = av.VideoFrame.from_ndarray(even, format="gray")
                    picture.time_base = TIME_BASE
                    picture.pts = round((frame.time_s - first_s) / TIME_BASE)
                    container.mux(stream.encode(picture))
                container.mux(stream.encode())
            if first_s is None:
                raise InputError("no picture came")
        return True

    def _facts(self, consented_at: datetime) -> str:
        """Words in the file: no identity, but the consent and the scale."""
        spacing = self.clip.spacing
        scale = f"{spacing.row_mm:.6f},{spacing.column_mm:.6f}" if spacing else "unknown"
        return f"consent ticked {consented_at:%Y-%m-%d %H:%M:%S} UTC; mm per pixel {scale}"
