"""The command line all the way through, on small analytic tubes: a cylinder comes back, bad jobs don't."""

import json
import os
import subprocess
import sys

import numpy as np
import pytest

import plain_tube
from gaploft import cli

RUN = "import sys; from gaploft.cli import main; sys.exit(main())"
#: A tube of diameter 32 with 20 mm missing and 60 mm left on each side.
SMALL = {"length": 140.0, "n_u": 71, "n_v": 64, "gap": (60.0, 80.0)}
ENDS = {"start": (0, 0, 60), "end": (0, 0, 80)}


def test_a_missing_stretch_of_a_cylinder_comes_back(tmp_path):
    """The truth is the cylinder of radius 16 itself, a closed form."""
    plain_tube.write_stl(tmp_path / "scan.stl", *plain_tube.open_tube(n_u=151, n_v=96, gap=(110.0, 190.0)))
    tube_job = plain_tube.write_job(tmp_path / "job.toml", "scan.stl")
    command = [sys.executable, "-c", RUN, "rebuild", str(tube_job), "--out", str(tmp_path / "out")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert len(done.stdout.splitlines()) == 1
    report = json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))
    assert report["verdict"] in ("ready", "check")
    header, _, corners = plain_tube.read_stl(tmp_path / "out" / "target.stl")
    assert not header.startswith(b"solid")
    z = corners[..., 2]
    assert z.min() < 105.0
    assert z.max() > 195.0
    radius = np.hypot(corners[..., 0], corners[..., 1])
    # The scan's own facets lie up to 16 (1 - cos(pi/96)) = 0.0086 mm inside the cylinder.
    assert np.abs(radius - 16.0).max() < 16.0 * (1 - np.cos(np.pi / 96)) + report["band95_mm"]["max"]


def real(tmp_path, capsys, vertices, faces, **job):
    """Exit code and lines on stderr of a job on a tube, through the real geometry."""
    plain_tube.write_stl(tmp_path / "scan.stl", vertices, faces)
    path = plain_tube.write_job(tmp_path / "job.toml", "scan.stl", **job)
    code = cli.main(["rebuild", str(path), "--out", str(tmp_path / "out")])
    return code, capsys.readouterr().err.splitlines()


def names(folder):
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize(
    ("start", "end", "name"),
    [
        ((400, 0, 60), (400, 0, 80), "from"),
        ((70, 0, 60), (70, 0, 80), "from"),
        ((0, 0, 60), (60, 0, 80), "to"),
        ((0, 0, 130), (0, 0, 190), "to"),
    ],
    ids=["far away", "beside it", "one beside it", "past the end"],
)
def test_points_off_any_tube(tmp_path, capsys, start, end, name):
    code, complained = real(tmp_path, capsys, *plain_tube.open_tube(**SMALL), start=start, end=end)
    assert code == 2
    assert len(complained) == 1
    assert complained[0].startswith(f"gaploft: no tube was found around the damage point '{name}'")
    assert "give a point near the tube's centreline" in complained[0]
    assert not (tmp_path / "out").exists()


def refused(tmp_path, complained):
    """The report of a job that was refused with the sentence that stands in the report too."""
    assert names(tmp_path / "out") == ["report.html", "report.json"]
    report = json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))
    assert report["verdict"] == "refused"
    assert complained == [f"gaploft: {report['warnings'][-1]['text']}"]
    return report


def test_damage_longer_than_the_flanks_can_carry(tmp_path, capsys):
    tube = plain_tube.open_tube(length=140.0, n_u=71, n_v=64, gap=(20.0, 120.0))
    code, complained = real(tmp_path, capsys, *tube, start=(0, 0, 20), end=(0, 0, 120))
    assert code == 3
    refused(tmp_path, complained)
    assert complained[0].startswith("gaploft: the damage is 100.0 mm long and only 4")
    assert complained[0].endswith("scan more of the tube")


def closed_tube(past_mm, *, wall_mm=2.0, n_v=64):
    """The small tube with its far end closed by a flat wall, so far past the damage."""
    length = 80.0 + past_mm
    tube = {**SMALL, "length": length, "n_u": round(length / 2.0) + 1}
    vertices, faces = plain_tube.open_tube(**tube)
    points, triangles, first = [vertices], [faces], len(vertices) - n_v
    turn, n = np.arange(n_v) * (2 * np.pi / n_v), len(vertices)
    here, following = np.arange(n_v), (np.arange(n_v) + 1) % n_v
    for radius in np.arange(16.0 - wall_mm, 0.5 * wall_mm, -wall_mm):
        points.append(np.stack([radius * np.cos(turn), radius * np.sin(turn), np.full(n_v, length)], axis=1))
        triangles += [
            np.stack([first + here, first + following, n + following], axis=1),
            np.stack([first + here, n + following, n + here], axis=1),
        ]
        first, n = n, n + n_v
    points.append(np.array([[0.0, 0.0, length]]))
    triangles.append(np.stack([first + here, first + following, np.full(n_v, n)], axis=1))
    return np.concatenate(points), np.concatenate(triangles)


def test_closed_end_in_the_flank(tmp_path, capsys):
    """A few millimetres past the gap: what is left of that flank can't carry the rebuild."""
    code, complained = real(tmp_path, capsys, *closed_tube(10.0), **ENDS)
    assert code == 3
    report = refused(tmp_path, complained)
    assert "beyond the 'to' end of the damage (closed end)" in complained[0]
    assert "closed_end" in [warning["code"] for warning in report["warnings"]]


def test_closed_end_far_enough_away_is_noted(tmp_path, capsys):
    code, complained = real(tmp_path, capsys, *closed_tube(60.0), **ENDS)
    assert code == 0, complained
    report = json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))
    assert "closed_end" in [warning["code"] for warning in report["warnings"]]
    _, _, corners = plain_tube.read_stl(tmp_path / "out" / "target.stl")
    assert corners[..., 2].max() < 140.0
    assert np.abs(np.hypot(corners[..., 0], corners[..., 1]) - 16.0).max() < 16.0 * (1 - np.cos(np.pi / 64))


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="permission bits stop users, not administrators"
)
def test_read_only_folder(tmp_path, capsys):
    (tmp_path / "out").mkdir()
    (tmp_path / "out").chmod(0o555)
    code, complained = real(tmp_path, capsys, *plain_tube.open_tube(**SMALL), **ENDS)
    (tmp_path / "out").chmod(0o755)
    assert code == 2
    assert len(complained) == 1
    assert "choose a folder that can be written to" in complained[0]
    assert names(tmp_path / "out") == []
