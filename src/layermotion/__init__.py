"""layermotion measures abdominal-wall layers and the bladder base in ultrasound clips.

What stands in ``__all__`` is the public interface; everything else may change without notice.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from layermotion.analysis.result import Analysis
    from layermotion.api import measure, open_clip, segment
    from layermotion.clip import Clip, Frame
    from layermotion.efforts.count import Count
    from layermotion.efforts.course import Course
    from layermotion.efforts.efforts import Efforts
    from layermotion.efforts.windows import Window
    from layermotion.errors import InputError, LayermotionError, MeasurementError, WeightsError
    from layermotion.geometry import ImageArea, Spacing
    from layermotion.labels import STRUCTURES, Structure, Task, View
    from layermotion.measures.measure import Measure, Status
    from layermotion.network.segmenter import Segmenter, load_segmenter
    from layermotion.series.series import Quantity, Series

__version__ = "0.2.0"

# Where each public name lies; it is imported when it is first used, so that help stays quick.
_PLACES = {
    "Analysis": "analysis.result",
    "Clip": "clip",
    "Count": "efforts.count",
    "Course": "efforts.course",
    "Efforts": "efforts.efforts",
    "Frame": "clip",
    "ImageArea": "geometry",
    "InputError": "errors",
    "LayermotionError": "errors",
    "Measure": "measures.measure",
    "MeasurementError": "errors",
    "Quantity": "series.series",
    "STRUCTURES": "labels",
    "Segmenter": "network.segmenter",
    "Series": "series.series",
    "Spacing": "geometry",
    "Status": "measures.measure",
    "Structure": "labels",
    "Task": "labels",
    "View": "labels",
    "WeightsError": "errors",
    "Window": "efforts.windows",
    "load_segmenter": "network.segmenter",
    "measure": "api",
    "open_clip": "api",
    "segment": "api",
}

__all__ = (
    "STRUCTURES",
    "Analysis",
    "Clip",
    "Count",
    "Course",
    "Efforts",
    "Frame",
    "ImageArea",
    "InputError",
    "LayermotionError",
    "Measure",
    "MeasurementError",
    "Quantity",
    "Segmenter",
    "Series",
    "Spacing",
    "Status",
    "Structure",
    "Task",
    "View",
    "WeightsError",
    "Window",
    "__version__",
    "load_segmenter",
    "measure",
    "open_clip",
    "segment",
)


def __getattr__(name: str) -> object:
    if name not in _PLACES:
        raise AttributeError(f"module 'layermotion' has no attribute '{name}'")
    found = getattr(import_module(f"layermotion.{_PLACES[name]}"), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted(__all__)
