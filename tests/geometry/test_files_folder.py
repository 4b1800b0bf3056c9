"""A folder of results is replaced as a whole or stays as it was."""

from pathlib import Path

import pytest

from gaploft.errors import InputError
from gaploft.files.folder import clear_folder, refuse_inputs, whole_folder

NAMES = ("a", "b")


def content(folder: Path):
    return {path.name: path.read_text() for path in folder.iterdir()}


def test_results_appear_together(tmp_path):
    folder = tmp_path / "deep" / "out"
    with whole_folder(folder, NAMES) as staging:
        (staging / "a").write_text("1")
        (staging / "b").write_text("2")
        assert not (folder / "a").exists()
    assert content(folder) == {"a": "1", "b": "2"}


def test_new_results_replace_old_ones_and_leave_the_rest(tmp_path):
    for name in ("a", "b", "notes"):
        (tmp_path / name).write_text("old")
    with whole_folder(tmp_path, NAMES) as staging:
        (staging / "b").write_text("new")
    assert content(tmp_path) == {"b": "new", "notes": "old"}


@pytest.mark.parametrize("raised", [ValueError, KeyboardInterrupt, InputError])
def test_failure_inside_leaves_nothing_or_the_old(tmp_path, raised):
    def fail(folder):
        with whole_folder(folder, NAMES) as staging:
            (staging / "a").write_text("half")
            raise raised

    with pytest.raises(raised):
        fail(tmp_path / "new" / "out")
    assert not list(tmp_path.iterdir())
    (tmp_path / "b").write_text("old")
    with pytest.raises(raised):
        fail(tmp_path)
    assert content(tmp_path) == {"b": "old"}


@pytest.mark.parametrize("stop_at", [1, 2, 3, 4])
@pytest.mark.parametrize("raised", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_failure_while_renaming_is_undone(tmp_path, monkeypatch, stop_at, raised):
    (tmp_path / "a").write_text("old a")
    (tmp_path / "b").write_text("old b")
    calls = []
    rename = Path.replace

    def failing(self, aim):
        calls.append(aim)
        if len(calls) == stop_at:
            raise raised
        return rename(self, aim)

    def run():
        with whole_folder(tmp_path, NAMES) as staging:
            (staging / "a").write_text("new a")
            (staging / "b").write_text("new b")
            monkeypatch.setattr(Path, "replace", failing)

    with pytest.raises(InputError if isinstance(raised, OSError) else KeyboardInterrupt):
        run()
    assert content(tmp_path) == {"a": "old a", "b": "old b"}


def test_error_of_the_system_inside_becomes_one_sentence(tmp_path):
    def run():
        with whole_folder(tmp_path / "out", NAMES):
            raise OSError(28, "No space left on device")

    with pytest.raises(InputError, match=r"out can't be written \(No space left on device\)"):
        run()
    assert not list(tmp_path.iterdir())


def test_folder_that_is_a_file(tmp_path):
    """Permission bits don't stop an administrator; a file in the way stops everybody."""
    (tmp_path / "out").write_text("mine")
    for folder in (tmp_path / "out", tmp_path / "out" / "deeper"):
        with pytest.raises(InputError, match="can't be written"), whole_folder(folder, NAMES):
            pytest.fail("there is nothing to write into")
    assert content(tmp_path) == {"out": "mine"}


def test_inputs_are_never_overwritten(tmp_path):
    refuse_inputs(tmp_path, NAMES, [tmp_path / "scan.stl"])
    with pytest.raises(InputError, match="would be overwritten"):
        refuse_inputs(tmp_path / "x" / "..", NAMES, [tmp_path / "a"])


def test_clearing_takes_results_only(tmp_path):
    for name in ("a", "b", "notes"):
        (tmp_path / name).write_text("old")
    clear_folder(tmp_path, NAMES, keep=[tmp_path / "b"])
    assert set(content(tmp_path)) == {"b", "notes"}
    clear_folder(tmp_path / "none", NAMES)
    (tmp_path / "a").mkdir()
    clear_folder(tmp_path, NAMES)
    assert (tmp_path / "a").is_dir()


def test_folder_in_the_place_of_a_result_is_refused_and_kept(tmp_path):
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "mine").write_text("keep me")
    (tmp_path / "a").write_text("old")
    with (
        pytest.raises(InputError, match=r"b is a folder, but a file of that name is to be written"),
        whole_folder(tmp_path, NAMES),
    ):
        pytest.fail("there is nothing to write into")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "b"]
    assert (tmp_path / "b" / "mine").read_text() == "keep me"
    assert (tmp_path / "a").read_text() == "old"
