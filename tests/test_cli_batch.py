"""Many jobs: a folder for each, one summary, and none that stops the others, whatever becomes of it."""

import csv
import functools
import io
import json
import os
import signal
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest

import batch_jobs
import plain_tube
from gaploft import cli
from gaploft.bar import job_bar
from gaploft.batch import run
from gaploft.batch.lanes import work_off
from gaploft.batch.names import folder_names
from gaploft.batch.worker import Task

#: The command line with the stand-ins of ``batch_jobs`` in the place of the geometry.
RUN = (
    "import sys, functools, batch_jobs, gaploft.batch.run as run\n"
    "from gaploft.cli import main\n"
    "run.run_batch = functools.partial(run.run_batch, work=batch_jobs.work)\n"
    "sys.exit(main())"
)
PLACES = os.pathsep.join([str(Path(batch_jobs.__file__).parent), os.environ.get("PYTHONPATH", "")])
posix = pytest.mark.skipif(sys.platform == "win32", reason="signals and process groups of POSIX")


@pytest.fixture
def batch(monkeypatch, capsys, tmp_path):
    """Run stand-ins of jobs: exit code, stdout lines, stderr lines, rows of the summary."""
    monkeypatch.setattr(run, "run_batch", functools.partial(run.run_batch, work=batch_jobs.work))

    def run_jobs(jobs, *options):
        out = tmp_path / "out"
        code = cli.main(["rebuild", *map(str, jobs), "--out", str(out), *options])
        printed = capsys.readouterr()
        return code, printed.out.splitlines(), printed.err.splitlines(), summary(out)

    return run_jobs


def summary(out):
    if not (out / "summary.csv").is_file():
        return None
    with (out / "summary.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def names(folder):
    return sorted(path.name for path in folder.iterdir())


RESULTS = ["report.html", "report.json", "target.ply", "target.stl"]


def test_a_folder_for_each_and_one_summary(batch, tmp_path):
    jobs = batch_jobs.write(tmp_path, b="ready", a="check", c="ready")
    code, said, complained, rows = batch(jobs, "--jobs", "2")
    assert code == 0
    assert complained == []
    assert names(tmp_path / "out") == ["a", "b", "c", "summary.csv", "summary.html"]
    assert all(names(tmp_path / "out" / name) == RESULTS for name in "abc")
    assert [row["job"] for row in rows] == ["b", "a", "c"], "the order given"
    assert [row["verdict"] for row in rows] == ["ready", "check", "ready"]
    assert len(said) == 4
    assert {line.split(",")[0] for line in said[:3]} == {"a: check", "b: ready", "c: ready"}
    assert said[3] == f"3 jobs: 2 ready, 1 check, 0 refused, 0 unusable; read {tmp_path / 'out/summary.html'}"


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("ready", "check"), 0),
        (("ready", "refused"), 3),
        (("refused", "unusable"), 2),
        (("ready", "bug"), 2),
        (("killed", "refused"), 2),
    ],
)
def test_exit_code_is_that_of_the_worst(batch, tmp_path, words, expected):
    jobs = batch_jobs.write(tmp_path, one=words[0], two=words[1])
    code, said, complained, _ = batch(jobs, "--jobs", "2")
    assert code == expected
    assert len(said) == (3 if expected == 0 else 2)
    assert (complained == []) == (expected == 0)
    if complained:
        assert complained[-1].startswith("gaploft: 2 jobs: ")


@pytest.mark.parametrize("earlier", [False, True])
def test_none_that_fails_stops_the_others(batch, tmp_path, earlier):
    kinds = ("unusable", "bug", "memory", "killed")
    if earlier:
        assert batch(batch_jobs.write(tmp_path, **dict.fromkeys((*kinds, "good"), "ready")))[0] == 0
    jobs = batch_jobs.write(tmp_path, **{name: name for name in kinds}, good="ready", poor="refused")
    code, said, complained, rows = batch([*jobs, tmp_path / "nothing.toml"], "--jobs", "2")
    assert code == 2
    told = {row["job"]: row for row in rows}
    assert list(told) == [*kinds, "good", "poor", "nothing"]
    assert [row["verdict"] for row in rows] == [*4 * ["unusable"], "ready", "refused", "unusable"]
    for name, words in {
        "unusable": "is of no use: write another",
        "bug": "ZeroDivisionError: of a test",
        "memory": "ran out of memory",
        "killed": "ran out of memory",
        "poor": "scan more",
        "nothing": "there is no file",
    }.items():
        assert words in told[name]["reason"]
        assert any(line.startswith(f"{name}: {told[name]['verdict']}: ") for line in said)
    assert len(said) == 7
    assert sum("Traceback" in line for line in complained) == 1
    assert "ZeroDivisionError: of a test" in complained
    assert names(tmp_path / "out" / "poor") == ["report.html", "report.json"]
    for name in (*kinds, "nothing"):
        folder = tmp_path / "out" / name
        assert not folder.exists() or names(folder) == [], "no old target beside a job that failed"
        assert told[name]["folder"] == ""


def test_a_job_whose_process_died_is_tried_once_more(batch, tmp_path):
    code, said, complained, rows = batch(batch_jobs.write(tmp_path, one="once", two="ready", three="once"))
    assert code == 0, complained
    assert [row["verdict"] for row in rows] == ["ready", "ready", "ready"]
    assert len(said) == 4


def test_a_process_that_can_not_be_started_stops_none(batch, tmp_path, monkeypatch):
    """The system's own word for that is an OSError (fork(2): EAGAIN, ENOMEM)."""
    tried = []

    def submit(self, function, task, work):
        tried.append(task.job.name)
        if task.job.name == "one.toml":
            raise OSError(11, "Resource temporarily unavailable")
        return start(self, function, task, work)

    start = ProcessPoolExecutor.submit
    monkeypatch.setattr(ProcessPoolExecutor, "submit", submit)
    code, _, _, rows = batch(batch_jobs.write(tmp_path, one="ready", two="ready"), "--jobs", "1")
    assert code == 2
    assert [row["verdict"] for row in rows] == ["unusable", "ready"]
    assert tried == ["one.toml", "two.toml", "one.toml"]


def test_so_many_at_a_time(batch, tmp_path):
    assert batch(batch_jobs.write(tmp_path, one="meet two", two="meet one"), "--jobs", "2")[0] == 0
    apart = batch_jobs.write(tmp_path, **dict.fromkeys("abc", "alone"))
    assert batch(apart, "--jobs", "1")[0] == 0


def test_a_worker_computes_with_one_thread(tmp_path, monkeypatch):
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        monkeypatch.setenv(name, "2")
    ended = []
    tasks = [(0, Task(tmp_path / "job.toml", tmp_path))]
    work_off(tasks, 1, batch_jobs.threads, lambda index, attempt, seconds: ended.append(attempt))
    counts = ended[0].report["threads"]
    assert counts
    assert set(counts) == {1}


def test_one_job_goes_straight_into_the_folder_unless_asked(batch, tmp_path):
    (job,) = batch_jobs.write(tmp_path, alone="ready")
    code, _, complained, rows = batch([job])
    assert code == 2, "a stand-in is no job for the geometry"
    assert len(complained) == 1
    assert rows is None
    code, said, _, rows = batch([job], "--batch")
    assert code == 0
    assert names(tmp_path / "out") == ["alone", "summary.csv", "summary.html"]
    assert said[-1].startswith("1 job: 1 ready")


def test_same_results_same_bytes_but_for_seconds(batch, tmp_path):
    jobs = batch_jobs.write(tmp_path, one="ready", two="check", three="refused")
    first = batch(jobs, "--jobs", "2")[3]
    second = batch(jobs, "--jobs", "1")[3]
    for row in (*first, *second):
        assert float(row.pop("seconds")) >= 0.0
    assert first == second


def test_no_result_over_a_file_of_another_job(tmp_path):
    """One job's scan lies where another's target is to be: with two it is still never altered."""
    out = tmp_path / "out"
    (out / "two").mkdir(parents=True)
    tube = plain_tube.open_tube(length=140.0, n_u=71, n_v=64, gap=(60.0, 80.0))
    for path in (out / "two" / "target.stl", tmp_path / "scan.stl"):
        plain_tube.write_stl(path, *tube)
    ends = {"start": (0, 0, 60), "end": (0, 0, 80)}
    jobs = [
        plain_tube.write_job(tmp_path / "one.toml", "out/two/target.stl", **ends),
        plain_tube.write_job(tmp_path / "two.toml", "scan.stl", **ends),
    ]
    before = (out / "two" / "target.stl").read_bytes()
    code = cli.main(["rebuild", *map(str, jobs), "--out", str(out)])
    assert (out / "two" / "target.stl").read_bytes() == before
    assert code == 2


@pytest.mark.parametrize("name", ["summary.csv", "summary.html"])
def test_a_summary_that_can_not_be_written_is_told_before_any_job_is_done(batch, tmp_path, name):
    (tmp_path / "out" / name).mkdir(parents=True)
    code, said, complained, _ = batch(batch_jobs.write(tmp_path, one="ready", two="ready"))
    assert code == 2
    assert said == []
    assert len(complained) == 1
    assert f"{name} is a folder" in complained[0]
    assert names(tmp_path / "out") == [name]


def test_summary_is_never_written_over_an_input(batch, tmp_path):
    (tmp_path / "out").mkdir()
    job = tmp_path / "out" / "summary.csv"
    job.write_text("ready")
    code, _, complained, _ = batch([job, *batch_jobs.write(tmp_path, one="ready")])
    assert code == 2
    assert "would be overwritten" in complained[0]
    assert job.read_text() == "ready"


@posix
@pytest.mark.parametrize("how", ["ctrl-c", "sigterm", "sigint to one"])
def test_interrupted(tmp_path, how):
    """Ctrl-C goes to every process of a terminal's group, a service's stop to the first alone."""
    earlier = tmp_path / "out" / "old"
    batch_jobs.written(earlier, "ready")
    before = {path.name: path.read_bytes() for path in earlier.iterdir()}
    jobs = batch_jobs.write(tmp_path, good="ready", old="hang", new="hang", later="ready")
    with started(tmp_path, jobs) as process:
        assert process.stdout.readline().startswith("good: ready")
        pids = [int(hanging(job)) for job in jobs[1:3]]
        number = signal.SIGTERM if how == "sigterm" else signal.SIGINT
        (os.killpg if how == "ctrl-c" else os.kill)(process.pid, number)
        said, complained = process.communicate(timeout=30)
    assert process.returncode == 130
    assert complained == "gaploft: interrupted, nothing is left half-written\n"
    assert said == ""
    assert not any(map(batch_jobs.is_running, pids))
    assert names(tmp_path / "out") == ["good", "old"], "no summary, and what had ended is whole"
    assert names(tmp_path / "out" / "good") == RESULTS
    assert {path.name: path.read_bytes() for path in earlier.iterdir()} == before


@posix
def test_workers_do_not_outlive_the_one_who_hands_out_jobs(tmp_path):
    jobs = batch_jobs.write(tmp_path, one="hang", two="hang")
    with started(tmp_path, jobs) as process:
        pids = [int(hanging(job)) for job in jobs]
        process.kill()
        process.communicate(timeout=30)
    batch_jobs.wait_for(lambda: not any(map(batch_jobs.is_running, pids)), seconds=20.0)


def started(tmp_path, jobs):
    """Start the command line in a process group of its own, as a terminal does."""
    command = [sys.executable, "-c", RUN, "rebuild", *map(str, jobs), "--out", str(tmp_path / "out")]
    return subprocess.Popen(
        [*command, "--jobs", "2"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env={**os.environ, "PYTHONPATH": PLACES},
    )


def hanging(job):
    """The process in which a job hangs."""
    path = job.with_suffix(".pid")
    batch_jobs.wait_for(lambda: path.exists() and path.read_text())
    return path.read_text()


def test_the_geometry_gives_the_same_alone_and_among_others(tmp_path):
    """Through real processes, on two small tubes of radius 16 and 14, closed forms."""
    ends = {"start": (0, 0, 60), "end": (0, 0, 80)}
    jobs = []
    for radius in (16.0, 14.0):
        folder = tmp_path / f"frame {radius:.0f}"
        folder.mkdir()
        tube = plain_tube.open_tube(radius=radius, length=140.0, n_u=71, n_v=64, gap=(60.0, 80.0))
        plain_tube.write_stl(folder / "scan.stl", *tube)
        jobs.append(plain_tube.write_job(folder / "job.toml", "scan.stl", **ends))
    assert cli.main(["rebuild", *map(str, jobs), "--out", str(tmp_path / "out"), "--jobs", "2"]) == 0
    assert cli.main(["rebuild", str(jobs[0]), "--out", str(tmp_path / "alone")]) == 0
    for name in ("target.stl", "target.ply"):
        among = (tmp_path / "out" / "frame 16-job" / name).read_bytes()
        assert among == (tmp_path / "alone" / name).read_bytes()
    for radius, row in zip((16.0, 14.0), summary(tmp_path / "out"), strict=True):
        assert float(row["diameter_mm"]) == pytest.approx(2 * radius, abs=0.05)
        assert float(row["gap_mm"]) == pytest.approx(20.0, abs=2.0)
        report = json.loads((tmp_path / "out" / row["folder"] / "report.json").read_text(encoding="utf-8"))
        assert int(row["facets"]) == report["target"]["facets"]


@pytest.mark.parametrize("number", ["0", "-1", "1.5", "many", ""])
def test_jobs_at_a_time_are_one_or_more(number, capsys):
    with pytest.raises(SystemExit) as caught:
        cli.main(["rebuild", "a.toml", "b.toml", "--out", "out", f"--jobs={number}"])
    assert caught.value.code == 2
    assert "give 1 or more" in capsys.readouterr().err


def test_help_tells_of_many_jobs(capsys):
    with pytest.raises(SystemExit):
        cli.main(["rebuild", "--help"])
    printed = " ".join(capsys.readouterr().out.split())
    for words in ("summary.csv", "0 each has a target", "2 at least one could not be used", "--jobs"):
        assert words in printed


def names_of(*paths):
    return folder_names([Path(path) for path in paths], reserved=run.SUMMARY_NAMES)


def test_folders_are_named_like_the_jobs():
    assert names_of("a/seat.toml", "a/top tube.toml", "b/v1.2.toml") == ("seat", "top tube", "v1.2")


def test_jobs_of_one_name_are_told_apart():
    assert names_of("/x/a/job.toml", "/x/b/job.toml", "/c.toml") == ("a-job", "b-job", "c")
    assert names_of("/x/a/job.toml", "/y/a/job.toml", "/a-job.toml") == ("a-job", "a-job-2", "a-job-3")
    assert names_of("/x/a/job.toml", "/y/a/job.toml", "/a-job-2.toml") == ("a-job", "a-job-3", "a-job-2")


@pytest.mark.parametrize("pair", [("Job", "jOB"), ("stra\u00dfe", "STRASSE"), ("\u00e9", "e\u0301")])
def test_names_that_some_file_systems_hold_for_one(pair):
    """Cases by Unicode 15.0, CaseFolding.txt and canonical equivalence (chapter 3.7)."""
    told = names_of(*(f"/x/{name}.toml" for name in pair))
    assert all(name.startswith("x-") for name in told)
    assert told[1] == f"x-{pair[1]}-2"


def test_no_name_leads_elsewhere_or_is_that_of_the_summary():
    assert names_of("/x/...toml", "/x/ a .toml", "/x/.b.toml") == ("job", "a", "b")
    assert names_of("/x/summary.csv.toml", "/x/SUMMARY.HTML.toml") == ("summary.csv-2", "SUMMARY.HTML-2")


def test_progress_counts_jobs_at_a_terminal_only(capsys):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    for stream, drawn in ((Terminal(), True), (io.StringIO(), False)):
        with job_bar(stream, 2) as tell:
            tell("one: ready")
            tell("two: ready")
        assert capsys.readouterr().out == "one: ready\ntwo: ready\n"
        assert ("1 of 2" in stream.getvalue()) == drawn
