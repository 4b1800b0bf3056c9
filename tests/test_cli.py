"""The command line: exit codes, one line on stderr, whole results or none."""

import io
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

import plain_rebuild
import plain_tube
from gaploft import cli
from gaploft.errors import Cancelled, EvidenceError

RUN = "import sys; from gaploft.cli import main; sys.exit(main())"


@pytest.fixture
def tube_job(tmp_path):
    """A job on a tube of diameter 32 and length 300 with 80 mm missing."""
    plain_tube.write_stl(tmp_path / "scan.stl", *plain_tube.open_tube(n_u=151, n_v=96, gap=(110.0, 190.0)))
    return plain_tube.write_job(tmp_path / "job.toml", "scan.stl")


@pytest.fixture
def finished(monkeypatch):
    """Put an outcome made by hand in the place of the geometry, and give a way to choose it."""

    def choose(outcome):
        def rebuild(scan, job, *, donor, progress):
            if isinstance(outcome, BaseException):
                raise outcome
            return outcome() if callable(outcome) else outcome

        monkeypatch.setattr("gaploft.pipeline.rebuild", rebuild)

    choose(plain_rebuild.rebuild())
    return choose


def run(job, out, capsys):
    """Run ``rebuild``: exit code, stdout lines, stderr lines."""
    code = cli.main(["rebuild", str(job), "--out", str(out)])
    printed = capsys.readouterr()
    return code, printed.out.splitlines(), printed.err.splitlines()


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_done(tube_job, tmp_path, finished, capsys):
    code, said, complained = run(tube_job, tmp_path / "out", capsys)
    assert code == 0
    assert complained == [], "no progress bar where nobody watches"
    assert len(said) == 1
    assert said[0].startswith(f"ready: {tmp_path / 'out' / 'target.stl'} (mm)")
    assert names(tmp_path / "out") == ["report.html", "report.json", "target.ply", "target.stl"]
    report = json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))
    assert report["seconds"]["read"] > 0.0


def test_refused_writes_a_report_and_no_target(tube_job, tmp_path, finished, capsys):
    run(tube_job, tmp_path / "out", capsys)
    finished(plain_rebuild.rebuild("refused"))
    code, said, complained = run(tube_job, tmp_path / "out", capsys)
    assert code == 3
    assert said == []
    assert complained == ["gaploft: the flanks are 10 mm long, but 80 mm of gap need 40 mm: scan more"]
    assert names(tmp_path / "out") == ["report.html", "report.json"], "the old target is gone"


def test_evidence_that_ends_the_work_early_gets_a_report(tube_job, tmp_path, finished, capsys):
    finished(EvidenceError("one flank is missing: scan more"))
    code, _, complained = run(tube_job, tmp_path / "out", capsys)
    assert code == 3
    assert complained == ["gaploft: one flank is missing: scan more"]
    report = json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))
    assert report["verdict"] == "refused"
    assert report["scan"]["file"] == "scan.stl"
    assert names(tmp_path / "out") == ["report.html", "report.json"]


def spoil_unit(folder):
    job = folder / "job.toml"
    job.write_text(job.read_text().replace('unit = "mm"', ""))


def spoil_empty(folder):
    (folder / "scan.stl").write_bytes(b"")


def spoil_truncated(folder):
    data = (folder / "scan.stl").read_bytes()
    (folder / "scan.stl").write_bytes(data[: len(data) // 2])


def spoil_nan(folder):
    vertices, faces = plain_tube.open_tube(gap=(110.0, 190.0))
    vertices[::20] = np.nan
    plain_tube.write_stl(folder / "scan.stl", vertices, faces)


def spoil_metres(folder):
    vertices, faces = plain_tube.open_tube(gap=(110.0, 190.0))
    plain_tube.write_stl(folder / "scan.stl", vertices / 1000.0, faces)


def spoil_mask(folder):
    (folder / "mask.txt").write_text("999999\n")
    plain_tube.write_job(folder / "job.toml", "scan.stl", more='mask = "mask.txt"\n')


def spoil_scan(folder):
    (folder / "scan.stl").unlink()


def spoil_job(folder):
    (folder / "job.toml").unlink()


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (spoil_unit, "has no unit"),
        (spoil_empty, "is empty"),
        (spoil_truncated, "cut short"),
        (spoil_nan, "not numbers"),
        (spoil_metres, "is the unit m (300 mm)?"),
        (spoil_mask, "names vertex 999999"),
        (spoil_scan, "there is no file"),
        (spoil_job, "there is no file"),
    ],
)
@pytest.mark.parametrize("earlier", [False, True])
def test_bad_input_gets_one_line_and_leaves_nothing(
    tube_job, tmp_path, finished, capsys, spoil, words, earlier
):
    out = tmp_path / "out"
    if earlier:
        run(tube_job, out, capsys)
    spoil(tmp_path)
    code, said, complained = run(tube_job, out, capsys)
    assert code == 2
    assert said == []
    assert len(complained) == 1
    assert complained[0].startswith("gaploft: ")
    assert words in complained[0]
    assert not out.exists() or names(out) == []


@pytest.mark.parametrize("inside", ["", "deeper"])
def test_folder_that_can_not_be_written_to(tube_job, tmp_path, finished, capsys, inside):
    """A file in the way stops an administrator too, whom permission bits don't."""
    (tmp_path / "out").write_text("mine")
    code, _, complained = run(tube_job, tmp_path / "out" / inside, capsys)
    assert code == 2
    assert len(complained) == 1
    assert "choose a folder that can be written to" in complained[0]
    assert (tmp_path / "out").read_text() == "mine"


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="needs a file system that takes no new files")
def test_file_system_that_takes_no_new_files(tube_job, finished, capsys):
    code, _, complained = run(tube_job, "/proc/self/fdinfo", capsys)
    assert code == 2
    assert len(complained) == 1


def test_scan_is_never_overwritten(tmp_path, finished, capsys):
    plain_tube.write_stl(tmp_path / "target.stl", *plain_tube.open_tube())
    job = plain_tube.write_job(tmp_path / "job.toml", "target.stl")
    before = (tmp_path / "target.stl").read_bytes()
    code, _, complained = run(job, tmp_path, capsys)
    assert code == 2
    assert "would be overwritten" in complained[0]
    assert (tmp_path / "target.stl").read_bytes() == before
    assert names(tmp_path) == ["job.toml", "target.stl"]


def test_too_little_memory_is_said(tube_job, tmp_path, finished, capsys):
    finished(MemoryError())
    code, _, complained = run(tube_job, tmp_path / "out", capsys)
    assert code == 2
    assert "not enough memory" in complained[0]


def test_a_bug_stays_a_bug(tube_job, tmp_path, finished):
    finished(ZeroDivisionError("bug"))
    with pytest.raises(ZeroDivisionError):
        cli.main(["rebuild", str(tube_job), "--out", str(tmp_path / "out")])
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "stop",
    [
        KeyboardInterrupt(),
        Cancelled(),
        lambda: os.kill(os.getpid(), signal.SIGTERM) or time.sleep(5),
        lambda: os.kill(os.getpid(), signal.SIGINT) or time.sleep(5),
    ],
    ids=["ctrl-c", "cancelled", "sigterm", "sigint"],
)
def test_interrupted(tube_job, tmp_path, finished, capsys, stop):
    finished(stop)
    before = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
    code, said, complained = run(tube_job, tmp_path / "out", capsys)
    assert code == 130
    assert said == []
    assert complained == ["gaploft: interrupted, nothing is left half-written"]
    assert not (tmp_path / "out").exists()
    assert (signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)) == before


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_interrupted_from_outside(tube_job, tmp_path, number):
    script = (
        "import time, gaploft.pipeline\n"
        "def wait(scan, job, *, donor, progress):\n"
        "    print('waiting', flush=True)\n"
        "    time.sleep(60)\n"
        "gaploft.pipeline.rebuild = wait\n" + RUN
    )
    command = [sys.executable, "-c", script, "rebuild", str(tube_job), "--out", str(tmp_path / "out")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "waiting\n"
        process.send_signal(number)
        _, complained = process.communicate(timeout=30)
    assert process.returncode == 130
    assert complained == "gaploft: interrupted, nothing is left half-written\n"
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "arguments", [[], ["rebuild"], ["rebuild", "job.toml"], ["mend"], ["rebuild", "--x"]]
)
def test_wrong_usage_gets_one_line_too(arguments, capsys):
    with pytest.raises(SystemExit) as caught:
        cli.main(arguments)
    assert caught.value.code == 2
    complained = capsys.readouterr().err.splitlines()
    assert len(complained) == 1
    assert complained[0].startswith("gaploft: ")


def test_version_and_help(capsys):
    for option in ("--version", "--help"):
        with pytest.raises(SystemExit) as caught:
            cli.main([option])
        assert caught.value.code == 0
    printed = capsys.readouterr().out
    assert printed.startswith("gaploft ")
    assert "rebuild" in printed


def test_progress_is_drawn_at_a_terminal_only():
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    for stream, drawn in ((Terminal(), True), (io.StringIO(), False)):
        with cli._progress_bar(stream) as progress:
            progress("read", 0.5)
            progress("write", 1.0)
        assert bool(stream.getvalue()) == drawn
