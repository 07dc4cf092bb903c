"""Work spread over cores and over a Dask cluster gives what one process gives."""

import re
from collections.abc import Iterator
from pathlib import Path

import distributed
import pytest

from layermotion.cli import main
from layermotion.commands import spread as cluster
from layermotion.commands.spread import spread_over
from layermotion.errors import InputError
from layermotion.provenance import code_digest


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """Address of a cluster of two processes on this computer."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=":0"
    ) as local:
        yield local.scheduler_address


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    assert isinstance(ended.value.code, int)
    return ended.value.code


def content(folder: Path) -> dict[str, bytes]:
    """Content of every file below a folder by its path."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): path.read_bytes() for path in files}


@pytest.mark.slow
def test_a_cluster_makes_the_same_files_as_one_process(tmp_path: Path, address: str) -> None:
    from layermotion.labels import View
    from layermotion_synthetic.write import synthesize

    # Stills alone: a clip is another piece of the same work, and takes a hundred times longer.
    made = ("--view", "bladder", "--clips", "0", "--stills", "3", "--seed", "18")
    synthesize(tmp_path / "one", (View.BLADDER,), 0, 3, 18)
    assert run("synthesize", *made, "--out", tmp_path / "cores") == 0
    assert run("synthesize", *made, "--out", tmp_path / "cluster", "--cluster", address) == 0
    expected = content(tmp_path / "one")
    assert len(expected) == 3 * 3
    assert content(tmp_path / "cores") == expected == content(tmp_path / "cluster")


@pytest.mark.slow
def test_a_cluster_measures_as_one_process_does(
    tmp_path: Path, address: str, capsys: pytest.CaptureFixture[str]
) -> None:
    from layermotion.labels import View
    from layermotion_synthetic.write import synthesize

    synthesize(tmp_path / "clips", (View.BLADDER,), 0, 2, 4)
    sources = sorted((tmp_path / "clips").glob("*[0-9].png"))
    broken = tmp_path / "broken.dcm"
    broken.write_bytes(b"no clip")
    options = (*sources, broken, "--mm-per-pixel", "0.2", "--no-overlay")
    outputs = []
    for name, more in (("one", ()), ("cluster", ("--cluster", address))):
        # The stills are real, so the code says whether any of them could be measured.
        code = run("measure", *options, "--out", tmp_path / name, *more)
        said = capsys.readouterr()
        # How long each took is not the same twice.
        told = re.sub(r", \d+\.\d s$", "", said.err, flags=re.MULTILINE)
        outputs.append((code, said.out.replace(f"/{name}/", "/"), told))
    assert outputs[0] == outputs[1]
    assert "broken.dcm" in outputs[0][2]
    expected = content(tmp_path / "one")
    assert any(path.endswith("measures.json") for path in expected)
    assert content(tmp_path / "cluster") == expected


def test_a_cluster_that_does_not_answer_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "CONNECT_S", 0.2)
    for address in ("tcp://127.0.0.1:9", "nowhere at all"):
        with pytest.raises(InputError, match=f"No Dask scheduler answers at {address}; start"):
            with spread_over(address, 3):
                pass


def test_a_worker_with_other_code_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:

    class Pretended:
        def __init__(self, answers: dict[str, str]) -> None:
            self.answers = answers

        def run(self, function: object, on_error: str) -> dict[str, str]:
            return self.answers

    cluster._refuse_other_code(Pretended({"tcp://a": code_digest()}))
    with pytest.raises(InputError, match="The worker tcp://b does not have this layermotion"):
        cluster._refuse_other_code(Pretended({"tcp://a": code_digest(), "tcp://b": "0" * 64}))
    with pytest.raises(InputError, match="has no workers"):
        cluster._refuse_other_code(Pretended({}))


def test_without_dask_the_remedy_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(InputError, match=r"scale extra: pip install 'layermotion\[scale\]'"):
        with spread_over("tcp://127.0.0.1:9", 3):
            pass


def test_one_piece_of_work_starts_no_process() -> None:
    with spread_over(None, 1) as spread:
        assert spread is map
