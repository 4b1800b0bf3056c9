"""How long a Blender window stands still while a scan of millions is worked on, and what memory that takes.

Needs a display, the extension installed, and a scan with a job file beside it, such as
`sample_scenes/make_scenes.py` and `profile_rebuild.py` make:

    blender --addons bl_ext.user_default.gaploft --python tests/benchmarks/window_freeze.py -- JOB.toml OUT

A timer that should come every 20 ms tells how long the window was away in each step. The scan is shown as
its box, so that what is measured is this extension's and not the drawing of millions of triangles, which a
machine without a graphics card does slowly. Memory (Linux) is what the process takes beyond its state after
the import, at its highest.
"""

import sys
import time
import tomllib
from pathlib import Path

import bpy  # noqa: TID251 - this one runs inside Blender

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "addon" / "window"))

from driver import in_view, play, running, state, undo_step, until

JOB, OUT = (Path(argument) for argument in sys.argv[sys.argv.index("--") + 1 :])
STATUS, CLEAR = Path("/proc/self/status"), Path("/proc/self/clear_refs")


def memory_mib(field):
    """Memory of this process now (VmRSS) or at its highest since it was last cleared (VmHWM)."""
    line = next(line for line in STATUS.read_text().splitlines() if line.startswith(field))
    return int(line.split()[1]) / 1024.0


def told(step, began, longest, base):
    """One row of the table."""
    now, most = time.monotonic() - began, memory_mib("VmHWM") - base
    sys.stdout.write(f"| {step} | {now:.2f} | {longest:.2f} | {most:.0f} |\n")


def watched(step, base, start, done):
    """Start something, wait until it is done, and say how long the window was away."""
    CLEAR.write_text("5")
    began = time.monotonic()
    with in_view():
        start()
    called = time.monotonic() - began
    _, longest = yield from until(done, step, pause_s=0.02)
    told(step, began, max(called, longest), base)


def steps():
    """Import, check, mark, rebuild, change a setting, touch up, recheck and export."""
    job = tomllib.loads(JOB.read_text(encoding="utf-8"))
    bpy.ops.wm.read_homefile()
    yield 1.0
    began = time.monotonic()
    bpy.ops.wm.stl_import(filepath=str(JOB.parent / job["scan"]["file"]))
    sys.stdout.write(f"import by Blender: {time.monotonic() - began:.1f} s\n")
    scan = bpy.context.active_object
    sys.stdout.write(f"{len(scan.data.polygons):,} triangles\n")
    scan.display_type, state().show.scan_look = "BOUNDS", "SOLID"
    undo_step("imported")
    yield 2.0
    base = memory_mib("VmRSS")
    sys.stdout.write("| step | seconds | longest standstill, s | memory, MiB |\n| --- | --- | --- | --- |\n")
    calls, ends = bpy.ops.gaploft, {f"{end}_point": job["damage"][end] for end in ("from", "to")}
    tool = sys.modules["bl_ext.user_default.gaploft.scan_check"]
    yield from watched("check", base, lambda: calls.use_scan(unit="mm"), lambda: not tool.running())
    yield from watched("mark", base, lambda: calls.mark_damage(**ends), lambda: state().marked)
    undo_step("marked")

    def rebuilt():
        return running() is None and state().live("result") is not None

    yield from watched("rebuild", base, lambda: calls.rebuild("INVOKE_DEFAULT"), rebuilt)
    uid = state().result.data.session_uid
    yield from watched(
        "another cover",
        base,
        lambda: setattr(state(), "cover_mm", 0.3),
        lambda: rebuilt() and state().result.data.session_uid != uid,
    )
    yield from watched("touch up", base, calls.touch_up, lambda: state().touched is not None)
    yield from watched("back and recheck", base, calls.touch_done, lambda: "hand" in state().report)
    write = sys.modules["bl_ext.user_default.gaploft.export_task"]
    other = bpy.types.GAPLOFT_OT_write_target

    def export():
        other.pending = write.task_of(bpy.context.scene, OUT, [(state().damage, "target.stl")])
        calls.write_target("INVOKE_DEFAULT")

    OUT.mkdir(parents=True, exist_ok=True)
    yield from watched("export", base, export, lambda: other.pending is None and other.running is None)
    assert (OUT / "report.html").is_file()


play(steps())
