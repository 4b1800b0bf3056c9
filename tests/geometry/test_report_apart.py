"""Pictures drawn by another process: the same bytes, and drawn here when that process is of no use."""

import subprocess
import sys

import pytest

import plain_rebuild
from gaploft.report import apart
from gaploft.report.pictures import ShopArrays, draw_pictures

TARGET = plain_rebuild.rebuild("ready").target
SHOP = ShopArrays(left_mm=0.8 + 0.001 * TARGET.vertices_mm[:, 2])


@pytest.fixture
def children(monkeypatch):
    """Collect the processes that are started."""
    started = []

    class Popen(subprocess.Popen):
        def __init__(self, *args, **keywords):
            super().__init__(*args, **keywords)
            started.append(self)

    monkeypatch.setattr(subprocess, "Popen", Popen)
    return started


@pytest.fixture
def own_drawing(monkeypatch):
    """Count the targets drawn in this process."""
    drawn = []

    def draw(target, shop):
        drawn.append((target, shop))
        return draw_pictures(target, shop)

    monkeypatch.setattr(apart, "draw_pictures", draw)
    return drawn


def test_the_same_pictures(children, own_drawing):
    with apart.drawing_apart() as draw:
        pictures = draw(TARGET, SHOP)()
    assert pictures == draw_pictures(TARGET, SHOP)
    assert len(pictures) == 4
    assert own_drawing == []
    assert [child.returncode for child in children] == [0]


@pytest.mark.parametrize("python", ["/nowhere/python", "false", None])
def test_drawn_here_when_there_is_no_other_process_or_it_fails(monkeypatch, own_drawing, python):
    monkeypatch.setattr(sys, "executable", python)
    with apart.drawing_apart() as draw:
        assert draw(TARGET, SHOP)() == draw_pictures(TARGET, SHOP)
    assert own_drawing == [(TARGET, SHOP)]


def test_drawn_here_when_the_other_process_has_ended(monkeypatch, own_drawing, children):
    monkeypatch.setattr(sys, "executable", "false")
    with apart.drawing_apart() as draw:
        children[0].wait()
        assert draw(TARGET, SHOP)() == draw_pictures(TARGET, SHOP)
    assert own_drawing == [(TARGET, SHOP)]


def test_nothing_is_left_running_when_nothing_is_drawn(children):
    with pytest.raises(KeyboardInterrupt), apart.drawing_apart():
        raise KeyboardInterrupt
    assert [child.poll() is None for child in children] == [False]


def test_the_library_is_found_whatever_lies_in_the_folder(tmp_path, monkeypatch, children):
    """A file named like a library, in the folder where the program is run, is not taken for it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "matplotlib.py").write_text("raise SystemExit(5)")
    with apart.drawing_apart() as draw:
        draw(TARGET)()
    assert [child.returncode for child in children] == [0]
