"""The scripts that start from a bare clone: when they install, and where they stop."""

import sys
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).parent.parent / "scripts"


@pytest.fixture(autouse=True)
def scripts_on_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(SCRIPTS))


def test_install_is_skipped_only_for_the_same_project_and_extras(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import environment

    project = tmp_path / "pyproject.toml"
    project.write_text("[project]\n")
    monkeypatch.setattr(environment, "ROOT", tmp_path)
    assert not environment.is_installed((), tmp_path)
    environment.write_stamp(("train", "test"), tmp_path)
    assert environment.is_installed((), tmp_path)
    assert environment.is_installed(("test", "train"), tmp_path)
    assert not environment.is_installed(("other",), tmp_path)
    project.write_text('[project]\ndependencies = ["numpy"]\n')
    assert not environment.is_installed((), tmp_path)
    environment.write_stamp((), tmp_path)
    assert not environment.is_installed(("test",), tmp_path)
    (tmp_path / environment.STAMP).write_text("[1")
    assert not environment.is_installed((), tmp_path)


def test_too_old_python_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import environment

    monkeypatch.setattr(environment, "OLDEST_PYTHON", (99, 0))
    with pytest.raises(environment.SetupFailed, match=r"too old; use 99\.0 or newer"):
        environment.prepare(environment=tmp_path / "venv")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("second", "code", "last"),
    [("platform", 0, "The check passed."), ("no_such_module", 1, "The check failed at second.")],
)
def test_check_stops_at_the_first_failure(
    second: str,
    code: int,
    last: str,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    import check

    monkeypatch.setattr(check, "prepare", lambda extras: Path(sys.executable))
    monkeypatch.setattr(check.browser, "prepare", lambda: True)
    monkeypatch.setattr(
        check, "stages", lambda: {"first": ["platform"], "second": [second], "third": ["platform"]}
    )
    assert check.main() == code
    lines = capfd.readouterr().out.splitlines()
    assert lines[-1] == last
    assert ("== third: platform" in lines) == (code == 0)
    assert ("second" in lines[-2]) == (code == 1)


def test_check_says_what_to_install_where_there_is_no_browser(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    import check

    monkeypatch.setattr(check, "prepare", lambda extras: Path(sys.executable))
    monkeypatch.setattr(check.browser.shutil, "which", lambda program: None)
    assert check.main() == 2
    assert "apt-get install chromium" in capfd.readouterr().err
