"""The whole job in a Blender without a window: mark, rebuild, check again, export a small tube.

For Blenders whose Python has no bpy wheel. Wants the extension installed from a zip with wheels for that
Python; ends with 1 and a traceback when anything fails.

    blender -b --addons bl_ext.user_default.gaploft --python-exit-code 1 \
        --python tests/addon/window/whole_job.py
"""

import json
import platform
import sys
import tempfile
from pathlib import Path

import bpy
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from blender_scan import coordinates, marked


def job(folder):
    """All steps in the order of the work; what was exported."""
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    scan = marked()
    before = coordinates(scan)
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert bpy.ops.gaploft.recheck() == {"FINISHED"}
    assert bpy.ops.gaploft.export_target(filepath=str(folder / "target.stl")) == {"FINISHED"}
    assert np.array_equal(coordinates(scan), before), "the scan must stay as it was"
    return json.loads((folder / "report.json").read_text(encoding="utf-8"))


def save_and_reopen(folder):
    """The state is in the file: the export of a reopened job has the same bytes."""
    first = (folder / "target.stl").read_bytes()
    bpy.ops.wm.save_as_mainfile(filepath=str(folder / "job.blend"))
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    bpy.ops.wm.open_mainfile(filepath=str(folder / "job.blend"))
    assert bpy.ops.gaploft.export_target(filepath=str(folder / "target.stl")) == {"FINISHED"}
    assert (folder / "target.stl").read_bytes() == first


def main():
    """Do the job in a folder of its own and say what came out."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        report = job(folder)
        assert report["verdict"] in {"ready", "check"}
        assert report["target"]["manifold"]
        page = (folder / "report.html").read_text(encoding="utf-8")
        assert page.count("data:image/png;base64,") == 3, "the page has its pictures"
        save_and_reopen(folder)
    sys.stdout.write(
        f"whole job: Blender {bpy.app.version_string}, Python {platform.python_version()}, "
        f"NumPy {np.__version__}: {report['verdict']}, {report['target']['facets']} facets, "
        f"95 % band up to {report['band95_mm']['max']:.3f} mm\n"
    )


if __name__ == "__main__":
    main()
