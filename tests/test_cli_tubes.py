"""The command line all the way through, on small analytic tubes: a cylinder comes back, bad jobs don't."""

import json
import subprocess
import sys

import numpy as np

import plain_tube
from gaploft import cli

RUN = "import sys; from gaploft.cli import main; sys.exit(main())"


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
    plain_tube.write_stl(tmp_path / "scan.stl", vertices, faces)
    path = plain_tube.write_job(tmp_path / "job.toml", "scan.stl", **job)
    code = cli.main(["rebuild", str(path), "--out", str(tmp_path / "out")])
    return code, capsys.readouterr().err.splitlines()


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_points_off_any_tube(tmp_path, capsys):
    tube = plain_tube.open_tube(n_u=151, n_v=96, gap=(110.0, 190.0))
    code, complained = real(tmp_path, capsys, *tube, start=(400, 0, 110), end=(400, 0, 190))
    assert code == 2
    assert len(complained) == 1
    assert not (tmp_path / "out").exists()


def test_damage_longer_than_the_flanks_can_carry(tmp_path, capsys):
    tube = plain_tube.open_tube(n_u=151, n_v=96, gap=(20.0, 280.0))
    code, complained = real(tmp_path, capsys, *tube, start=(0, 0, 20), end=(0, 0, 280))
    assert code == 3
    assert len(complained) == 1
    assert names(tmp_path / "out") == ["report.html", "report.json"]


def test_closed_end_in_the_flank(tmp_path, capsys):
    """A cap a few millimetres past the gap: what is left of that flank can't carry the rebuild."""
    vertices, faces = plain_tube.open_tube(n_u=151, n_v=96, length=200.0, gap=(110.0, 190.0))
    ring = np.arange(150 * 96, 151 * 96)
    cap = np.column_stack([ring, np.roll(ring, -1), np.full(96, len(vertices))])
    closed = np.concatenate([vertices, [[0.0, 0.0, 200.0]]])
    code, complained = real(tmp_path, capsys, closed, np.concatenate([faces, cap]))
    assert code == 3
    assert len(complained) == 1
    assert names(tmp_path / "out") == ["report.html", "report.json"]
