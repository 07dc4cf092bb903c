"""Owns the live command: a source becomes a served page; frozen and arriving clips are measured."""

import threading
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from layermotion.analysis.analysis import analyse
from layermotion.analysis.result import Analysis
from layermotion.clip import Clip
from layermotion.clip.source import open_clip
from layermotion.clip.stills import image_paths
from layermotion.commands.measure import MeasureOptions
from layermotion.commands.results import Output, check_folder, write_results
from layermotion.edges.recording import Recording
from layermotion.edges.site import parse_site
from layermotion.errors import InputError, LayermotionError, failure_of
from layermotion.live.arrivals import Arrivals
from layermotion.live.live import Live
from layermotion.live.outcome import Outcome
from layermotion.live.server import arrival_routes, live_routes
from layermotion.live.taking import is_device, open_source
from layermotion.models.registry import load_in_use
from layermotion.network.segmenter import Segmenter
from layermotion.serving.run import Tls, serve
from layermotion.session.index import Entry, add_to_index, read_index


@dataclass(frozen=True)
class Served:
    """Where a page is served, as the user states it."""

    host: str = "127.0.0.1"
    port: int = 0
    tls: Tls | None = None
    open_browser: bool = True


def run_live(source: str, out: Path | None, options: MeasureOptions, served: Served) -> None:
    """Serve the page of a capture device, of a clip that is played, or of a watched folder.

    Raises
    ------
    LayermotionError
        If the source, the options or the address cannot be used.
    """
    options.of_source(), parse_site(options.site)
    if out is not None:
        check_folder(out)
        read_index(out)
    measure = Measuring(load_in_use(), out, options)
    page = partial(
        serve,
        host=served.host,
        port=served.port,
        tls=served.tls,
        open_browser=served.open_browser,
    )
    if not is_device(source) and is_watched(Path(source)):
        _watch(Path(source), measure, page)
        return
    if is_device(source) and options.depth_mm is not None:
        words = "Looking for the ultrasound image of the capture device; put the probe in place."
        print(words, flush=True)
    taken = open_source(source, options.of_source())
    live = Live(taken, measure.segmenter, parse_site(options.site), measure.clip, out)
    with live.running():
        page(live_routes(live))


def is_watched(source: Path) -> bool:
    """Tell whether a source is a folder that clips arrive in; one of images alone is a clip."""
    return source.is_dir() and not image_paths(source)


@dataclass(frozen=True)
class Measuring:
    """Measures clips as ``measure`` does, and writes their results where there is a folder.

    Parameters
    ----------
    out
        Folder for the results; None writes nothing.
    """

    segmenter: Segmenter
    out: Path | None
    options: MeasureOptions

    def clip(self, clip: Clip) -> Outcome:
        """Measure the live picture that was frozen."""
        return self._measured("The live picture", lambda: clip)

    def file(self, path: Path) -> Outcome:
        """Measure a file that arrived."""
        return self._measured(path.name, lambda: open_clip(path, self.options.of_source()))

    def _measured(self, name: str, opened: Callable[[], Clip]) -> Outcome:
        """Measure a clip; what nobody foresaw becomes one sentence, and the page goes on."""
        try:
            with Recording() as recording:
                site = parse_site(self.options.site)
                analysis = analyse(opened(), self.segmenter, site, recording)
                return Outcome.of(analysis, self._written(analysis, name))
        except LayermotionError:
            raise
        except Exception as error:
            raise failure_of(name, error) from error

    def _written(self, analysis: Analysis, name: str) -> Path | None:
        """Write the results; say in the index what they are of."""
        if self.out is None:
            return None
        folder = self.out / f"clip-{analysis.clip.clip_id}"
        output = Output(overlay=self.options.overlay, facts={"site": self.options.site})
        try:
            report = write_results(folder, analysis, self.segmenter, output)
        except OSError as error:
            raise InputError(
                f"The results of {name} cannot be written ({error.strerror}); free some space."
            ) from error
        add_to_index(self.out, [Entry(analysis.clip.clip_id, folder.name, name)])
        return report


def _watch(folder: Path, measure: Measuring, page: Callable[..., None]) -> None:
    """Serve the page of a watched folder."""
    arrivals, stop = Arrivals(folder, measure.file), threading.Event()
    thread = threading.Thread(target=arrivals.watch, args=(stop,), name="folder")
    with ExitStack() as after:
        thread.start()
        after.callback(thread.join)
        after.callback(stop.set)
        page(arrival_routes(arrivals))
