"""The list of small changes fits the code, and its runner tells what is wrong with it."""

from dataclasses import replace
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(autouse=True)
def scripts_on_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(ROOT / "scripts"))


def test_every_change_fits_the_code_and_names_its_tests() -> None:
    from mutants import check_texts
    from mutants_list import MUTANTS

    check_texts(MUTANTS)
    names = [mutant.name for mutant in MUTANTS]
    assert len(names) == len(set(names)) >= 40
    for mutant in MUTANTS:
        for test in mutant.tests:
            file, _, function = test.partition("::")
            text = (ROOT / "tests" / file).read_text(encoding="utf-8")
            assert f"def {function}(" in text or not function, test


def test_changes_are_spread_over_the_stages() -> None:
    from mutants_list import MUTANTS

    stages = {Path(mutant.file).parts[0] for mutant in MUTANTS}
    assert stages >= {
        "clip", "network", "edges", "tissue", "series", "efforts", "measures", "analysis", "report",
        "exchange", "session", "agreement", "lab", "models", "commands", "files.py",
    }  # fmt: skip


def test_a_change_that_does_not_fit_is_one_sentence(tmp_path: Path) -> None:
    from mutants import PACKAGE, Unusable, changed, check_texts, chosen
    from mutants_list import Mutant

    own = tmp_path / PACKAGE / "one.py"
    own.parent.mkdir(parents=True)
    own.write_text("a = 1\nb = 1\n")
    (tmp_path / "tests").mkdir()
    (tmp_path / "tests" / "test_one.py").write_text("")
    good = Mutant("one", "one.py", "a = 1", "a = 2", ("test_one.py::test_a",))
    check_texts([good], tmp_path)
    for wrong, words in (
        (replace(good, old="= 1"), "one: its text stands 2 times in"),
        (replace(good, old="c = 1"), "one: its text stands 0 times in"),
        (replace(good, file="two.py"), "one: its text stands 0 times in"),
        (replace(good, new="a = 1"), "one changes nothing."),
        (replace(good, tests=("test_two.py",)), "one: there are no tests test_two.py."),
        (replace(good, tests=()), "one names no test that must fail."),
    ):
        with pytest.raises(Unusable, match=words):
            check_texts([wrong], tmp_path)
    with pytest.raises(Unusable, match="no change called none"):
        chosen(["none"])
    with changed(tmp_path, good):
        assert own.read_text() == "a = 2\nb = 1\n"
    assert own.read_text() == "a = 1\nb = 1\n"


def test_only_a_failing_test_kills(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import mutants
    from mutants_list import Mutant

    package = tmp_path / mutants.PACKAGE
    package.mkdir(parents=True)
    (package / "__init__.py").write_text("VALUE = 1\nOTHER = 1\n")
    (tmp_path / "tests").mkdir()
    (tmp_path / "tests" / "test_value.py").write_text(
        "import layermotion\n\ndef test_value():\n    assert layermotion.VALUE == 1\n"
    )
    value = Mutant("value", "__init__.py", "VALUE = 1", "VALUE = 2", ("test_value.py",))
    assert mutants.is_killed(tmp_path, value)
    assert not mutants.is_killed(tmp_path, replace(value, old="OTHER = 1", new="OTHER = 2"))
    with pytest.raises(mutants.Unusable, match="pytest ended with code 2"):
        mutants.is_killed(tmp_path, replace(value, new="VALUE ="))
    mutants.check_unchanged(tmp_path, [value])
    (package / "__init__.py").write_text("VALUE = 3\n")
    with pytest.raises(mutants.Unusable, match="fail on the code as it is"):
        mutants.check_unchanged(tmp_path, [value])
