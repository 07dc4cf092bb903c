"""The light install, which has no package of an extra, has all that a clinic uses."""

import ast
import subprocess
import sys
import tomllib
from importlib.metadata import packages_distributions, requires
from importlib.util import find_spec
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

# Packages that extras bring, as they are imported; and what may need them.
OF_EXTRAS = (
    "albumentations", "dask", "distributed", "highdicom", "hydra", "mlflow", "omegaconf", "onnx",
    "onnxscript", "openpyxl", "pandas", "scipy", "segmentation_models_pytorch", "statsmodels",
    "submitit", "torch", "torchvision", "yaml",
)  # fmt: skip
NEED_EXTRAS = ("agreement", "commands.train", "exchange", "lab", "training")
PROGRAM = """
import importlib, pkgutil, sys

class Missing:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in {of_extras}:
            raise ModuleNotFoundError(name, name=name)

sys.meta_path.insert(0, Missing())
import layermotion

for module in pkgutil.walk_packages(layermotion.__path__, "layermotion."):
    if not module.name.endswith("__main__"):
        try:
            importlib.import_module(module.name)
        except ModuleNotFoundError as error:
            print(module.name.removeprefix("layermotion."), "needs", error.name)
"""


def test_what_a_clinic_uses_needs_no_extra() -> None:
    program = PROGRAM.replace("{of_extras}", repr(set(OF_EXTRAS)))
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert "training.loop needs torch" in lines, "nothing was taken away"
    assert [line for line in lines if not line.startswith(NEED_EXTRAS)] == []


def stated() -> set[str]:
    """Names of the packages that the light install brings, with all that these bring."""
    text = (Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8")
    waiting: list[str] = list(tomllib.loads(text)["project"]["dependencies"])
    known: set[str] = set()
    while waiting:
        needed = Requirement(waiting.pop())
        name = canonicalize_name(needed.name)
        if name in known or needed.marker and not needed.marker.evaluate({"extra": ""}):
            continue
        known.add(name)
        waiting += requires(name) or ()
    return known


def test_what_a_clinic_imports_is_stated() -> None:
    """The modules that a clinic's commands load import what the light install brings, and no more.

    Other packages load more where they find it, so only our own imports are read.
    """
    program = (
        "import sys, layermotion.commands.measure, layermotion.commands.review, "
        "layermotion.commands.live, layermotion.report.page; "
        "print(*(name for name in sys.modules if name.startswith('layermotion.')))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    tops = set()
    for name in done.stdout.split():
        spec = find_spec(name)
        assert spec is not None and spec.origin is not None
        for node in ast.parse(Path(spec.origin).read_text(encoding="utf-8")).body:
            if isinstance(node, ast.Import):
                tops |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                tops.add(node.module.partition(".")[0])
    owners = packages_distributions()
    found = {canonicalize_name(name) for top in tops for name in owners.get(top, ())}
    assert {"numpy", "pydicom", "starlette"} <= found
    assert sorted(found - stated() - {"layermotion"}) == []
